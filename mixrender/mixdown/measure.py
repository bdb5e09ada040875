"""A mix and its timeline to what each transition measures: beats apart, and the step in loudness."""

from __future__ import annotations

import math
from collections.abc import Callable

from mixrender.loudness.meter import integrated_between
from mixrender.loudness.power import STEPS_PER_S, PowerSeries
from mixrender.mixdown.mix import Mix
from mixrender.mixdown.offsets import BeatOffset, beat_offset
from mixrender.timing.play_order import SLACK_S
from mixrender.timing.spans import BeatSpan, source_beat_at, span_at
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import FloatArray

STEP_BARS = 8
"""The loudness step compares this many bars after an overlap with as many before it."""

Read = Callable[[int, int], FloatArray]


def transition_offset(mix: Mix, timeline: Timeline, transition: TransitionPlacement) -> BeatOffset | None:
    """How far apart the two tracks' beats are in an overlap, on their own strips before gain and moves.

    Beats that a track does not play as they are, muted or reversed, do not count.
    """
    if not transition.beatmatched:
        return None
    out, into = mix.strips[transition.outgoing], mix.strips[transition.incoming]
    beats_s = offset_beats_s(timeline, transition)
    return beat_offset(out.source, into.source, beats_s, sample_rate_hz=mix.sample_rate_hz)


def offset_beats_s(timeline: Timeline, transition: TransitionPlacement) -> list[float]:
    """Seconds of the beats that both tracks have in a beatmatched overlap and play as they are."""
    tracks = timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]
    return [
        timeline.tempo_map.time_at(beat)
        for beat in common_beats(timeline, transition)
        if not any(_is_patched(track, beat, timeline) for track in tracks)
    ]


def common_beats(timeline: Timeline, transition: TransitionPlacement) -> list[float]:
    """Mix beats in an overlap, its first included and its last not, on which both tracks have a beat."""
    slower = min(
        (timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]), key=lambda t: t.rate
    )
    rate, phase = _counting(slower, transition)
    first = math.ceil(transition.start_beat * rate + phase - 1e-6)
    last = math.ceil(transition.end_beat * rate + phase - 1e-6)
    return [(beat - phase) / rate for beat in range(first, last)]


def _is_patched(track: TrackPlacement, mix_beat: float, timeline: Timeline) -> bool:
    play_s = track.play_s_at(mix_beat, timeline.tempo_map) if track.patches else 0.0
    return any(patch.start_s <= play_s + SLACK_S < patch.end_s for patch in track.patches)


def _counting(track: TrackPlacement, transition: TransitionPlacement) -> tuple[float, float]:
    span = span_at(track.spans, transition.start_beat)
    assert isinstance(span, BeatSpan)
    return span.rate, source_beat_at(span, 0.0)


def loudness_step(
    power: PowerSeries, timeline: Timeline, transition: TransitionPlacement, *, from_s: float = 0.0
) -> float | None:
    """Integrated loudness of the STEP_BARS bars after an overlap less that of those before it, in LU.

    `power` is that of the mix as written, or of a clip of it that begins at `from_s` seconds. None where the
    bars do not lie inside it, or where either side is silent.
    """
    reach = STEP_BARS * transition.beats_per_bar
    end = max(transition.end_beat, transition.enter_beat)
    edges = (transition.start_beat - reach, transition.start_beat, end, end + reach)
    edges_s = [timeline.tempo_map.time_at(beat) - from_s for beat in edges]
    # What is left of the last step of 5 ms is not in the series.
    if edges_s[0] < -1 / STEPS_PER_S or edges_s[3] > (len(power.energies) + 1) / STEPS_PER_S:
        return None
    before = integrated_between(power, start_s=edges_s[0], end_s=edges_s[1])
    after = integrated_between(power, start_s=edges_s[2], end_s=edges_s[3])
    return None if before is None or after is None else after - before
