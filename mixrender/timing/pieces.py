"""A track's spans to pieces of sound in frames: what is copied as it is, what is warped along a map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mixrender.timing.spans import BeatSpan, source_beat_at
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import FloatArray, seconds_to_frames

RUN_IN_S = 1.0
"""A warped piece begins this much before the track is heard, so that the stretcher has settled by then."""

RUN_OUT_S = 0.3
"""Sound is kept ready for this long after the track's end: filters look ahead."""

MIN_COPY_S = 2.5
"""An untouched stretch between two warped ones that is shorter than this is warped with them: each joint
needs a second of its own."""

EASE_S = 0.25
EASE_ERROR_S = 1e-4
"""Where a glide leaves or reaches a track's own speed, the source plays on for this long into it, as long as
that puts nothing out of place by more than the second figure: the joint, and what the stretcher needs to
settle, then lie inside the overlap, and outside of it there is nothing but the source."""

SAME_SPEED = 1e-8
"""Relative difference of speed from 1 below which sound is copied: 0.04 ms in an hour."""


@dataclass(frozen=True)
class Copy:
    """Mix frames `start` to `stop` are source frames `start + offset` to `stop + offset`."""

    start: int
    stop: int
    offset: int


@dataclass(frozen=True, eq=False)
class Warp:
    """Mix frames `start` to `stop` are stretched along a map.

    `knots`: float64, shape (k, 2), rows (source frame, mix frame), both strictly rising; linear in between.
    `head_joins` and `tail_joins` say that the source plays untouched right before and after: there the first
    or last knot holds whole frames.
    """

    start: int
    stop: int
    knots: FloatArray
    head_joins: bool
    tail_joins: bool


Piece = Copy | Warp


@dataclass(frozen=True)
class _Step:
    """One stretch between neighbouring knots, in seconds; `untouched` where it runs at its own speed."""

    mix_start_s: float
    mix_end_s: float
    source_start_s: float
    source_end_s: float
    untouched: bool


def track_pieces(track: TrackPlacement, tempo_map: TempoMap, *, sample_rate_hz: int) -> list[Piece]:
    """The pieces of one track, in order and without holes, from its run-in to its run-out."""
    runs = _eased(_absorb_short_copies(_runs(_with_edges(_steps(track, tempo_map)))))
    return [
        _piece(runs, i, sample_rate_hz=sample_rate_hz) if not _is_copy(run) else _copy(run, sample_rate_hz)
        for i, run in enumerate(runs)
    ]


def _steps(track: TrackPlacement, tempo_map: TempoMap) -> list[_Step]:
    """Every stretch of the track from its start to its end between beats, tempo changes and spans."""
    steps: list[_Step] = []
    shifted = track.shift_semitones != 0.0
    for span in track.spans:
        for low, high, segment in tempo_map.pieces(max(span.start_beat, track.start_beat), span.end_beat):
            if isinstance(span, BeatSpan):
                beats = _knot_beats(span, low, high)
                source_s = [track.grid.time_at(source_beat_at(span, beat)) for beat in beats]
            else:
                beats = [low, high]
                from_s = tempo_map.time_at(span.start_beat)
                source_s = [span.source_s + tempo_map.time_at(beat) - from_s for beat in beats]
            mix_s = tempo_map.time_at(np.array(beats)) + track.shift_s
            # What is not counted in beats plays at its own speed, whatever the tempo does.
            constant = segment.start_bpm == segment.end_bpm or not isinstance(span, BeatSpan)
            for i in range(len(beats) - 1):
                length_s = float(mix_s[i + 1] - mix_s[i])
                change_s = source_s[i + 1] - source_s[i] - length_s
                # Rounding of times near an hour is some 1e-12 s.
                same = constant and abs(change_s) <= SAME_SPEED * length_s + 4e-12
                steps.append(
                    _Step(
                        float(mix_s[i]),
                        float(mix_s[i + 1]),
                        source_s[i],
                        source_s[i + 1],
                        same and not shifted,
                    )
                )
    return steps


def _knot_beats(span: BeatSpan, low: float, high: float) -> list[float]:
    """Mix beats between two others on which a beat of the track falls, and these two."""
    first = math.floor(source_beat_at(span, low)) + 1
    last = math.ceil(source_beat_at(span, high))
    whole = [span.start_beat + (beat - span.source_beat) / span.rate for beat in range(first, last)]
    # Two knots closer than a thousandth of a beat would only add rounding.
    return [low, *(beat for beat in whole if low + 1e-3 < beat < high - 1e-3), high]


def _with_edges(steps: list[_Step]) -> list[_Step]:
    """The steps with a run-in before and a run-out after, each at the speed of the step beside it."""
    head, tail = steps[0], steps[-1]
    head_speed = (head.source_end_s - head.source_start_s) / (head.mix_end_s - head.mix_start_s)
    tail_speed = (tail.source_end_s - tail.source_start_s) / (tail.mix_end_s - tail.mix_start_s)
    before = _Step(
        head.mix_start_s - RUN_IN_S,
        head.mix_start_s,
        head.source_start_s - RUN_IN_S * head_speed,
        head.source_start_s,
        head.untouched,
    )
    after = _Step(
        tail.mix_end_s,
        tail.mix_end_s + RUN_OUT_S,
        tail.source_end_s,
        tail.source_end_s + RUN_OUT_S * tail_speed,
        tail.untouched,
    )
    return [before, *steps, after]


def _runs(steps: Sequence[_Step]) -> list[list[_Step]]:
    """Neighbouring steps of one kind; untouched ones only while the source goes on without a jump."""
    runs: list[list[_Step]] = []
    for step in steps:
        if runs and runs[-1][-1].untouched == step.untouched and _continuous(runs[-1][-1], step):
            runs[-1].append(step)
        else:
            runs.append([step])
    return runs


def _continuous(before: _Step, step: _Step) -> bool:
    return abs(before.source_end_s - step.source_start_s) < 1e-6


def _absorb_short_copies(runs: list[list[_Step]]) -> list[list[_Step]]:
    """Join two warped runs across an untouched one that is too short for two joints."""
    joined: list[list[_Step]] = []
    for i, run in enumerate(runs):
        inner = 0 < i < len(runs) - 1
        short = run[-1].mix_end_s - run[0].mix_start_s < MIN_COPY_S
        if (_is_copy(run) and inner and short and joined and _continuous(joined[-1][-1], run[0])) or (
            joined and not _is_copy(joined[-1]) and not _is_copy(run) and _continuous(joined[-1][-1], run[0])
        ):
            joined[-1] = [*joined[-1], *run]
        else:
            joined.append(run)
    return joined


def _eased(runs: list[list[_Step]]) -> list[list[_Step]]:
    """The runs with each border between copied and warped sound moved a little into the warped one."""
    eased = [list(run) for run in runs]
    for before, after in pairwise(eased):
        if not _continuous(before[-1], after[0]) or _is_copy(before) == _is_copy(after):
            continue
        if _is_copy(before):
            step = after[0]
            s = _ease_s(step)
            middle = step.mix_start_s + s, step.source_start_s + s
            before.append(_Step(step.mix_start_s, middle[0], step.source_start_s, middle[1], True))
            after[0] = _Step(middle[0], step.mix_end_s, middle[1], step.source_end_s, False)
        else:
            step = before[-1]
            s = _ease_s(step)
            middle = step.mix_end_s - s, step.source_end_s - s
            before[-1] = _Step(step.mix_start_s, middle[0], step.source_start_s, middle[1], False)
            after.insert(0, _Step(middle[0], step.mix_end_s, middle[1], step.source_end_s, True))
    return eased


def _ease_s(step: _Step) -> float:
    """How long the source may play on into a step: until it is out of place, half of the step at most."""
    length_s = step.mix_end_s - step.mix_start_s
    change = abs((step.source_end_s - step.source_start_s) / length_s - 1.0)
    return min(EASE_S, length_s / 2, EASE_ERROR_S / max(change, 1e-12))


def _is_copy(run: Sequence[_Step]) -> bool:
    return all(step.untouched for step in run)


def _offset(run: Sequence[_Step], sample_rate_hz: int) -> int:
    """Whole frames from a mix frame to its source frame in an untouched run."""
    middle = run[len(run) // 2]
    return seconds_to_frames(middle.source_start_s - middle.mix_start_s, sample_rate_hz)


def _copy(run: Sequence[_Step], sample_rate_hz: int) -> Copy:
    start = seconds_to_frames(run[0].mix_start_s, sample_rate_hz)
    stop = seconds_to_frames(run[-1].mix_end_s, sample_rate_hz)
    return Copy(start, stop, _offset(run, sample_rate_hz))


def _piece(runs: Sequence[Sequence[_Step]], index: int, *, sample_rate_hz: int) -> Warp:
    run = runs[index]
    mix = np.array([run[0].mix_start_s, *(step.mix_end_s for step in run)]) * sample_rate_hz
    source = np.array([run[0].source_start_s, *(step.source_end_s for step in run)]) * sample_rate_hz
    knots = np.column_stack([source, mix])
    start = seconds_to_frames(run[0].mix_start_s, sample_rate_hz)
    stop = seconds_to_frames(run[-1].mix_end_s, sample_rate_hz)
    head = index > 0 and _is_copy(runs[index - 1]) and _continuous(runs[index - 1][-1], run[0])
    tail = index + 1 < len(runs) and _is_copy(runs[index + 1]) and _continuous(run[-1], runs[index + 1][0])
    # The joint is made on whole frames: what is copied beside it lies on whole frames too.
    if head:
        knots[0] = (start + _offset(runs[index - 1], sample_rate_hz), start)
    if tail:
        knots[-1] = (stop + _offset(runs[index + 1], sample_rate_hz), stop)
    return Warp(start, stop, knots, head, tail)
