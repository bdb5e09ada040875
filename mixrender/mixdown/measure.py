"""A mix and its timeline to what each transition measures: beats apart, and the step in loudness."""

from __future__ import annotations

import math
from collections.abc import Callable

from mixrender.loudness.meter import integrated
from mixrender.mixdown.mix import Mix
from mixrender.mixdown.offsets import BeatOffset, beat_offset
from mixrender.timing.spans import BeatSpan, source_beat_at, span_at
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import FloatArray, seconds_to_frames

STEP_BARS = 8
"""The loudness step compares this many bars after an overlap with as many before it."""

Read = Callable[[int, int], FloatArray]


def transition_offset(mix: Mix, timeline: Timeline, transition: TransitionPlacement) -> BeatOffset | None:
    """How far apart the two tracks' beats are in an overlap, on their own strips before gain and moves."""
    if not transition.beatmatched:
        return None
    out, into = mix.strips[transition.outgoing], mix.strips[transition.incoming]
    beats_s = [timeline.tempo_map.time_at(beat) for beat in common_beats(timeline, transition)]
    return beat_offset(out.source, into.source, beats_s, sample_rate_hz=mix.sample_rate_hz)


def common_beats(timeline: Timeline, transition: TransitionPlacement) -> list[float]:
    """Mix beats in an overlap, its first included and its last not, on which both tracks have a beat."""
    slower = min(
        (timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]), key=lambda t: t.rate
    )
    rate, phase = _counting(slower, transition)
    first = math.ceil(transition.start_beat * rate + phase - 1e-6)
    last = math.ceil(transition.end_beat * rate + phase - 1e-6)
    return [(beat - phase) / rate for beat in range(first, last)]


def _counting(track: TrackPlacement, transition: TransitionPlacement) -> tuple[float, float]:
    span = span_at(track.spans, transition.start_beat)
    assert isinstance(span, BeatSpan)
    return span.rate, source_beat_at(span, 0.0)


def loudness_step(
    read: Read,
    timeline: Timeline,
    transition: TransitionPlacement,
    *,
    sample_rate_hz: int,
    window: tuple[int, int],
) -> float | None:
    """Integrated loudness of the bars after an overlap less that of the bars before it, in LU.

    `read` gives frames of the mix, of which `window` can be read. None where the bars do not lie inside it,
    or where either side is silent.
    """
    reach = STEP_BARS * transition.beats_per_bar
    end = max(transition.end_beat, transition.enter_beat)
    edges = (transition.start_beat - reach, transition.start_beat, end, end + reach)
    frames = [seconds_to_frames(timeline.tempo_map.time_at(beat), sample_rate_hz) for beat in edges]
    if frames[0] < window[0] - 1 or frames[3] > window[1] + 1:
        return None
    before = integrated(read(frames[0], frames[1]), sample_rate_hz=sample_rate_hz)
    after = integrated(read(frames[2], frames[3]), sample_rate_hz=sample_rate_hz)
    return None if before is None or after is None else after - before
