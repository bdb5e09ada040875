"""How loud each track is, to the one constant gain that it has in the mix."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import median

from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement

Measure = Callable[[TrackPlacement, float, float], float | None]
"""Integrated loudness in LUFS of a track between two seconds of the mix, before any gain, if measurable."""


def constant_gains_db(timeline: Timeline, *, how: str, measure: Measure) -> list[float]:
    """One gain in dB per track: the plan's own trim, and what matches the tracks' loudness.

    `how` is `tracks`: the loud parts of each track (95th percentile of its gated short-term loudness) come to
    the median of the mix's tracks; `regions`: what meets in each overlap becomes equally loud, the median of
    these gains being 0 dB; `off`: nothing. A track that cannot be measured keeps its level.
    """
    matched = {"tracks": _by_tracks, "regions": _by_regions, "off": _off}[how](timeline, measure)
    return [gain + track.gain_db for gain, track in zip(matched, timeline.tracks, strict=True)]


def goal_lufs(timeline: Timeline, gains_db: Sequence[float]) -> float | None:
    """How loud the loud parts of the tracks are in the mix, in the middle, their own trims aside.

    `gains_db` are the gains that the tracks have in the mix. Where they are matched as `tracks` it is the
    loudness to which all come; None where no track can be measured.
    """
    known = [
        track.facts.loudness.loud_lufs + gain_db - track.gain_db
        for track, gain_db in zip(timeline.tracks, gains_db, strict=True)
        if track.facts.loudness.loud_lufs is not None
    ]
    return median(known) if known else None


def layer_gains_db(timeline: Timeline, gains_db: Sequence[float], *, how: str) -> list[float]:
    """One gain in dB per layer: its trim, and what makes its loud parts as loud as those of the tracks.

    `gains_db` are those of the tracks. With `off`, and for a layer that cannot be measured, the trim alone.
    """
    goal = None if how == "off" else goal_lufs(timeline, gains_db)
    loud = [layer.facts.loudness.loud_lufs for layer in timeline.layers]
    return [
        layer.gain_db + (goal - lufs if goal is not None and lufs is not None else 0.0)
        for layer, lufs in zip(timeline.layers, loud, strict=True)
    ]


def _off(timeline: Timeline, measure: Measure) -> list[float]:
    return [0.0] * len(timeline.tracks)


def _by_tracks(timeline: Timeline, measure: Measure) -> list[float]:
    loud = [track.facts.loudness.loud_lufs for track in timeline.tracks]
    known = [value for value in loud if value is not None]
    goal = median(known) if known else 0.0
    return [goal - value if value is not None else 0.0 for value in loud]


def _by_regions(timeline: Timeline, measure: Measure) -> list[float]:
    gains = [0.0]
    for transition in timeline.transitions:
        gains.append(gains[-1] + _step(timeline.tracks, transition, measure))
    middle = median(gains)
    return [gain - middle for gain in gains]


def _step(tracks: Sequence[TrackPlacement], transition: TransitionPlacement, measure: Measure) -> float:
    """Gain in dB that the incoming track needs above the outgoing one to be as loud where they meet."""
    window = transition.start_s, transition.end_s
    if transition.end_s - transition.start_s < 1.0:
        # A cut: what meets are the four seconds before it and after it.
        before = measure(tracks[transition.outgoing], transition.start_s - 4.0, transition.start_s)
        after = measure(tracks[transition.incoming], transition.end_s, transition.end_s + 4.0)
    else:
        before = measure(tracks[transition.outgoing], *window)
        after = measure(tracks[transition.incoming], *window)
    if before is None or after is None:
        return 0.0
    return before - after
