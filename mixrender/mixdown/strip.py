"""One track's placed sound to what it adds to the mix: gain, bands, filters, level, frame by frame."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from mixrender.dsp import lanes
from mixrender.dsp.isolator import Isolator, combine
from mixrender.dsp.laws import equal_power, raised_cosine
from mixrender.dsp.svf import FilterKind, svf_faded
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import EDGE_S
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import FloatArray, db_to_gain, seconds_to_frames

Read = Callable[[int, int], FloatArray]
"""Frames of the mix's time line, from a start up to a stop, float64 (n, 2); zeros where there is nothing."""


class Strip:
    """One track's channel: `read` gives any stretch of the mix's time line, the same however it is cut.

    The order is gain, bands, highpass, lowpass, level; where all of them are neutral the sound is the source
    times one constant.
    """

    def __init__(
        self,
        track: TrackPlacement,
        source: Read,
        *,
        gain_db: float,
        tempo_map: TempoMap,
        sample_rate_hz: int,
        bands_hz: tuple[float, float],
    ):
        self.track = track
        self.source = source
        self.start = max(seconds_to_frames(track.start_s, sample_rate_hz), 0)
        self.stop = seconds_to_frames(track.end_s, sample_rate_hz)
        self._rate_hz = sample_rate_hz
        self._tempo_map = tempo_map
        self._gain = db_to_gain(gain_db)
        self._lanes = compile_lanes(track.lanes, tempo_map=tempo_map, sample_rate_hz=sample_rate_hz)
        self._isolator = Isolator(bands_hz, sample_rate_hz=sample_rate_hz)
        self._highpass = self._filter("highpass", self._banded)
        self._lowpass = self._filter("lowpass", self._highpassed)
        self._gate = _Gate(track, tempo_map, self.start, self.stop, sample_rate_hz)

    def read(self, start: int, stop: int) -> FloatArray:
        """What the track adds to mix frames `start` to `stop`; float64, shape (stop - start, 2)."""
        out = np.zeros((stop - start, 2))
        first, last = max(start, self.start), min(stop, self.stop)
        if first >= last:
            return out
        sound = self._filtered(first, last)
        gain = self._value("level", first, last)
        gate = self._gate.gain(first, last)
        for factor in (gain, gate):
            if isinstance(factor, np.ndarray):
                sound = sound * factor[:, np.newaxis]
            elif factor != 1.0:
                sound = sound * factor
        out[first - start : last - start] = sound
        return out

    def _filter(self, kind: FilterKind, upstream: Read) -> _Filter | None:
        lane = self._lanes.get(kind)
        if lane is None:
            return None
        return _Filter(kind, lane, upstream, self.start, self._motion, self._rate_hz)

    def _filtered(self, start: int, stop: int) -> FloatArray:
        return self._lowpass.read(start, stop) if self._lowpass else self._highpassed(start, stop)

    def _highpassed(self, start: int, stop: int) -> FloatArray:
        return self._highpass.read(start, stop) if self._highpass else self._banded(start, stop)

    def _banded(self, start: int, stop: int) -> FloatArray:
        gains = [self._value(band, start, stop) for band in ("low", "mid", "high")]
        if all(not isinstance(gain, np.ndarray) and gain == 1.0 for gain in gains):
            return self._gained(start, stop)
        bands = self._isolator.bands(self._gained, start, stop)
        return combine(bands, low_gain=gains[0], mid_gain=gains[1], high_gain=gains[2])

    def _gained(self, start: int, stop: int) -> FloatArray:
        return self.source(start, stop) * self._gain

    def _value(self, control: str, start: int, stop: int) -> float | FloatArray:
        """Linear gain of a control over frames: one number where it stands still."""
        lane = self._lanes.get(control)
        if lane is None:
            return 1.0
        beat_at, rate_hz = self._tempo_map.beat_at, self._rate_hz
        still = lanes.constant_over(lane, start, stop - 1, beat_at=beat_at, sample_rate_hz=rate_hz)
        if still is not None:
            return still
        frames = np.arange(start, stop, dtype=np.int64)
        return lanes.evaluate(lane, frames, beat_at=beat_at, sample_rate_hz=rate_hz)

    def _motion(self, lane: lanes.Lane, start: int, stop: int) -> lanes.FilterMotion | None:
        """Motion of a filter over frames, or None where it is open throughout."""
        beat_at, rate_hz = self._tempo_map.beat_at, self._rate_hz
        if lanes.untouched_over(lane, start, stop - 1, beat_at=beat_at, sample_rate_hz=rate_hz):
            return None
        frames = np.arange(start, stop, dtype=np.int64)
        return lanes.evaluate_filter(lane, frames, beat_at=beat_at, sample_rate_hz=rate_hz)


def compile_lanes(
    points: Mapping[str, tuple[MovePoint, ...]], *, tempo_map: TempoMap, sample_rate_hz: int
) -> dict[str, lanes.Lane]:
    """The lanes of a track's controls, compiled to what can be evaluated at any frame."""
    return {
        control: lanes.compile_lane(
            [lanes.LanePoint(p.beat, p.value, p.move, p.curve) for p in track_points],
            kind=lanes.CONTROL_KINDS[control],
            time_at_beat=tempo_map.time_at,
            sample_rate_hz=sample_rate_hz,
        )
        for control, track_points in points.items()
        if track_points
    }


class _Filter:
    """A filter that can be read anywhere: its state is carried on, or rebuilt from where it last rested."""

    BLOCK = 65536

    def __init__(
        self,
        kind: FilterKind,
        lane: lanes.Lane,
        upstream: Read,
        start: int,
        motion: Callable[[lanes.Lane, int, int], lanes.FilterMotion | None],
        sample_rate_hz: int,
    ):
        self.kind = kind
        self._rate_hz = sample_rate_hz
        self._lane = lane
        self._upstream = upstream
        self._start = start
        self._motion = motion
        self._position = start
        self._state: FloatArray | None = None

    def read(self, start: int, stop: int) -> FloatArray:
        if start != self._position:
            self._state = None
            self._position = self._awake_since(start)
        while self._position < start:
            self._run(self._position, min(self._position + self.BLOCK, start))
        return self._run(start, stop)

    def _run(self, start: int, stop: int) -> FloatArray:
        sound = self._upstream(start, stop)
        motion = self._motion(self._lane, start, stop)
        self._position = stop
        if motion is None:
            self._state = None
            return sound
        sound, self._state = svf_faded(
            sound,
            motion.cutoff_hz,
            motion.wet,
            kind=self.kind,
            sample_rate_hz=self._rate_hz,
            state=self._state,
        )
        return sound

    def _awake_since(self, frame: int) -> int:
        """The frame from which the filter has run without a rest, or `frame` itself where it rests there."""
        wet = self._lane.wet
        assert wet is not None
        since: int | None = self._start if wet.initial > 0.0 else None
        for segment in wet.segments:
            if segment.start > frame:
                break
            if segment.after > 0.0:
                since = int(segment.start) if since is None else since
            elif segment.end <= frame:
                since = None
        return frame if since is None else max(min(since, frame), self._start)


class _Gate:
    """The edges of a track: 10 ms by a raised cosine that end on its line, or the fades of the mix's ends."""

    def __init__(
        self, track: TrackPlacement, tempo_map: TempoMap, start: int, stop: int, sample_rate_hz: int
    ):
        edge = seconds_to_frames(EDGE_S, sample_rate_hz)
        # A mix that begins with the first sound of its first track has no edge: there is nothing to cut.
        line = seconds_to_frames(tempo_map.time_at(track.start_beat), sample_rate_hz)
        self._in = (start, max(line, start), False)
        self._out = (stop - edge, stop, False)
        if track.fade_in_beats > 0:
            ends_s = tempo_map.time_at(track.start_beat + track.fade_in_beats)
            self._in = (start, seconds_to_frames(ends_s, sample_rate_hz), True)
        if track.fade_out_beats > 0:
            begins_s = tempo_map.time_at(track.end_beat - track.fade_out_beats)
            self._out = (seconds_to_frames(begins_s, sample_rate_hz), stop, True)

    def gain(self, start: int, stop: int) -> float | FloatArray:
        """Linear gain over frames; one number, 1, away from the edges."""
        if start >= self._in[1] and stop <= self._out[0]:
            return 1.0
        frames = np.arange(start, stop, dtype=np.float64)
        rising = _edge(frames, *self._in)
        falling = _edge(-frames, -self._out[1], -self._out[0], self._out[2])
        return rising * falling


def _edge(frames: FloatArray, start: float, end: float, faded: bool) -> FloatArray:
    if end <= start:
        return np.ones(len(frames))
    x = np.clip((frames - start) / (end - start), 0.0, 1.0)
    return equal_power(x) if faded else raised_cosine(x)
