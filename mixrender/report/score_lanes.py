"""The lanes of a track in, the lines and hatched bands that they are on its stave out."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mixrender.dsp import lanes
from mixrender.mixdown.controls import compiled
from mixrender.plan.controls import CONTROLS, EFFECTS
from mixrender.report.score_frame import Frame
from mixrender.report.score_labels import Curve
from mixrender.report.score_text import number_text
from mixrender.timing.moves import MovePoint
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import FloatArray

FLOOR_DB = -48.0
"""The lowest line of a stave, where `silent` and `kill` lie; from one line to the next are 12 dB."""

BAND_CONTROLS = ("low", "mid", "high")
FILTERS = ("highpass", "lowpass")
LINES = ("level", *BAND_CONTROLS, *FILTERS)

_KILL_HEIGHTS = {"low": 0.0, "mid": 0.018, "high": 0.036}
"""Bands that are killed lie a little over one another: lines that were one would look like one."""

_LOWEST_HZ, _HIGHEST_HZ = 20.0, 20_000.0
_STEP_PX = 2.0


@dataclass(frozen=True)
class Run:
    """A stretch of a lane in which it does something: its times in s of the mix, its values, and both drawn.

    Values are dB of levels and bands (-inf: nothing), Hz of filters, per cent of amounts; `heights` are
    those on a stave, 0 at its lowest line and 1 at its highest.
    """

    control: str
    times_s: FloatArray
    values: FloatArray
    heights: FloatArray

    @property
    def utmost(self) -> int:
        """Index of the point that is furthest from doing nothing."""
        if self.control == "lowpass":
            return int(np.argmin(self.values))
        if self.control in ("highpass", *EFFECTS):
            return int(np.argmax(self.values))
        return int(np.argmax(np.abs(np.maximum(self.values, -200.0))))

    def curve(self, frame: Frame, *, top: float, height: float) -> Curve:
        """The line on a stave of that height below `top`."""
        return Curve(frame.xs_at(self.times_s), top + height * (1.0 - self.heights))

    def words(self, *, compact: bool) -> str:
        """The name of the control, and how far it goes."""
        value = float(self.values[self.utmost])
        if self.control == "level":
            return "level"
        if self.control in BAND_CONTROLS:
            if value <= FLOOR_DB:
                return f"{self.control} kill"
            digits = 1 if abs(value - round(value)) > 0.05 else 0
            return f"{self.control} {number_text(value, digits=digits, signed=True)} dB"
        short = {"highpass": "hp", "lowpass": "lp"}[self.control]
        return f"{short if compact else self.control} {hz_text(value)}"


def hz_text(value: float) -> str:
    """A frequency to three digits: `600 Hz`, `6.3 kHz`."""
    return f"{value:.3g} Hz" if value < 999.5 else f"{value / 1000:.3g} kHz"


def runs_of(frame: Frame, track: TrackPlacement, control: str) -> list[Run]:
    """Where a lane of a track does something in the picture; a level is one run, or none."""
    points = track.lanes.get(control, ())
    first_s, last_s = max(frame.start_s, track.start_s), min(frame.end_s, track.end_s)
    if not points or last_s <= first_s:
        return []
    values, times_s, acting = _values(frame, points, control, first_s, last_s)
    heights = heights_of(control, values)
    if control == "level":
        return [Run(control, times_s, values, heights)] if acting.any() else []
    return [Run(control, times_s[i:j], values[i:j], heights[i:j]) for i, j in _stretches(acting) if j - i > 1]


def _values(
    frame: Frame, points: tuple[MovePoint, ...], control: str, first_s: float, last_s: float
) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Values of a lane, as a plan writes them, at times in s, and whether it does anything there."""
    rate_hz = frame.result.sample_rate_hz
    tempo_map = frame.tempo_map
    lane = compiled(
        points,
        lanes.CONTROL_KINDS[control],
        neutral=CONTROLS[control].neutral,
        tempo_map=tempo_map,
        sample_rate_hz=rate_hz,
    )
    frames = _frames(frame, lane, first_s, last_s)
    found = lanes.evaluate(lane, frames, beat_at=tempo_map.beat_at, sample_rate_hz=rate_hz)
    if lane.wet is not None:
        wet = lanes.evaluate(lane.wet, frames, beat_at=tempo_map.beat_at, sample_rate_hz=rate_hz)
        acting = wet > 0.0
    elif lane.kind in ("level", "band"):
        acting = np.abs(found - 1.0) > 1e-6
        with np.errstate(divide="ignore"):
            found = 20.0 * np.log10(np.maximum(found, 0.0))
    else:
        acting = found > 0.0
    return found, frames / rate_hz, acting


def _frames(frame: Frame, lane: lanes.Lane, first_s: float, last_s: float) -> lanes.FrameArray:
    """Frames close enough for curves, and those on which the lane begins or ends to move."""
    rate_hz = frame.result.sample_rate_hz
    low, high = math.ceil(first_s * rate_hz), math.floor(last_s * rate_hz)
    count = max(int((last_s - first_s) * frame.px_per_s / _STEP_PX), 2)
    found = set(np.linspace(low, high, count).round().astype(np.int64).tolist()) if _moves(lane) else set()
    found |= {low, high}
    for segment in (*lane.segments, *(lane.wet.segments if lane.wet else ())):
        for edge in (segment.start, segment.end):
            at = edge if segment.axis == "frames" else frame.tempo_map.time_at(edge) * rate_hz
            # A value that is reached on a place holds on the frame behind it, that before on the one ahead.
            found |= {f for f in (math.floor(at), math.ceil(at)) if low <= f <= high}
    return np.array(sorted(found), dtype=np.int64)


def _moves(lane: lanes.Lane) -> bool:
    return bool(lane.segments) or bool(lane.wet and lane.wet.segments)


def _stretches(acting: np.ndarray) -> Iterator[tuple[int, int]]:
    """Index ranges of points that do something, with the one before and the one behind."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], acting, [False]))))
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        yield max(int(i) - 1, 0), min(int(j) + 1, len(acting))


def heights_of(control: str, values: FloatArray) -> FloatArray:
    """Where values lie on a stave: dB, octaves and per cent are even steps."""
    if control in FILTERS:
        octaves = math.log2(_HIGHEST_HZ / _LOWEST_HZ)
        return np.log2(np.clip(values, _LOWEST_HZ, _HIGHEST_HZ) / _LOWEST_HZ) / octaves
    if control in EFFECTS:
        return values / 100.0
    heights = 1.0 - np.maximum(values, FLOOR_DB) / FLOOR_DB
    return np.maximum(heights, _KILL_HEIGHTS.get(control, 0.0))


def hz_height(hz: float) -> float:
    """Where a frequency lies on a stave, 0 to 1."""
    return float(heights_of("lowpass", np.array([hz]))[0])
