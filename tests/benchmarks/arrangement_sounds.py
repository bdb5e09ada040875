"""A generator of random numbers in, instruments for the layers of a made-up track out.

They are the demo's with their knobs turned at random, and two of our own that sound less like a synthesiser.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
from scipy import signal

from mixrender.demo.kernels import Sound
from mixrender.demo.score import Layer
from mixrender.demo.synth import Bell, Clap, Drum, Hat, Hit, Kick, Saws, Snare, Voice
from mixrender.units import gain_to_db

Random = np.random.Generator

GAINS = {
    "kick": (0.5, 1.0),
    "snare": (0.25, 0.6),
    "hat": (0.08, 0.3),
    "perc": (0.1, 0.35),
    "ride": (0.08, 0.25),
    "bass": (0.2, 0.6),
    "chords": (0.12, 0.4),
    "lead": (0.1, 0.3),
}
"""Least and greatest peak of each layer, full scale 1, before what differs from section to section."""


def random_layers(rng: Random, *, drums: Collection[str]) -> dict[str, Layer]:
    """An instrument and a strip for each layer; in two of five tracks the kick ducks bass and chords."""
    depth = float(rng.uniform(0.4, 0.9)) if rng.random() < 0.4 else 0.0
    low = bool(rng.random() < 0.3)
    lowest = {
        "bass": int(rng.integers(26, 36)),
        "chords": 40 if low else 52,
        "lead": int(rng.integers(57, 72)),
    }
    made = {}
    for name, choices in VOICES.items():
        voice = choices[rng.integers(len(choices))](rng)
        made[name] = Layer(
            voice,
            gain_to_db(float(rng.uniform(*GAINS[name]))),
            lowest_midi=lowest.get(name, 48),
            chords=name == "chords",
            rooted=low,
            reverb=float(rng.choice([0.0, rng.uniform(0.0, 0.15 if name in (*drums, "bass") else 0.5)])),
            duck=depth if name in ("bass", "chords") else 0.0,
        )
    return made


@dataclass(frozen=True)
class Skin:
    """A struck skin as a microphone hears it: a few partials and a dull burst of noise, a room around it."""

    tune_hz: float
    decay_s: float
    noise: float
    cutoff_hz: float
    room: float

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: Random) -> Sound:
        """Begins with the stick; partials are those of a round membrane."""
        t = np.arange(int(5.0 * self.decay_s * sample_rate_hz)) / sample_rate_hz
        sound = np.zeros(t.size)
        for ratio, gain in ((1.0, 1.0), (1.59, 0.4), (2.14, 0.25), (2.65, 0.15)):
            bend = 1.0 + 0.15 * np.exp(-t / 0.02)
            phase = 2.0 * np.pi * np.cumsum(self.tune_hz * ratio * bend) / sample_rate_hz
            sound += gain * np.sin(phase) * np.exp(-t * ratio / self.decay_s)
        sos = signal.butter(2, self.cutoff_hz, fs=sample_rate_hz, output="sos")
        burst = signal.sosfilt(sos, rng.standard_normal(t.size))
        sound += self.noise * burst * (np.exp(-t / 0.006) + self.room * np.exp(-t / (0.7 * self.decay_s)))
        sound *= hit.strength / np.abs(sound).max() * np.clip((t[-1] - t) / 0.02, 0.0, 1.0)
        return np.stack([sound, sound], axis=1).astype(np.float32)


@dataclass(frozen=True)
class String:
    """Plucked or struck strings: noise that runs round a damped loop (Karplus and Strong 1983)."""

    decay_s: float
    bright: float

    def render(self, hit: Hit, *, sample_rate_hz: int, rng: Random) -> Sound:
        """Damped where the note ends; `bright` from 0 to 1 is what is left of the highs of the pluck."""
        frames = int((hit.length_s + 0.05) * sample_rate_hz)
        t, sound = np.arange(frames) / sample_rate_hz, np.zeros(frames)
        for hz in hit.notes_hz:
            period = int(sample_rate_hz / hz)
            pluck = np.zeros(frames)
            burst = signal.lfilter([self.bright], [1.0, self.bright - 1.0], rng.standard_normal(period))
            pluck[:period] = (burst / np.abs(burst).max())[:frames]
            loss = 0.5 * 10.0 ** (-3.0 * period / (self.decay_s * sample_rate_hz))
            loop = np.zeros(period + 2)
            loop[0], loop[period:] = 1.0, -loss
            sound += signal.lfilter([1.0], loop, pluck)
        sound *= 0.6 * hit.strength / np.sqrt(len(hit.notes_hz)) * np.clip((t[-1] - t) / 0.05, 0.0, 1.0)
        return np.stack([sound, sound], axis=1).astype(np.float32)


def _kick(r: Random) -> Voice:
    return Kick(
        tune_hz=r.uniform(38, 64),
        sweep_hz=r.uniform(60, 500),
        sweep_s=r.uniform(0.008, 0.05),
        decay_s=r.uniform(0.06, 0.3),
        click=r.uniform(0.0, 0.6),
        drive=r.uniform(0.8, 4.0),
    )


def _skin(r: Random, *, lowest_hz: float, highest_hz: float) -> Voice:
    tune, noise, room = r.uniform(lowest_hz, highest_hz), r.uniform(0.1, 1.0), r.uniform(0.0, 0.4)
    return Skin(tune, r.uniform(0.05, 0.2), noise, r.uniform(900, 6000), room)


def _hat(r: Random, *, shortest_s: float, longest_s: float) -> Voice:
    return Hat(r.uniform(shortest_s, longest_s), r.uniform(4000, 9000), r.random(), r.choice([0.0004, 0.01]))


def _saws(r: Random, *, attack_s: float = 0.004, decay_s: float | None = None, unison: int = 1) -> Voice:
    return Saws(
        unison=unison,
        detune_cents=r.uniform(4, 18),
        width=0.5,
        square=r.random(),
        cutoff_hz=r.uniform(200, 2500),
        sweep_hz=r.choice([0.0, r.uniform(0, 3000)]),
        sweep_s=r.uniform(0.03, 0.2),
        q=r.uniform(0.7, 2.0),
        sub=r.choice([0.0, r.uniform(0, 0.6)]),
        attack_s=attack_s,
        decay_s=decay_s,
        drive=r.choice([0.0, r.uniform(0.5, 2.0)]),
    )


Choices = tuple[Callable[[Random], Voice], ...]
_KEYS: Choices = (
    lambda r: Bell(r.choice([1.0, 2.0, 3.0, 3.5, 7.0]), r.uniform(0.2, 4.0), r.uniform(0.1, 0.9)),
    lambda r: String(r.uniform(0.6, 4.0), r.uniform(0.1, 0.9)),
    lambda r: _saws(r, decay_s=r.uniform(0.05, 0.4), unison=int(r.integers(1, 4))),
)
VOICES: dict[str, Choices] = {
    "kick": (_kick, _kick, lambda r: _skin(r, lowest_hz=42, highest_hz=75)),
    "snare": (
        lambda r: Snare(r.uniform(140, 260), r.uniform(0.3, 1.0), r.uniform(0.05, 0.2)),
        lambda r: Clap(r.uniform(500, 1200), r.uniform(2500, 8000), r.uniform(0.03, 0.15)),
        lambda r: _skin(r, lowest_hz=150, highest_hz=300),
    ),
    "hat": (
        lambda r: _hat(r, shortest_s=0.01, longest_s=0.06),
        lambda r: _hat(r, shortest_s=0.02, longest_s=0.15),
    ),
    "perc": (
        lambda r: Drum(r.uniform(150, 1500), r.uniform(0.02, 0.12)),
        lambda r: _skin(r, lowest_hz=100, highest_hz=500),
    ),
    "ride": (lambda r: _hat(r, shortest_s=0.15, longest_s=0.7),),
    "bass": (
        lambda r: Saws(cutoff_hz=r.uniform(60, 150), sweep_hz=0.0, sub=r.uniform(0.5, 1.0), attack_s=0.005),
        lambda r: _saws(r),
        lambda r: _saws(r, decay_s=r.uniform(0.06, 0.3)),
        lambda r: _saws(r, decay_s=r.uniform(0.06, 0.3)),
        lambda r: String(r.uniform(0.8, 5.0), r.uniform(0.05, 0.6)),
    ),
    "chords": (*_KEYS, lambda r: _saws(r, attack_s=r.uniform(0.05, 0.5), unison=5)),
    "lead": (*_KEYS, lambda r: _saws(r, attack_s=0.02)),
}
