"""Plans as text and invented facts to timelines, for the tests of the timing room."""

from __future__ import annotations

from textwrap import dedent

from mixrender.facts import Grid, Loudness, TrackFacts
from mixrender.plan.load import parse_plan
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline


def steady(
    bpm: float, *, bars: int = 96, bar_1_s: float = 0.0, beats_per_bar: int = 4, **more: object
) -> TrackFacts:
    """Facts of a track of whole bars at a constant tempo."""
    grid = Grid("steady", bpm, bar_1_s, beats_per_bar)
    duration_s = grid.time_at(grid.bar_to_beat(bars + 1))
    return TrackFacts(
        content_hash="0" * 32,
        duration_s=duration_s,
        sample_rate_hz=44100,
        channels=2,
        decoder="none",
        grid=grid,
        first_enter_bar=1,
        last_leave_bar=bars + 1,
        first_sound_s=max(bar_1_s, 0.0),
        last_sound_s=duration_s,
        loudness=Loudness(duration_s, integrated_lufs=-12.0, loud_lufs=-10.0, true_peak_dbtp=-1.0),
        **more,  # type: ignore[arg-type]
    )


def gridless(duration_s: float) -> TrackFacts:
    """Facts of a track without a beat."""
    return TrackFacts(
        content_hash="1" * 32,
        duration_s=duration_s,
        sample_rate_hz=44100,
        channels=2,
        decoder="none",
        grid=Grid("none"),
        last_sound_s=duration_s,
        loudness=Loudness(duration_s),
    )


def timeline(text: str, *facts: TrackFacts) -> Timeline:
    """The timeline of a plan given as text, its tracks having these facts."""
    return build_timeline(parse_plan(dedent(text)), facts)
