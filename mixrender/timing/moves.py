"""Moves of transitions and tracks, in bars, to points on one lane per control, in beats of the mix."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from mixrender.plan.controls import CONTROLS
from mixrender.plan.model import InPosition, Lane, LanePoint, Length


@dataclass(frozen=True)
class MovePoint:
    """A point of a lane: the value (dB, Hz; -inf is silent or killed, NaN is open) at a beat of the mix.

    `move` None: the value is reached in a straight line from the point before. A number: the value before
    holds until `beat` and then moves during that many mix beats. "at once": a step that ends on `beat`.
    `curve` names the law of a move to or from silence.
    """

    beat: float
    value: float
    move: float | Literal["at once"] | None = None
    curve: str = "equal-power"

    @property
    def end_beat(self) -> float:
        """Mix beat by which the value is reached."""
        return self.beat + (self.move if isinstance(self.move, float) else 0.0)


def length_in_beats(length: Length, *, beats_per_bar: float, beat: float) -> float:
    """Mix beats in a length given in bars or beats, with `beat` mix beats to one of its beats."""
    if length.bars is not None:
        return length.bars * beats_per_bar
    assert length.beats is not None
    return length.beats * beat


def transition_points(
    lane: Lane,
    *,
    start_beat: float,
    end_beat: float,
    beats_per_bar: float,
    beat: float,
    curve: str,
) -> tuple[MovePoint, ...]:
    """A transition's lane in mix beats; positions count bars of `beats_per_bar` mix beats."""

    def position_of(point: LanePoint) -> float:
        assert isinstance(point.position, InPosition)
        return beat_in_transition(
            point.position, start_beat=start_beat, end_beat=end_beat, beats_per_bar=beats_per_bar
        )

    return _points(lane, position_of, beats_per_bar=beats_per_bar, beat=beat, curve=curve)


def beat_in_transition(
    position: InPosition, *, start_beat: float, end_beat: float, beats_per_bar: float
) -> float:
    """Mix beat of a place in a transition from `start_beat` to `end_beat`."""
    if position.from_end:
        return end_beat + position.bars * beats_per_bar
    return start_beat + position.bars_into((end_beat - start_beat) / beats_per_bar) * beats_per_bar


def track_points(
    lane: Lane, *, position_of: Callable[[LanePoint], float], beats_per_bar: float, beat: float
) -> tuple[MovePoint, ...]:
    """A track's own lane in mix beats; `position_of` finds the mix beat of a bar of the track."""
    return _points(lane, position_of, beats_per_bar=beats_per_bar, beat=beat, curve="equal-power")


def _points(
    lane: Lane,
    position_of: Callable[[LanePoint], float],
    *,
    beats_per_bar: float,
    beat: float,
    curve: str,
) -> tuple[MovePoint, ...]:
    points = []
    for point in lane:
        move: float | Literal["at once"] | None = None
        if isinstance(point.move, Length):
            move = float(length_in_beats(point.move, beats_per_bar=beats_per_bar, beat=beat))
        elif point.move is not None:
            move = "at once"
        if point.position is None:
            points.append(MovePoint(-math.inf, point.value, None, curve))
        else:
            points.append(MovePoint(position_of(point), point.value, move, curve))
    return tuple(sorted(points, key=lambda p: p.beat))


def settled(
    lanes: dict[str, tuple[MovePoint, ...]], *, start_beat: float
) -> dict[str, tuple[MovePoint, ...]]:
    """The lanes of one part of a track, in which values that hold throughout have got a place.

    A parameter takes such a value where the lane of its effect's amount begins, or at `start_beat`; until
    then what came before holds, so that two parts of a track may want different values.
    """
    found = {}
    for control, points in lanes.items():
        amount = [p.beat for p in lanes.get(control.split(".")[0], ()) if math.isfinite(p.beat)]
        begin = min([start_beat, *amount])
        found[control] = tuple(
            p if math.isfinite(p.beat) else MovePoint(begin, p.value, "at once", p.curve) for p in points
        )
    return found


def neutral_of(control: str) -> float:
    """The value of a control that leaves the sound as it is: 0 dB, or NaN for an open filter."""
    return CONTROLS[control].neutral


def is_neutral(control: str, value: float) -> bool:
    """Whether a value leaves the sound as it is."""
    neutral = neutral_of(control)
    return math.isnan(value) if math.isnan(neutral) else value == neutral


def value_at(points: tuple[MovePoint, ...], mix_beat: float, *, control: str) -> float:
    """Value of a lane at a mix beat where it does not move; during a move, the value it comes from."""
    value = points[0].value if points[0].move is None else neutral_of(control)
    for point in points:
        if point.end_beat <= mix_beat + 1e-9:
            value = point.value
    return value


def crossing(way_in: tuple[MovePoint, ...], way_out: tuple[MovePoint, ...]) -> bool:
    """Whether the points of a track's way in and way out cross on a lane."""
    return bool(way_in and way_out) and max(p.end_beat for p in way_in) > min(p.beat for p in way_out) + 1e-9
