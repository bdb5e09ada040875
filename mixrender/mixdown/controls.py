"""The lanes of a track, in beats of the mix, to the values of its controls at any frames."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mixrender.dsp import lanes
from mixrender.plan.controls import CONTROLS
from mixrender.timing.moves import MovePoint
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
        self.points = points
        self.tempo_map = tempo_map
        self.sample_rate_hz = sample_rate_hz
        self._lanes = {
            name: compiled(
                points.get(name, ()),
                lanes.CONTROL_KINDS[name],
                neutral=control.neutral,
                tempo_map=tempo_map,
                sample_rate_hz=sample_rate_hz,
            )
            for name, control in CONTROLS.items()
        }

    def lane(self, name: str) -> lanes.Lane:
        """The lane of a control."""
        return self._lanes[name]

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
