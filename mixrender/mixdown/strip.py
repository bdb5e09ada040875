"""One track's placed sound to what it adds to the mix: gain, bands, effects, level, frame by frame."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from mixrender.dsp.isolator import GRID_FRAMES, Isolator, combine
from mixrender.dsp.laws import equal_power, raised_cosine
from mixrender.mixdown.controls import Controls
from mixrender.mixdown.effect_stages import Read
from mixrender.mixdown.effects import WORKING, inserts, sends, work_spans
from mixrender.plan.controls import CONTROLS, EFFECTS
from mixrender.timing.placement import EDGE_S
from mixrender.timing.tails import RINGING, TAIL_FADE_S
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import FloatArray, db_to_gain, seconds_to_frames

__all__ = ["Dependence", "Read", "Strip"]


SEND_REACH_BEATS = 64.0
"""An echo or a reverb asks for the tempo so far to either side at most: twice their longest time."""


@dataclass(frozen=True)
class Dependence:
    """What frames of a strip depend on: source frames `start` to `stop` of the mix's time line, and facts.

    `facts` are plain data whose `repr` tells them from any other.
    """

    start: int
    stop: int
    facts: tuple[object, ...]


class Strip:
    """One track's channel: `read` gives any stretch of the mix's time line, the same however it is cut.

    The order is gain, bands, highpass, lowpass, phaser, flanger, gate, level and the track's edges; where all
    of them are neutral the sound is the source times one constant. That sound is sent to echo and reverb,
    side by side, and what these give is added: it rings on after `stop`, up to `sounds_until`.
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
        self._gain = db_to_gain(gain_db)
        self._controls = Controls(track.lanes, tempo_map=tempo_map, sample_rate_hz=sample_rate_hz)
        self._isolator = Isolator(bands_hz, sample_rate_hz=sample_rate_hz)
        heard_s = {"start_s": track.start_s, "end_s": track.end_s}
        self._inserted = inserts(self._controls, self._banded, **heard_s)
        self._edges = _Edges(track, tempo_map, self.start, self.stop, sample_rate_hz)
        self._kept = _Kept(self.dry)
        self._sends = sends(self._controls, self._kept.read, **heard_s)
        self.sounds_until = max([self.stop, *(send.stop for send in self._sends)])

    def read(self, start: int, stop: int) -> FloatArray:
        """What the track adds to mix frames `start` to `stop`; float64, shape (stop - start, 2)."""
        if not self._sends:
            return self.dry(start, stop)
        out = self._kept.read(start, stop).copy()
        for send in self._sends:
            send.add(out, start, stop)
        return out

    def dry(self, start: int, stop: int) -> FloatArray:
        """The sound before it is sent anywhere; zeros where the track is not heard."""
        out = np.zeros((stop - start, 2))
        first, last = max(start, self.start), min(stop, self.stop)
        if first >= last:
            return out
        sound = self._inserted(first, last)
        for factor in (self._controls.value("level", first, last), self._edges.gain(first, last)):
            if isinstance(factor, np.ndarray):
                sound = sound * factor[:, np.newaxis]
            elif factor != 1.0:
                sound = sound * factor
        out[first - start : last - start] = sound
        return out

    def depends(self, start: int, stop: int) -> Dependence:
        """All that its frames `start` to `stop` depend on, but for the source.

        Nothing of it tells what the track does at other times, so that two mixes in which it is equal give
        equal frames of equal sources.
        """
        controls, map_ = self._controls, self._controls.tempo_map
        rate_hz = controls.sample_rate_hz
        heard_s = {"start_s": self.track.start_s, "end_s": self.track.end_s}
        spans = {name: work_spans(controls, name, **heard_s) for name in WORKING}
        begin = _woken_from(spans.values(), start, stop)
        fade = seconds_to_frames(TAIL_FADE_S, rate_hz)
        at_work = {
            name: [(first, min(last, stop + fade)) for first, last in found if first < stop and begin < last]
            for name, found in spans.items()
        }
        beats = [map_.beat_at(frame / rate_hz) for frame in (begin, stop)]
        around = SEND_REACH_BEATS if any(at_work[name] for name in RINGING) else 1.0
        effects = [name for name, found in at_work.items() if found and name in EFFECTS]
        facts = (
            self._gain,
            (max(self.start, begin), min(self.stop, stop)),
            self._edges.within(begin, stop),
            tuple(controls.within(name, begin, stop) for name in CONTROLS if "." not in name),
            {name: found for name, found in at_work.items() if found},
            {name: points for name, points in controls.points.items() if name.split(".")[0] in effects},
            map_.within(beats[0] - around, beats[1] + around),
        )
        # Bands are made of whole blocks of the isolator and half a filter to either side of them.
        reach = GRID_FRAMES + self._isolator.half_length_frames
        return Dependence(begin - reach, stop + reach, facts)

    def _banded(self, start: int, stop: int) -> FloatArray:
        gains = [self._controls.value(band, start, stop) for band in ("low", "mid", "high")]
        if all(not isinstance(gain, np.ndarray) and gain == 1.0 for gain in gains):
            return self.gained(start, stop)
        bands = self._isolator.bands(self.gained, start, stop)
        return combine(bands, low_gain=gains[0], mid_gain=gains[1], high_gain=gains[2])

    def gained(self, start: int, stop: int) -> FloatArray:
        """Its source with its constant gain, in front of all moves, shape (stop - start, 2)."""
        return self.source(start, stop) * self._gain


def _woken_from(spans: Iterable[Sequence[tuple[int, int]]], start: int, stop: int) -> int:
    """The first frame that effects at work in `start` to `stop` hear: each hears from its beginning on."""
    begin, every = start, [span for found in spans for span in found]
    while True:
        earlier = min([first for first, last in every if first < stop and begin < last] + [begin])
        if earlier == begin:
            return begin
        begin = earlier


class _Kept:
    """The block that was read last, kept, so that a sound which goes several ways is made once."""

    def __init__(self, upstream: Read):
        self._upstream = upstream
        self._start = 0
        self._sound = np.zeros((0, 2))

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames `start` to `stop` of what lies upstream; not to be written to."""
        first, last = start - self._start, stop - self._start
        if not 0 <= first <= last <= len(self._sound):
            self._start, self._sound = start, self._upstream(start, stop)
            return self._sound
        return self._sound[first:last]


class _Edges:
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

    def within(self, start: int, stop: int) -> tuple[object, ...]:
        """All that the gain from frame `start` up to `stop` depends on."""
        return self._in if self._in[1] > start else None, self._out if self._out[0] < stop else None

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
