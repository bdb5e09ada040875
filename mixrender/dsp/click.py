"""Times and accents of a metronome in, the samples of its clicks in any range of frames out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from mixrender.units import FloatArray, db_to_gain

Accent = Literal["beat", "bar", "section"]

LENGTH_S = 0.018
"""A click is over after this long, so that it hides little of the music behind it."""

_HALF_LIFE_S = 0.003
_RELEASE_S = 0.005
_PARTIALS = ((1.0, 1.0), (2.4, 0.4))
"""Frequency and amplitude of each partial beside the first: not harmonic, like a wood block."""

_HIGHEST = 0.45
"""Partials above this share of the sample rate are left out: they would fold back."""


@dataclass(frozen=True)
class Tone:
    """How one accent sounds: the frequency of its first partial, its level beside that of a plain beat."""

    frequency_hz: float
    level_db: float


TONES: dict[Accent, Tone] = {
    "beat": Tone(1400.0, 0.0),
    "bar": Tone(2100.0, 3.0),
    "section": Tone(2800.0, 3.0),
}
"""A fifth up for the bar, an octave for a section (common practice, no source)."""

LOUDEST_DB = max(tone.level_db for tone in TONES.values())
"""Level of the loudest accent beside that of a plain beat."""


def clicks(
    times_s: Sequence[float],
    accents: Sequence[Accent],
    start: int,
    stop: int,
    *,
    sample_rate_hz: int,
    level_db: float,
) -> FloatArray:
    """Clicks in the frames [start, stop) of a time line: float64 (stop - start, 2), both channels equal.

    `times_s` rises and has one entry in `accents` each; a click begins at its time exactly, between frames
    too. `level_db` is the peak of a plain beat in dBFS, not exceeded. A frame's value depends on its number
    alone, not on the range.
    """
    out = np.zeros(max(stop - start, 0))
    times = np.asarray(times_s, dtype=np.float64)
    first = int(np.searchsorted(times, start / sample_rate_hz - LENGTH_S, side="left"))
    last = int(np.searchsorted(times, stop / sample_rate_hz, side="right"))
    for time_s, accent in zip(times[first:last], accents[first:last], strict=True):
        begin, sound = _click(float(time_s), TONES[accent], sample_rate_hz)
        a, b = max(begin, start), min(begin + sound.size, stop)
        if a < b:
            out[a - start : b - start] += sound[a - begin : b - begin]
    return np.repeat((out * db_to_gain(level_db))[:, None], 2, axis=1)


def _click(time_s: float, tone: Tone, sample_rate_hz: int) -> tuple[int, FloatArray]:
    """The frame of a click's first sample and all its samples, at the level of its accent."""
    begin = int(np.ceil(time_s * sample_rate_hz))
    count = int(LENGTH_S * sample_rate_hz) + 1
    t = (begin + np.arange(count)) / sample_rate_hz - time_s
    return begin, db_to_gain(tone.level_db) * _shape(t, tone.frequency_hz, sample_rate_hz)


def _shape(t: FloatArray, frequency_hz: float, sample_rate_hz: int) -> FloatArray:
    """Decaying sines at `t` seconds after the beat, within ±1; 0 before the beat and after LENGTH_S."""
    audible = [(f, a) for f, a in _PARTIALS if f * frequency_hz < _HIGHEST * sample_rate_hz]
    wave = sum((a * np.sin(2.0 * np.pi * f * frequency_hz * t) for f, a in audible), np.zeros_like(t))
    decay = 0.5 ** (t / _HALF_LIFE_S)
    release = np.sin(0.5 * np.pi * np.clip((LENGTH_S - t) / _RELEASE_S, 0.0, 1.0)) ** 2
    return np.asarray(np.where(t >= 0.0, wave * decay * release, 0.0) / sum(a for _, a in _PARTIALS))
