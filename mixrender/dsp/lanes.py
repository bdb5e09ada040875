"""Breakpoints of one control go in; its value at every frame comes out, smooth and exact to the sample.

`compile_lane` turns points on mix beats into a `Lane`: a value to begin with and the segments in which it
moves. `evaluate` and `evaluate_filter` give the values of a range of frames. Every sample depends on its
own frame number alone, so a range may be cut into blocks anywhere.

There are two sorts of segment. A move runs straight along the beats of the mix, whatever the tempo does. A
step is a raised cosine over `STEP_S`, counted in frames, from whatever the lane is doing to the new value;
it is the floor for every move, so that nothing clicks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixrender.dsp.lane_scales import (
    CONTROL_KINDS,
    KILL,
    NEUTRAL,
    OPEN,
    RIM_HZ,
    SCALES,
    SILENT,
    STEP_S,
    Kind,
    Segment,
    mixed,
)
from mixrender.dsp.laws import DEFAULT_LAW, LAWS, raised_cosine
from mixrender.units import FloatArray, seconds_to_frames

__all__ = [
    "CONTROL_KINDS",
    "KILL",
    "NEUTRAL",
    "OPEN",
    "SILENT",
    "STEP_S",
    "BeatAt",
    "FilterMotion",
    "FrameArray",
    "Kind",
    "Lane",
    "LanePoint",
    "LanePointError",
    "Segment",
    "compile_lane",
    "constant_over",
    "evaluate",
    "evaluate_filter",
    "held_and_moving",
    "neutral_lane",
    "untouched_over",
]

FrameArray = NDArray[np.int64]
BeatAt = Callable[[FloatArray], FloatArray]
"""Beats of the mix at times in seconds, never falling; shape (n,) to (n,)."""

_BEAT_SLACK = 1e-6  # a millionth of a beat is far under a frame: covers rounding in maps of beats and times
_TIME_SLACK_S = 1e-9  # a move of 10 ms, rounded, is a move and no step


@dataclass(frozen=True)
class LanePoint:
    """A breakpoint as a plan writes it: from here on (or by here) the control has this value.

    `beat` counts beats of the mix. `value` is in the kind's own unit: dB with -inf for `silent` and `kill`,
    Hz with NaN for `open`, or an amount. `move` is None for a straight line from the end of the point before,
    `"at once"` for a step that ends on `beat`, or a number of beats: the value before holds until `beat`,
    then moves for so long. `curve`, one of `LAWS`, is the law by which a level comes from or goes to silence.
    """

    beat: float
    value: float
    move: float | Literal["at once"] | None = None
    curve: str = DEFAULT_LAW

    @property
    def end_beat(self) -> float:
        """The beat by which the value is reached."""
        return self.beat + self.move if isinstance(self.move, int | float) else self.beat


class LanePointError(ValueError):
    """Two neighbouring points that cannot follow each other; `point` and `next_point` are those two."""

    def __init__(self, point: LanePoint, next_point: LanePoint, message: str):
        self.point = point
        self.next_point = next_point
        super().__init__(message)


@dataclass(frozen=True)
class Lane:
    """One control over the whole mix: `initial` before the first segment, each segment's `after` after it.

    Segments are in order of `end`; a step may lie over the end of the segment before it. The lane of a filter
    moves its cutoff alone, which is never open; `wet` is then the lane of the share of filtered sound, 0
    where the filter is open.
    """

    kind: Kind
    initial: float
    segments: tuple[Segment, ...] = ()
    wet: Lane | None = None


class FilterMotion(NamedTuple):
    """A filter's motion: the cutoff in Hz and the share of filtered sound, 0 to 1; both of shape (n,)."""

    cutoff_hz: FloatArray
    wet: FloatArray


# --- evaluating ---


def evaluate(lane: Lane, frames: FrameArray, *, beat_at: BeatAt, sample_rate_hz: int) -> FloatArray:
    """Values of a lane at frames of the mix.

    Parameters: `frames` of shape (n,), rising; frame 0 is at 0 s. `beat_at` gives the beats of the mix at
    times in seconds. Returns shape (n,): linear gain for a level or a band, the amount itself for an amount,
    Hz for a frequency, a damping (NaN where it is open) and the cutoff of a filter (whose share of filtered
    sound comes with `evaluate_filter`).
    """
    if not len(frames):
        return np.empty(0)
    scale = SCALES[lane.kind]
    held, moving = held_and_moving(lane, int(frames[0]), int(frames[-1]), beat_at, sample_rate_hz)
    inner = np.full(len(frames), scale.inner(held))
    places: dict[str, FloatArray] = {"frames": frames.astype(np.float64)} if moving else {}
    if any(segment.axis == "beats" for segment in moving):
        places["beats"] = beat_at(places["frames"] / sample_rate_hz)
    for segment in moving:
        place, after = places[segment.axis], scale.inner(segment.after)
        i, j = (int(np.searchsorted(place, edge, side="left")) for edge in (segment.start, segment.end))
        if i < j:
            x = (place[i:j] - segment.start) / (segment.end - segment.start)
            if segment.axis == "frames":
                inner[i:j] = mixed(inner[i:j], after, raised_cosine(x))
            else:
                inner[i:j] = scale.between(segment, x)
        inner[j:] = after
    return scale.outer(inner)


def evaluate_filter(lane: Lane, frames: FrameArray, *, beat_at: BeatAt, sample_rate_hz: int) -> FilterMotion:
    """Cutoff and share of filtered sound of a `highpass` or `lowpass` lane; parameters as of `evaluate`."""
    if lane.wet is None:
        raise ValueError(f"a {lane.kind} lane has no filter")
    cutoff_hz = evaluate(lane, frames, beat_at=beat_at, sample_rate_hz=sample_rate_hz)
    return FilterMotion(cutoff_hz, evaluate(lane.wet, frames, beat_at=beat_at, sample_rate_hz=sample_rate_hz))


def constant_over(
    lane: Lane, first_frame: int, last_frame: int, *, beat_at: BeatAt, sample_rate_hz: int
) -> float | None:
    """The one value of a lane from `first_frame` to `last_frame`, both included; None where it may move.

    In the unit of `evaluate`, and the same to the bit; NaN (`OPEN`) for a filter that is open throughout.
    """
    if lane.wet is not None:
        wet = constant_over(lane.wet, first_frame, last_frame, beat_at=beat_at, sample_rate_hz=sample_rate_hz)
        if wet is None or wet == 0.0:
            return None if wet is None else OPEN
    held, moving = held_and_moving(lane, first_frame, last_frame, beat_at, sample_rate_hz)
    scale = SCALES[lane.kind]
    return None if moving else float(scale.outer(np.array([scale.inner(held)]))[0])


def untouched_over(
    lane: Lane, first_frame: int, last_frame: int, *, beat_at: BeatAt, sample_rate_hz: int
) -> bool:
    """Whether a lane changes nothing from `first_frame` to `last_frame`, both included; no frequency does."""
    value = constant_over(lane, first_frame, last_frame, beat_at=beat_at, sample_rate_hz=sample_rate_hz)
    if value is None:
        return False
    neutral = NEUTRAL.get(lane.kind)
    if neutral is None:
        return False
    return math.isnan(value) if math.isnan(neutral) else value == SCALES[lane.kind].inner(neutral)


def held_and_moving(
    lane: Lane, first_frame: int, last_frame: int, beat_at: BeatAt, sample_rate_hz: int
) -> tuple[float, list[Segment]]:
    """The value that a lane holds before it moves in a range, and the segments that move it there.

    The range is from `first_frame` to `last_frame`, both included; a lane is in it what these two make of it.
    """
    edges: dict[str, tuple[float, float]] = {"frames": (first_frame, last_frame)}
    if any(segment.axis == "beats" for segment in lane.segments):
        first_beat, last_beat = beat_at(
            np.array([first_frame, last_frame], dtype=np.float64) / sample_rate_hz
        )
        edges["beats"] = (float(first_beat) - _BEAT_SLACK, float(last_beat) + _BEAT_SLACK)
    held, moving = lane.initial, list[Segment]()
    for segment in lane.segments:
        first, last = edges[segment.axis]
        if segment.end <= first and not moving:
            held = segment.after
        elif segment.start <= last:
            moving.append(segment)
    return held, moving


# --- compiling ---


def compile_lane(
    points: Sequence[LanePoint],
    *,
    kind: Kind,
    neutral: float | None = None,
    time_at_beat: Callable[[float], float],
    sample_rate_hz: int,
) -> Lane:
    """The lane of a control from its points.

    Parameters: `points` in order of their beats; `neutral` the value that holds before a first point with a
    move (None: the kind's own, `NEUTRAL`); `time_at_beat` the time in seconds of a beat of the mix. Before a
    first point without a move its value holds; after the last point the last value.

    Raises `LanePointError` where a move reaches past the next point or the points are out of order, and
    `ValueError` for a curve that does not exist, a move backwards in time, or a kind without a neutral value.
    """
    if neutral is None and kind not in NEUTRAL:
        raise ValueError(f"no {kind} is neutral: say what holds before the first point")
    initial = NEUTRAL[kind] if neutral is None else neutral
    if points and points[0].move is None:
        initial = points[0].value
    moves = _moves(points, initial, time_at_beat, sample_rate_hz)
    if kind in RIM_HZ:
        return _filter_lane(initial, moves, kind, sample_rate_hz)
    return Lane(kind, initial, tuple(move.segment() for move in moves))


def neutral_lane(kind: Kind) -> Lane:
    """A lane that never leaves the value that changes nothing."""
    return compile_lane((), kind=kind, time_at_beat=float, sample_rate_hz=1)


@dataclass(frozen=True)
class _Move:
    """A change of value between two beats, or the frames nearest to them; a step where it is under 10 ms."""

    before: float
    after: float
    start_beat: float
    end_beat: float
    start_frame: int
    end_frame: int
    is_step: bool
    curve: str
    edge: float

    def segment(self) -> Segment:
        if self.is_step:
            return Segment("frames", self.start_frame, self.end_frame, self.before, self.after)
        return Segment(
            "beats", self.start_beat, self.end_beat, self.before, self.after, self.curve, self.edge
        )


def _moves(
    points: Sequence[LanePoint],
    initial: float,
    time_at_beat: Callable[[float], float],
    sample_rate_hz: int,
) -> list[_Move]:
    moves = []
    value = initial
    for previous, point in zip((None, *points), points, strict=False):
        _check(previous, point)
        if not _same(value, point.value):
            straight_from = point.beat if previous is None else previous.end_beat
            start_beat = straight_from if point.move is None else point.beat
            moves.append(_move(value, point, start_beat, time_at_beat, sample_rate_hz))
        value = point.value
    return moves


def _move(
    before: float,
    point: LanePoint,
    start_beat: float,
    time_at_beat: Callable[[float], float],
    sample_rate_hz: int,
) -> _Move:
    start_s, end_s = time_at_beat(start_beat), time_at_beat(point.end_beat)
    duration_s = end_s - start_s
    is_step = duration_s < STEP_S - _TIME_SLACK_S
    end_frame = seconds_to_frames(end_s, sample_rate_hz)
    return _Move(
        before=before,
        after=point.value,
        start_beat=start_beat,
        end_beat=point.end_beat,
        start_frame=(
            end_frame - _step_frames(sample_rate_hz)
            if is_step
            else seconds_to_frames(start_s, sample_rate_hz)
        ),
        end_frame=end_frame,
        is_step=is_step,
        curve=point.curve,
        edge=0.0 if is_step else min(STEP_S / duration_s, 1.0),
    )


def _check(previous: LanePoint | None, point: LanePoint) -> None:
    if point.curve not in LAWS:
        raise ValueError(f"no crossfade law is called {point.curve!r}; there are {', '.join(LAWS)}")
    if isinstance(point.move, int | float) and not point.move >= 0:
        raise ValueError(
            f"the move at beat {point.beat:g} lasts {point.move:g} beats; it must not be negative"
        )
    if previous is None:
        return
    if previous.beat > point.beat:
        message = f"the point at beat {previous.beat:g} stands before the one at beat {point.beat:g}"
        raise LanePointError(previous, point, message)
    if previous.end_beat > point.beat + _BEAT_SLACK:
        message = (
            f"the move at beat {previous.beat:g} takes {previous.move:g} beats, until beat "
            f"{previous.end_beat:g}, and so reaches past the next point at beat {point.beat:g}"
        )
        raise LanePointError(previous, point, message)


def _filter_lane(initial: float, moves: Sequence[_Move], kind: Kind, sample_rate_hz: int) -> Lane:
    """The lane of a cutoff, with the lane of the share of filtered sound beside it."""
    rim_hz = RIM_HZ[kind]
    cutoffs: list[Segment] = []
    wets: list[Segment] = []
    for move in moves:
        closes, opens = math.isnan(move.before), math.isnan(move.after)
        if not opens or not move.is_step:
            before_hz, after_hz = (rim_hz if math.isnan(v) else v for v in (move.before, move.after))
            segment = replace(move.segment(), before=before_hz, after=after_hz)
            if closes and move.is_step and not (wets and wets[-1].end > move.start_frame):
                segment = replace(segment, end=segment.start)  # a jump: nothing of the filter sounds yet
            cutoffs.append(segment)
        if closes:
            fade_end = move.start_frame + _step_frames(sample_rate_hz)
            wets.append(Segment("frames", move.start_frame, fade_end, 0.0, 1.0))
        elif opens:
            fade_start = move.end_frame - _step_frames(sample_rate_hz)
            wets.append(Segment("frames", fade_start, move.end_frame, 1.0, 0.0))
    is_open = math.isnan(initial)
    wet = Lane("amount", 0.0 if is_open else 1.0, tuple(wets))
    return Lane(kind, rim_hz if is_open else initial, tuple(cutoffs), wet)


def _step_frames(sample_rate_hz: int) -> int:
    """Length of a step: the first whole number of frames that lasts `STEP_S` or longer."""
    return math.ceil(STEP_S * sample_rate_hz - 1e-9)


def _same(value: float, other: float) -> bool:
    return value == other or (math.isnan(value) and math.isnan(other))
