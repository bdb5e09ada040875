"""A track's sound and its controls go in; the sound with its filters and effects comes out.

An insert takes the sound's place while its amount is above 0 (a filter: while it is not open); what is sent
to rings on beside the sound. Both are at work in spans of the mix alone (see `timing/tails.py`): outside of
them an insert gives the very sound it gets and a send gives nothing, and neither costs anything. Inside a
span the state is carried on from read to read, or rebuilt from where the span begins, so that what is given
depends on the frames alone. The tables at the end say what works how, and in which order.

Phaser and flanger have no make-up gain: their peaks stay at 0 dB. Full on, with a feedback of 0, 50 and 90 %,
they take 1, 2 and 7 dB (phaser) or 3, 6 and 13 dB (flanger) from white noise; `level` can give them back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mixrender.dsp.echo import echo
from mixrender.dsp.flanger import flanger, memory_frames, sweep_frames
from mixrender.dsp.gate import gate_gain
from mixrender.dsp.lanes import Lane
from mixrender.dsp.laws import raised_cosine
from mixrender.dsp.per_frame import per_frame
from mixrender.dsp.phaser import phaser, sweep_hz
from mixrender.dsp.reverb import reverb
from mixrender.dsp.svf import FilterKind, svf_faded
from mixrender.mixdown.controls import Controls
from mixrender.timing.tails import TAIL_FADE_S, effect_spans
from mixrender.units import FloatArray, beats_to_seconds, seconds_to_frames

Read = Callable[[int, int], FloatArray]
"""Frames of the mix's time line, from a start up to a stop, float64 (n, 2); zeros where there is nothing."""

GATE_EDGE_S = 0.005
"""How long a gate takes to open and to close: short beside its period, long enough not to click."""

PHASER_OCTAVES = 2.0
"""How far to either side a phaser wanders at a depth of 100 %."""

_DELAY_STEP = 2.0**-20
"""Delays of an echo are rounded to this share of a frame, so that rounding errors do not move them."""


@dataclass(frozen=True, eq=False)
class Job:
    """A block of sound that an effect shall work on: mix frames `start` to `stop`, and what came before."""

    controls: Controls
    start: int
    stop: int
    sound: FloatArray
    state: Any

    @property
    def rate_hz(self) -> int:
        """Frames per second of the mix."""
        return self.controls.sample_rate_hz

    def value(self, name: str) -> float | FloatArray:
        """A control over the block, as `Controls.value` gives it."""
        return self.controls.value(name, self.start, self.stop)

    def share(self, name: str) -> float | FloatArray:
        """A control in per cent over the block, as a share."""
        return self.controls.share(name, self.start, self.stop)

    def in_rhythm(self, name: str, at: Callable[[float], FloatArray]) -> FloatArray:
        """What `at` makes of the period of that name; between two periods the one fades to the other."""
        parts = [share * at(period) for period, share in self.controls.rhythms(name, self.start, self.stop)]
        total: FloatArray = np.sum(parts, axis=0)
        return total

    def every(self, value: float | FloatArray) -> FloatArray:
        """A value for every frame of the block."""
        return per_frame(value, self.stop - self.start)

    def beats(self) -> FloatArray:
        """The beat of the mix at every frame of the block."""
        return self.controls.beats(self.start, self.stop)


Work = Callable[[Job], tuple[FloatArray, Any]]
"""What an effect makes of a block, and its state after it; state None: at rest."""


class _Effect:
    """An effect that can be read anywhere; `_run` works on frames that lie inside one of its spans."""

    BLOCK = 65536

    def __init__(self, work: Work, controls: Controls, upstream: Read, spans: Sequence[tuple[int, int]]):
        self._work = work
        self._controls = controls
        self._upstream = upstream
        self._spans = tuple(spans)
        self._position: int | None = None
        self._state: Any = None

    def _at_work(self, start: int, stop: int) -> Iterator[tuple[int, int, int, int]]:
        """The parts of the frames from `start` up to `stop` in which it is at work, with the span of each."""
        for begin, end in self._spans:
            first, last = max(start, begin), min(stop, end)
            if first < last:
                yield first, last, begin, end

    def _made(self, begin: int, first: int, last: int) -> FloatArray:
        """What it makes of the frames from `first` up to `last` of the span that starts at `begin`."""
        if first != self._position:
            self._wake(begin, first)
        return self._run(first, last)

    def _wake(self, begin: int, frame: int) -> None:
        self._state = None
        for at in range(begin, frame, self.BLOCK):
            self._run(at, min(at + self.BLOCK, frame))

    def _run(self, start: int, stop: int) -> FloatArray:
        sound = self._upstream(start, stop)
        made, self._state = self._work(Job(self._controls, start, stop, sound, self._state))
        self._position = stop
        return made


class Insert(_Effect):
    """An effect that the sound goes through, and that knows of what went before."""

    def read(self, start: int, stop: int) -> FloatArray:
        """The sound from mix frame `start` up to `stop`: what comes in, to the bit, outside of the spans."""
        parts, at = list[FloatArray](), start
        for first, last, begin, _ in self._at_work(start, stop):
            if at < first:
                parts.append(self._upstream(at, first))
            parts.append(self._made(begin, first, last))
            at = last
        if at < stop or not parts:
            parts.append(self._upstream(at, stop))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)


class StatelessInsert(Insert):
    """An effect that makes of each frame what it makes of it, whatever went before."""

    def _wake(self, begin: int, frame: int) -> None:
        """Nothing: there is nothing to be remembered."""


class Send(_Effect):
    """An effect that the sound is sent to, and that rings on beside it up to `stop`."""

    def __init__(self, work: Work, controls: Controls, upstream: Read, spans: Sequence[tuple[int, int]]):
        super().__init__(work, controls, upstream, spans)
        self.stop = max((end for _, end in spans), default=0)
        self._fade_frames = seconds_to_frames(TAIL_FADE_S, controls.sample_rate_hz)

    def add(self, out: FloatArray, start: int, stop: int) -> None:
        """Add what rings from mix frame `start` up to `stop` to `out`, shape (stop - start, 2)."""
        for first, last, begin, end in self._at_work(start, stop):
            left = np.arange(end - first, end - last, -1, dtype=np.float64)
            fade = raised_cosine(np.minimum(left / self._fade_frames, 1.0))
            out[first - start : last - start] += self._made(begin, first, last) * fade[:, np.newaxis]


def inserts(controls: Controls, upstream: Read, *, start_s: float, end_s: float) -> Read:
    """The sound of a track heard from `start_s` to `end_s` after all of its inserts, in their order."""
    for name, (way, work) in _INSERTS.items():
        spans = _spans(controls, name, start_s=start_s, end_s=end_s)
        if spans:
            upstream = way(work, controls, upstream, spans).read
    return upstream


def sends(controls: Controls, upstream: Read, *, start_s: float, end_s: float) -> tuple[Send, ...]:
    """Everything that the sound of a track heard from `start_s` to `end_s` is sent to."""
    found = []
    for name, work_of in _SENDS.items():
        spans = _spans(controls, name, start_s=start_s, end_s=end_s)
        if spans:
            found.append(Send(work_of(controls), controls, upstream, spans))
    return tuple(found)


def _spans(controls: Controls, name: str, *, start_s: float, end_s: float) -> list[tuple[int, int]]:
    """The frames in which an effect is at work, in order, apart."""
    rate_hz = controls.sample_rate_hz
    begin, end = max(seconds_to_frames(start_s, rate_hz), 0), seconds_to_frames(end_s, rate_hz)
    wet = controls.lane(name).wet
    if wet is not None:
        return _joined(_wet_spans(wet, begin, end))
    found = effect_spans(controls.points, name, tempo_map=controls.tempo_map, start_s=start_s, end_s=end_s)
    reach = memory_frames(rate_hz) if name == "flanger" else 0
    return _joined(
        (max(seconds_to_frames(s.start_s, rate_hz) - reach, begin), seconds_to_frames(s.stop_s, rate_hz))
        for s in found
    )


def _wet_spans(wet: Lane, begin: int, end: int) -> Iterator[tuple[int, int]]:
    """The frames from `begin` up to `end` in which a filter is not open."""
    since = begin if wet.initial > 0.0 else None
    for segment in wet.segments:
        if segment.after > 0.0:
            since = int(segment.start) if since is None else since
        elif since is not None:
            yield max(since, begin), min(int(segment.end), end)
            since = None
    if since is not None:
        yield max(since, begin), end


def _joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order of their starts, of which those that meet are made one."""
    found: list[tuple[int, int]] = []
    for begin, end in spans:
        if found and begin <= found[-1][1]:
            before = found.pop()
            begin, end = before[0], max(end, before[1])
        if begin < end:
            found.append((begin, end))
    return found


# --- what each effect does with a block ---


def _filter(kind: FilterKind) -> Work:
    def work(job: Job) -> tuple[FloatArray, Any]:
        motion = job.controls.motion(kind, job.start, job.stop)
        if motion is None:
            return job.sound, None
        return svf_faded(
            job.sound,
            motion.cutoff_hz,
            motion.wet,
            kind=kind,
            sample_rate_hz=job.rate_hz,
            state=job.state,
        )

    return work


def _phaser(job: Job) -> tuple[FloatArray, Any]:
    beats, centre_hz = job.beats(), job.value("phaser.centre")
    depth_octaves = PHASER_OCTAVES * job.share("phaser.depth")

    def corner_hz(period_beats: float) -> FloatArray:
        return sweep_hz(beats, period_beats=period_beats, centre_hz=centre_hz, depth_octaves=depth_octaves)

    return phaser(
        job.sound,
        job.share("phaser"),
        job.in_rhythm("phaser.time", corner_hz),
        job.share("phaser.feedback"),
        sample_rate_hz=job.rate_hz,
        state=job.state,
    )


def _flanger(job: Job) -> tuple[FloatArray, Any]:
    beats, delay_s, depth = job.beats(), job.value("flanger.delay") / 1000.0, job.share("flanger.depth")

    def delay_frames(period_beats: float) -> FloatArray:
        return sweep_frames(
            beats,
            period_beats=period_beats,
            delay_s=delay_s,
            depth=depth,
            sample_rate_hz=job.rate_hz,
        )

    return flanger(
        job.sound,
        job.share("flanger"),
        job.in_rhythm("flanger.time", delay_frames),
        job.share("flanger.feedback"),
        sample_rate_hz=job.rate_hz,
        state=job.state,
    )


def _gate(job: Job) -> tuple[FloatArray, Any]:
    beats, amount, open_share = job.beats(), job.share("gate"), job.share("gate.open")
    earlier_s = np.arange(job.start, job.stop, dtype=np.float64) / job.rate_hz - GATE_EDGE_S
    edge_beats = beats - job.controls.tempo_map.beat_at(earlier_s)

    def gain(period_beats: float) -> FloatArray:
        return gate_gain(
            beats, amount, period_beats=period_beats, open_share=open_share, edge_beats=edge_beats
        )

    return job.sound * job.in_rhythm("gate.time", gain)[:, np.newaxis], None


def _echo(controls: Controls) -> Work:
    """The work of an echo: its delay ends on the beat that lies `echo.time` before, whatever the tempo."""
    tempo_map, rate_hz = controls.tempo_map, controls.sample_rate_hz
    slowest_bpm = min(min(s.start_bpm, s.end_bpm) for s in tempo_map.segments)
    lane = controls.lane("echo.time")
    longest_beats = max([lane.initial, *(segment.after for segment in lane.segments)])
    longest_frames = seconds_to_frames(beats_to_seconds(longest_beats, slowest_bpm), rate_hz) + 2

    def work(job: Job) -> tuple[FloatArray, Any]:
        then_s = tempo_map.time_at(job.beats() - job.value("echo.time"))
        delay_frames = np.arange(job.start, job.stop) - then_s * rate_hz
        return echo(
            job.sound * job.every(job.share("echo"))[:, np.newaxis],
            np.minimum(np.round(delay_frames / _DELAY_STEP) * _DELAY_STEP, longest_frames),
            job.every(job.share("echo.feedback")),
            job.every(job.value("echo.damping")),
            sample_rate_hz=rate_hz,
            longest_frames=longest_frames,
            state=job.state,
        )

    return work


def _reverb(controls: Controls) -> Work:
    """The work of a reverb: what sounds on a beat has decayed by 60 dB `reverb.time` later."""
    tempo_map = controls.tempo_map

    def work(job: Job) -> tuple[FloatArray, Any]:
        beats = job.beats()
        return reverb(
            job.sound * job.every(job.share("reverb"))[:, np.newaxis],
            tempo_map.time_at(beats + job.value("reverb.time")) - tempo_map.time_at(beats),
            job.every(job.value("reverb.damping")),
            sample_rate_hz=job.rate_hz,
            state=job.state,
        )

    return work


_INSERTS: dict[str, tuple[type[Insert], Work]] = {
    "highpass": (Insert, _filter("highpass")),
    "lowpass": (Insert, _filter("lowpass")),
    "phaser": (Insert, _phaser),
    "flanger": (Insert, _flanger),
    "gate": (StatelessInsert, _gate),
}
"""In the order in which the sound goes through them."""

_SENDS: dict[str, Callable[[Controls], Work]] = {"echo": _echo, "reverb": _reverb}
