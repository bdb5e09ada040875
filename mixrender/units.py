"""Conversions between the units of music and of sound; nothing else multiplies by 60 or takes 20 log10."""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@overload
def db_to_gain(level_db: float) -> float: ...
@overload
def db_to_gain(level_db: FloatArray) -> FloatArray: ...
def db_to_gain(level_db: float | FloatArray) -> float | FloatArray:
    """Amplitude factor of a level in dB; -inf dB gives 0."""
    if isinstance(level_db, np.ndarray):
        return np.power(10.0, level_db / 20.0)
    return float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float:
    """Level in dB of an amplitude factor >= 0; 0 gives -inf."""
    return 20.0 * math.log10(gain) if gain > 0.0 else -math.inf


def beats_to_seconds(beats: float, tempo_bpm: float) -> float:
    """Duration in seconds of `beats` beats at a constant tempo in BPM."""
    return beats * 60.0 / tempo_bpm


def seconds_to_beats(seconds: float, tempo_bpm: float) -> float:
    """Number of beats in `seconds` at a constant tempo in BPM."""
    return seconds * tempo_bpm / 60.0


def interval_to_bpm(beat_s: float) -> float:
    """Tempo in BPM of beats that lie `beat_s` seconds apart."""
    return 60.0 / beat_s


def ratio_to_percent(ratio: float) -> float:
    """Change in per cent that a factor means: 1.03 is +3 %."""
    return (ratio - 1.0) * 100.0


def ratio_to_cents(ratio: float) -> float:
    """Interval in cents of a frequency or speed ratio (1200 log2)."""
    return 1200.0 * math.log2(ratio)


def semitones_to_ratio(semitones: float) -> float:
    """Frequency ratio of an interval in equal-tempered semitones."""
    return float(2.0 ** (semitones / 12.0))


def seconds_to_frames(seconds: float, sample_rate_hz: int) -> int:
    """Nearest frame to a time; halves round up, so that equal times always fall on one frame."""
    return math.floor(seconds * sample_rate_hz + 0.5)


def format_time(seconds: float) -> str:
    """A time for people: `3:10.0`, `1:02:03.4`."""
    tenths = round(abs(seconds) * 10)
    sign = "-" if seconds < 0 and tenths else ""
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    text = f"{minutes}:{rest / 10:04.1f}" if not hours else f"{hours}:{minutes:02d}:{rest / 10:04.1f}"
    return sign + text
