"""The lanes of a track, in beats of the mix, to the values of its controls at any frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from mixrender.dsp import lanes
from mixrender.plan.controls import CONTROLS, EFFECTS
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import EDGE_S
from mixrender.timing.tails import sets_in_s
from mixrender.timing.tempo_map import TempoMap
from mixrender.units import FloatArray


def compiled(
    points: tuple[MovePoint, ...],
    kind: lanes.Kind,
    *,
    neutral: float,
    tempo_map: TempoMap,
    sample_rate_hz: int,
) -> lanes.Lane:
    """A lane as it can be evaluated at any frame."""
    return lanes.compile_lane(
        [lanes.LanePoint(p.beat, p.value, p.move, p.curve) for p in points],
        kind=kind,
        neutral=neutral,
        time_at_beat=tempo_map.time_at,
        sample_rate_hz=sample_rate_hz,
    )


class Controls:
    """The controls of one track over the whole mix; those that no lane moves have their neutral values."""

    def __init__(
        self, points: Mapping[str, tuple[MovePoint, ...]], *, tempo_map: TempoMap, sample_rate_hz: int
    ):
        self.tempo_map = tempo_map
        self.sample_rate_hz = sample_rate_hz
        self.points = _set_before(points, tempo_map)
        self._lanes = {name: self._compiled(name, self.points.get(name, ())) for name in CONTROLS}
        self._rhythms: dict[str, dict[float, lanes.Lane]] = {}

    def _compiled(self, name: str, points: tuple[MovePoint, ...], neutral: float | None = None) -> lanes.Lane:
        return compiled(
            points,
            lanes.CONTROL_KINDS[name],
            neutral=CONTROLS[name].neutral if neutral is None else neutral,
            tempo_map=self.tempo_map,
            sample_rate_hz=self.sample_rate_hz,
        )

    def lane(self, name: str) -> lanes.Lane:
        """The lane of a control."""
        return self._lanes[name]

    def within(self, name: str, start: int, stop: int) -> tuple[object, ...]:
        """All that a control depends on from frame `start` up to `stop`, for comparing."""
        lane = self._lanes[name]
        return tuple(
            lanes.held_and_moving(
                part, start, stop - 1, beat_at=self.tempo_map.beat_at, sample_rate_hz=self.sample_rate_hz
            )
            for part in (lane, lane.wet)
            if part is not None
        )

    def value(self, name: str, start: int, stop: int) -> float | FloatArray:
        """A control from frame `start` up to `stop`: one number where it stands still.

        Linear gain of levels and bands; per cent, beats, ms and Hz as the plan has them, NaN where open.
        """
        return value_of(
            self._lanes[name], start, stop, tempo_map=self.tempo_map, sample_rate_hz=self.sample_rate_hz
        )

    def share(self, name: str, start: int, stop: int) -> float | FloatArray:
        """A control in per cent as a share, 0 to 1."""
        return self.value(name, start, stop) / 100.0

    def rhythms(self, name: str, start: int, stop: int) -> list[tuple[float, float | FloatArray]]:
        """The periods that a control in beats has from frame `start` up to `stop`, and the share of each.

        Where it moves from one period to another, the share of the one goes to the other: what is done in
        either of them stays on its grid. The shares of a frame add up to 1.
        """
        if name not in self._rhythms:
            points, neutral = self.points.get(name, ()), CONTROLS[name].neutral
            periods = dict.fromkeys([neutral, *(point.value for point in points)])
            self._rhythms[name] = {
                period: self._compiled(
                    name,
                    tuple(replace(point, value=float(point.value == period)) for point in points),
                    float(neutral == period),
                )
                for period in periods
            }
        shares = [
            (
                period,
                value_of(lane, start, stop, tempo_map=self.tempo_map, sample_rate_hz=self.sample_rate_hz),
            )
            for period, lane in self._rhythms[name].items()
        ]
        return [(period, share) for period, share in shares if isinstance(share, np.ndarray) or share]

    def motion(self, name: str, start: int, stop: int) -> lanes.FilterMotion | None:
        """Motion of a filter over frames, or None where it is open throughout."""
        lane, beat_at = self._lanes[name], self.tempo_map.beat_at
        if lanes.untouched_over(lane, start, stop - 1, beat_at=beat_at, sample_rate_hz=self.sample_rate_hz):
            return None
        frames = np.arange(start, stop, dtype=np.int64)
        return lanes.evaluate_filter(lane, frames, beat_at=beat_at, sample_rate_hz=self.sample_rate_hz)

    def beats(self, start: int, stop: int) -> FloatArray:
        """The beat of the mix at every frame from `start` up to `stop`."""
        return self.tempo_map.beat_at(np.arange(start, stop, dtype=np.float64) / self.sample_rate_hz)


def value_of(
    lane: lanes.Lane, start: int, stop: int, *, tempo_map: TempoMap, sample_rate_hz: int
) -> float | FloatArray:
    """A lane from frame `start` up to `stop`: one number where it stands still."""
    beat_at = tempo_map.beat_at
    still = lanes.constant_over(lane, start, stop - 1, beat_at=beat_at, sample_rate_hz=sample_rate_hz)
    if still is not None:
        return still
    frames = np.arange(start, stop, dtype=np.int64)
    return lanes.evaluate(lane, frames, beat_at=beat_at, sample_rate_hz=sample_rate_hz)


def _set_before(
    points: Mapping[str, tuple[MovePoint, ...]], tempo_map: TempoMap
) -> dict[str, tuple[MovePoint, ...]]:
    """The points of all lanes; a parameter that steps just as its effect sets in has stepped before it."""
    found = dict(points)
    for effect in EFFECTS:
        amount = points.get(effect, ())
        names = [control.name for control in EFFECTS[effect].parameters.values() if points.get(control.name)]
        if amount and amount[0].move is None and amount[0].value != CONTROLS[effect].neutral:
            # At work from the very beginning: what is set by then has always been so.
            for name in names:
                first, *others = found[name]
                if first.beat <= amount[0].beat:
                    found[name] = (replace(first, move=None), *others)
        for begin_s in sets_in_s(points, effect, tempo_map=tempo_map):
            begin_beat, over_beat = (tempo_map.beat_at(begin_s + late_s) for late_s in (0.0, 2.0 * EDGE_S))
            for name in names:
                found[name] = tuple(
                    replace(point, beat=begin_beat)
                    if point.move == "at once" and begin_beat < point.beat < over_beat
                    else point
                    for point in found[name]
                )
    return found
