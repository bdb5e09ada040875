"""The instruments: each turns one hit (notes, length, strength) into a stereo sound.

A voice is a frozen set of knobs; `render` returns float32 of shape (n, 2), peak about 1 at full strength.
Noise and the phases of oscillators come from the generator that is handed in: equal seeds give equal bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from mixrender.demo.kernels import CONTROL_FRAMES, Sound, oscillators, swept_filter
from mixrender.units import FloatArray, seconds_to_frames


@dataclass(frozen=True)
class Hit:
    """One note, chord or stroke. `strength` runs from 0 to 1; strokes of drums need no notes."""

    notes_hz: tuple[float, ...]
    length_s: float
    strength: float


class Voice(Protocol):
    """Anything that can be struck."""

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """The sound of one hit, which begins at frame 0."""


def filtered(
    sound: Sound, cutoff_hz: FloatArray, *, sample_rate_hz: int, q: float = 0.707, kind: str = "lowpass"
) -> Sound:
    """Filter in place (`lowpass`, `bandpass`, `highpass`), with one cutoff per CONTROL_FRAMES.

    A cutoff array that is too short keeps its last value.
    """
    count = len(sound) // CONTROL_FRAMES + 2
    hz = np.concatenate([cutoff_hz[:count], np.full(max(0, count - len(cutoff_hz)), cutoff_hz[-1])])
    warped = np.tan(np.pi * np.clip(hz, 10.0, 0.45 * sample_rate_hz) / sample_rate_hz)
    swept_filter(sound, warped, 1.0 / q, ("lowpass", "bandpass", "highpass").index(kind))
    return sound


def _times(length_s: float, sample_rate_hz: int) -> FloatArray:
    frames = seconds_to_frames(length_s, sample_rate_hz)
    return np.arange(frames, dtype=np.float64) / sample_rate_hz


def _control_times(frames: int, sample_rate_hz: int) -> FloatArray:
    return np.arange(frames // CONTROL_FRAMES + 2, dtype=np.float64) * (CONTROL_FRAMES / sample_rate_hz)


def _gate(
    frames: int, *, attack_s: float, hold_s: float, release_s: float, sample_rate_hz: int
) -> NDArray[np.float64]:
    """Rises in a quarter cosine, holds, falls to 0 in a squared half cosine; never clicks."""
    t = np.arange(frames) / sample_rate_hz
    rise = np.sin(0.5 * np.pi * np.clip(t / attack_s, 0.0, 1.0))
    fall = np.cos(0.5 * np.pi * np.clip((t - hold_s) / release_s, 0.0, 1.0)) ** 2
    return np.asarray(rise * fall)


def _stereo(left: FloatArray, right: FloatArray | None = None) -> Sound:
    return np.stack([left, left if right is None else right], axis=1).astype(np.float32)


def _noise(frames: int, rng: np.random.Generator, *, width: float) -> Sound:
    """White noise; `width` 0 is mono, 1 two independent channels."""
    mid, side = rng.standard_normal((2, frames))
    return _stereo(mid + width * side, mid - width * side) / np.float32(3.0 * np.sqrt(1.0 + width * width))


def _band(sound: Sound, low_hz: float, high_hz: float | None, sample_rate_hz: int) -> Sound:
    if high_hz is None:
        sos = signal.butter(2, low_hz, "highpass", fs=sample_rate_hz, output="sos")
    else:
        sos = signal.butter(2, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos, sound, axis=0), np.float32)


def _to_peak(sound: Sound, peak: float) -> Sound:
    return np.asarray(sound * np.float32(peak / max(float(np.abs(sound).max()), 1e-9)), np.float32)


@dataclass(frozen=True)
class Kick:
    """A sine that falls from far above onto `tune_hz`, with a click; `drive` adds weight."""

    tune_hz: float = 50.0
    sweep_hz: float = 260.0
    sweep_s: float = 0.022
    decay_s: float = 0.14
    click: float = 0.35
    drive: float = 1.6

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """Starts at full swing, so that the ear and the meter agree on its beginning."""
        t = _times(self.decay_s * 3.2, sample_rate_hz)
        hz = self.tune_hz + self.sweep_hz * np.exp(-t / self.sweep_s) + 900.0 * np.exp(-t / 0.0025)
        body = np.sin(2.0 * np.pi * np.cumsum(hz) / sample_rate_hz)
        shape = np.minimum(1.0, 1.25 * np.exp(-((t / (1.2 * self.decay_s)) ** 2)))
        fade = np.clip((t[-1] - t) / 0.02, 0.0, 1.0)
        body = np.tanh(self.drive * body * shape) / np.tanh(self.drive) * fade
        click = _band(_noise(len(t), rng, width=0.0), 2500.0, None, sample_rate_hz)[:, 0]
        sound = body + self.click * click * np.exp(-t / 0.003)
        return _to_peak(_stereo(sound), hit.strength)


@dataclass(frozen=True)
class Clap:
    """Three quick bursts of noise and their tail."""

    low_hz: float = 850.0
    high_hz: float = 5200.0
    decay_s: float = 0.075

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """The first burst lies on the beat."""
        t = _times(self.decay_s * 6.0, sample_rate_hz)
        shape = np.zeros(len(t))
        for start_s, decay_s, gain in ((0.0, 0.006, 0.8), (0.011, 0.006, 0.7), (0.022, self.decay_s, 1.0)):
            shape += np.where(t >= start_s, gain * np.exp(-(t - start_s) / decay_s), 0.0)
        noise = _band(_noise(len(t), rng, width=0.6), self.low_hz, self.high_hz, sample_rate_hz)
        return _to_peak(noise * shape[:, None].astype(np.float32), hit.strength)


@dataclass(frozen=True)
class Snare:
    """A struck skin (two sines) and its wires (noise)."""

    tune_hz: float = 190.0
    wires: float = 0.8
    decay_s: float = 0.11

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """Stronger strokes ring brighter."""
        t = _times(self.decay_s * 5.0, sample_rate_hz)
        bend = self.tune_hz * (t + 0.012 * (1.0 - np.exp(-t / 0.012)))
        skin = np.sin(2 * np.pi * bend) + 0.5 * np.sin(2 * np.pi * 1.73 * bend)
        skin *= np.exp(-t / (0.5 * self.decay_s))
        wires = _band(_noise(len(t), rng, width=0.35), 1400.0 + 600.0 * hit.strength, 11000.0, sample_rate_hz)
        noise = wires * (2.2 * self.wires * np.exp(-t / self.decay_s))[:, None]
        sound = np.tanh(1.4 * (0.75 * skin[:, None] + noise)).astype(np.float32)
        return _to_peak(sound * np.exp(-t / (2 * self.decay_s))[:, None].astype(np.float32), hit.strength)


@dataclass(frozen=True)
class Hat:
    """Metal: six square waves that do not fit together, and noise; short is closed, long open or a ride."""

    decay_s: float = 0.035
    low_hz: float = 7200.0
    metal: float = 0.5
    attack_s: float = 0.0004
    width: float = 0.3

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """The ratios of the squares are those of a cheap drum machine."""
        t = _times(min(self.decay_s * 6.0, 1.6), sample_rate_hz)
        hz = 410.0 * np.array([1.0, 1.342, 1.2312, 1.6532, 1.9523, 2.1523])
        steps = hz * (1.0 + 0.004 * rng.standard_normal(6)) / sample_rate_hz
        pan = np.stack(
            [1.0 + self.width * np.linspace(-1, 1, 6), 1.0 - self.width * np.linspace(-1, 1, 6)], 1
        )
        metal = oscillators(len(t), steps, rng.random(6), 0.25 * pan, 1.0)
        sound = np.float32(self.metal) * metal + np.float32(1.0 - self.metal) * 2 * _noise(
            len(t), rng, width=self.width
        )
        sound = _band(sound, self.low_hz, None, sample_rate_hz)
        shape = (
            np.exp(-t / self.decay_s) * np.minimum(1.0, t / self.attack_s) * np.clip((t[-1] - t) / 0.01, 0, 1)
        )
        return _to_peak(sound * shape[:, None].astype(np.float32), hit.strength)


@dataclass(frozen=True)
class Drum:
    """A tuned hand drum or rim: a short sine that bends down, panned."""

    tune_hz: float = 330.0
    decay_s: float = 0.06
    pan: float = 0.0
    bend: float = 0.25

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """Soft strokes are shorter; each differs a little in pitch."""
        t = _times(self.decay_s * 5.0, sample_rate_hz)
        tune = self.tune_hz * (1.0 + 0.01 * rng.standard_normal())
        phase = tune * (t + self.bend * 0.02 * (1.0 - np.exp(-t / 0.02)))
        sound = np.sin(2 * np.pi * phase) + 0.35 * np.sin(2 * np.pi * 2.41 * phase) * np.exp(-t / 0.012)
        sound *= np.exp(-t / (self.decay_s * (0.6 + 0.4 * hit.strength))) * np.clip((t[-1] - t) / 0.01, 0, 1)
        return _to_peak(_stereo(sound * (1.0 - self.pan), sound * (1.0 + self.pan)), hit.strength)


@dataclass(frozen=True)
class Saws:
    """Detuned oscillators through a lowpass with its own envelope: basses, chords, pads, plucks.

    `unison` oscillators per note lie within ±`detune_cents`, spread over the stereo field by `width`. The
    cutoff falls from `cutoff_hz` + `sweep_hz` to `cutoff_hz` in `sweep_s`; `sub` adds a sine on the note
    (divided by `sub_divisor`). The note dies away in `decay_s` if that is given, else it holds.
    """

    unison: int = 1
    detune_cents: float = 0.0
    width: float = 0.0
    square: float = 0.0
    cutoff_hz: float = 600.0
    sweep_hz: float = 1500.0
    sweep_s: float = 0.08
    q: float = 0.9
    sub: float = 0.0
    sub_divisor: int = 1
    attack_s: float = 0.003
    decay_s: float | None = None
    release_s: float = 0.04
    drive: float = 0.0

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """Stronger hits open the filter further."""
        frames = seconds_to_frames(hit.length_s + self.release_s, sample_rate_hz)
        sound = self._oscillators(hit, frames, sample_rate_hz, rng)
        t = _control_times(frames, sample_rate_hz)
        cutoff = self.cutoff_hz + self.sweep_hz * hit.strength * np.exp(-t / self.sweep_s)
        filtered(sound, cutoff, sample_rate_hz=sample_rate_hz, q=self.q)
        times = np.arange(frames) / sample_rate_hz
        if self.sub:
            sine = np.sin(2 * np.pi * hit.notes_hz[0] / self.sub_divisor * times)
            sound += (self.sub * sine[:, None]).astype(np.float32)
        if self.drive:
            sound = np.tanh(self.drive * sound) / np.float32(np.tanh(self.drive))
        shape = _gate(
            frames,
            attack_s=self.attack_s,
            hold_s=hit.length_s,
            release_s=self.release_s,
            sample_rate_hz=sample_rate_hz,
        )
        if self.decay_s is not None:
            shape = shape * np.exp(-times / self.decay_s)
        return np.asarray(sound * (hit.strength * shape)[:, None].astype(np.float32), np.float32)

    def _oscillators(self, hit: Hit, frames: int, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        places = np.linspace(-1.0, 1.0, self.unison) if self.unison > 1 else np.zeros(1)
        hz = np.outer(hit.notes_hz, 2.0 ** (places * self.detune_cents / 1200.0)).ravel()
        # Neighbours in pitch go to opposite sides, so that neither side sounds sharp.
        sides = np.tile(
            self.width * places * np.where(np.arange(self.unison) % 2, -1.0, 1.0), len(hit.notes_hz)
        )
        gains = np.sqrt(np.stack([1.0 - sides, 1.0 + sides], 1)) * (0.6 / np.sqrt(len(hz)))
        phases = rng.random(len(hz)) if self.unison > 1 else np.full(len(hz), 0.5)
        return oscillators(frames, hz / sample_rate_hz, phases, gains, self.square)


@dataclass(frozen=True)
class Bell:
    """A sine bent by a sine (frequency modulation) that dies away: bells and electric pianos."""

    ratio: float = 3.0
    index: float = 2.0
    decay_s: float = 0.5
    width: float = 0.3

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """The two sides beat slowly against each other."""
        t = _times(self.decay_s * 4.0, sample_rate_hz)
        bright = self.index * hit.strength * np.exp(-t / (0.35 * self.decay_s))
        shape = np.exp(-t / self.decay_s) * np.minimum(1.0, t / 0.002) * np.clip((t[-1] - t) / 0.05, 0, 1)
        sides = [np.zeros(len(t)), np.zeros(len(t))]
        for note_hz in hit.notes_hz:
            for side, sign in zip(sides, (-1.0, 1.0), strict=True):
                phase = 2 * np.pi * note_hz * (1.0 + sign * self.width * 0.001) * t
                side += np.sin(phase + bright * np.sin(self.ratio * phase))
        scale = 0.6 * hit.strength / np.sqrt(len(hit.notes_hz)) * shape
        return _stereo(sides[0] * scale, sides[1] * scale)


@dataclass(frozen=True)
class Sweep:
    """Noise through a bandpass that runs from `from_hz` to `to_hz` over the hit, growing or dying away."""

    from_hz: float = 300.0
    to_hz: float = 9000.0
    grows: bool = True
    q: float = 1.6

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: np.random.Generator) -> Sound:
        """Ends (or begins) at full strength."""
        frames = seconds_to_frames(hit.length_s, sample_rate_hz)
        x = np.clip(_control_times(frames, sample_rate_hz) / hit.length_s, 0.0, 1.0)
        sound = _noise(frames, rng, width=0.8)
        filtered(
            sound,
            self.from_hz * (self.to_hz / self.from_hz) ** x,
            sample_rate_hz=sample_rate_hz,
            q=self.q,
            kind="bandpass",
        )
        x = np.arange(frames) / frames
        shape = x**2.2 if self.grows else (1.0 - x) ** 2.5
        shape = shape * np.clip(
            np.minimum(frames * (1.0 - x), frames * x) / (0.004 * sample_rate_hz), 0.0, 1.0
        )
        return _to_peak(sound * shape[:, None].astype(np.float32), hit.strength)
