"""A track's sound and its controls go in; the sound with its filters and effects comes out.

When each of them is at work follows from its lanes alone (see `timing/tails.py`); how it is run there is that
of `effect_stages.py`. The tables at the end say what works how, and in which order.

Phaser and flanger have no make-up gain: their peaks stay at 0 dB. Full on, with a feedback of 0, 50 and 90 %,
they take 1, 2 and 7 dB (phaser) or 3, 6 and 13 dB (flanger) from white noise; `level` can give them back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np

from mixrender.dsp.echo import echo
from mixrender.dsp.flanger import flanger, memory_frames, sweep_frames
from mixrender.dsp.gate import gate_gain
from mixrender.dsp.lanes import Lane
from mixrender.dsp.phaser import phaser, sweep_hz
from mixrender.dsp.reverb import reverb
from mixrender.dsp.svf import FilterKind, svf_faded
from mixrender.mixdown.controls import Controls
from mixrender.mixdown.effect_stages import Insert, Job, Read, Send, StatelessInsert, Work
from mixrender.timing.tails import effect_spans
from mixrender.units import FloatArray, beats_to_seconds, seconds_to_frames

GATE_EDGE_S = 0.005
"""How long a gate takes to open and to close: short beside its period, long enough not to click."""

PHASER_OCTAVES = 2.0
"""How far to either side a phaser wanders at a depth of 100 %."""

_DELAY_STEP = 2.0**-20
"""Delays of an echo are rounded to this share of a frame, so that rounding errors do not move them."""


def inserts(controls: Controls, upstream: Read, *, start_s: float, end_s: float) -> Read:
    """The sound of a track heard from `start_s` to `end_s` after all of its inserts, in their order."""
    for name, (way, work) in _INSERTS.items():
        spans = work_spans(controls, name, start_s=start_s, end_s=end_s)
        if spans:
            upstream = way(work, controls, upstream, spans).read
    return upstream


def sends(controls: Controls, upstream: Read, *, start_s: float, end_s: float) -> tuple[Send, ...]:
    """Everything that the sound of a track heard from `start_s` to `end_s` is sent to."""
    found = []
    for name, work_of in _SENDS.items():
        spans = work_spans(controls, name, start_s=start_s, end_s=end_s)
        if spans:
            found.append(Send(work_of(controls), controls, upstream, spans))
    return tuple(found)


def work_spans(controls: Controls, name: str, *, start_s: float, end_s: float) -> list[tuple[int, int]]:
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

WORKING = (*_INSERTS, *_SENDS)
"""Everything that has spans in which it is at work."""
