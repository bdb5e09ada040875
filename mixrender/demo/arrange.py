"""A score in, its finished stereo sound out: hits placed, layers ducked and mixed, echo, room, saturation."""

from __future__ import annotations

import zlib
from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from mixrender.demo.kernels import CONTROL_FRAMES, Sound, add_echo, add_hit, add_reverb, mix_layer
from mixrender.demo.score import BEATS_PER_BAR, Layer, Score, hits_of, kick_times_s
from mixrender.demo.synth import filtered
from mixrender.units import FloatArray, beats_to_seconds, db_to_gain, seconds_to_frames

PEAK_DBFS = -1.5
"""Sample peak of every finished track."""

_VARIANTS = 4  # how many times one hit is rendered before its sounds come round again
_REVERB_MS = (4.7, 3.6, 12.7, 9.3, 29.7, 37.1, 41.1, 43.7, 53.1, 59.9, 67.7, 73.3)  # all-passes, then lines
_DUCK_PRE_S = 0.004  # the ducking is down when the kick starts, without a step
_END_FADE_S = 0.6


def render(score: Score, *, layers: Collection[str] | None = None) -> Sound:
    """The whole track, float32 (n, 2), sample peak PEAK_DBFS; `layers` solos some of them."""
    frames = seconds_to_frames(score.duration_s, score.sample_rate_hz)
    total = np.zeros((frames, 2), np.float32)
    reverb_send, echo_send = np.zeros(frames, np.float32), np.zeros(frames, np.float32)
    ducking = _ducking(score, frames)
    for name, layer in score.layers.items():
        if layers is None or name in layers:
            sound = _layer_sound(score, name, layer, frames)
            gains = (db_to_gain(layer.level_db), layer.reverb, layer.echo, layer.duck)
            mix_layer(total, reverb_send, echo_send, sound, ducking, gains)
    echo_frames = seconds_to_frames(beats_to_seconds(score.echo_beats, score.tempo_bpm), score.sample_rate_hz)
    add_echo(total, echo_send, echo_frames, 0.45, 0.35, reverb_send)
    _add_room(total, reverb_send, score)
    return _bus(total, score)


def _layer_sound(score: Score, name: str, layer: Layer, frames: int) -> Sound:
    """All hits of one layer through its lowpass, before level, sends and ducking."""
    sound = np.zeros((frames, 2), np.float32)
    rng = np.random.default_rng([score.seed, zlib.crc32(name.encode())])
    sounds: dict[tuple[object, int], Sound] = {}
    for i, timed in enumerate(hits_of(score, name)):
        which = (timed.hit, i % _VARIANTS)
        if which not in sounds:
            sounds[which] = layer.voice.render(timed.hit, sample_rate_hz=score.sample_rate_hz, rng=rng)
        start = seconds_to_frames(timed.time_s, score.sample_rate_hz)
        add_hit(sound, sounds[which], start, timed.gain)
    if layer.filter_hz is not None:
        cutoff = _layer_cutoff(score, name, layer.filter_hz, frames)
        filtered(sound, cutoff, sample_rate_hz=score.sample_rate_hz, q=layer.filter_q)
    return sound


def _layer_cutoff(score: Score, name: str, neutral_hz: float, frames: int) -> FloatArray:
    """Cutoff in Hz per CONTROL_FRAMES: neutral, except where a section sweeps it (straight in octaves)."""
    control_s = np.arange(frames // CONTROL_FRAMES + 2) * (CONTROL_FRAMES / score.sample_rate_hz)
    times_s, octaves = [0.0], [np.log2(neutral_hz)]
    bar = 1
    for section in score.sections:
        low, high = section.sweeps_hz.get(name, (neutral_hz, neutral_hz))
        start_s = score.grid.time_at(score.grid.bar_to_beat(bar))
        bar += section.bars
        end_s = score.grid.time_at(score.grid.bar_to_beat(bar))
        times_s += [start_s, end_s - 0.01]
        octaves += [np.log2(low), np.log2(high)]
    return np.asarray(2.0 ** np.interp(control_s, times_s, octaves), np.float64)


def _ducking(score: Score, frames: int) -> NDArray[np.float32]:
    """1 at every kick, back to 0 within three quarters of a beat."""
    ducking = np.zeros(frames, np.float32)
    if "kick" not in score.layers:
        return ducking
    rate = score.sample_rate_hz
    pre, back = (
        seconds_to_frames(_DUCK_PRE_S, rate),
        seconds_to_frames(beats_to_seconds(0.75, score.tempo_bpm), rate),
    )
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(pre) / pre)
    fall = 0.5 + 0.5 * np.cos(np.pi * np.sqrt(np.arange(back) / back))
    shape = np.concatenate([rise, fall]).astype(np.float32)
    for time_s in kick_times_s(score):
        start = seconds_to_frames(time_s, rate) - pre
        first, last = max(0, start), min(frames, start + len(shape))
        np.maximum(ducking[first:last], shape[first - start : last - start], out=ducking[first:last])
    return ducking


def _add_room(total: Sound, send: NDArray[np.float32], score: Score) -> None:
    lengths = np.array([round(ms * 1e-3 * score.sample_rate_hz) | 1 for ms in _REVERB_MS], np.int64)
    # Each line loses 60 dB in the same time (Jot and Chaigne 1991).
    decays = np.power(10.0, -3.0 * lengths[4:].astype(np.float64) / (score.reverb_s * score.sample_rate_hz))
    room = signal.sosfilt(signal.butter(2, 220.0, "highpass", fs=score.sample_rate_hz, output="sos"), send)
    add_reverb(total, room.astype(np.float32), lengths, decays, 0.3)


def _bus(total: Sound, score: Score) -> Sound:
    """Without rumble, gently saturated, at its peak, and faded at the very end."""
    sos = signal.butter(2, 28.0, "highpass", fs=score.sample_rate_hz, output="sos")
    for side in (0, 1):
        clean = signal.sosfilt(sos, total[:, side])
        total[:, side] = np.tanh(np.asarray(clean * score.drive, np.float32))
    fade = seconds_to_frames(_END_FADE_S, score.sample_rate_hz)
    total[-fade:] *= (np.cos(0.5 * np.pi * np.arange(fade) / fade) ** 2).astype(np.float32)[:, None]
    peak = max(float(np.abs(total).max()), 1e-9)
    total *= np.float32(db_to_gain(PEAK_DBFS) / peak)
    return total


def bar_frames(score: Score, bar: float) -> int:
    """Frame on which a bar begins."""
    return seconds_to_frames(score.grid.time_at((bar - 1) * BEATS_PER_BAR), score.sample_rate_hz)
