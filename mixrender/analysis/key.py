"""A mono signal in, its most likely key with a rival and the tuning out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from mixrender.analysis.onsets import RATE_HZ
from mixrender.keys import Key, Mode

FloatArray = NDArray[np.float64]

_HIGHPASS_HZ = 120.0
"""Below lies the kick, whose pitch says nothing about the key."""
_CHUNK_S = 60.0
_SHORTEST_S = 10.0
_HOP = 2048
_TUNING_S = 60.0
_CLEAR_GAP = 0.05
_LEAST_FIT = 0.25

# The profiles "bgate" of Faraldo, "Tonality estimation in electronic dance music", PhD thesis, UPF 2017:
# means of the chroma of dance tracks in each key, from the tonic up, small values set to 0.
_MAJOR = (1.00, 0.00, 0.42, 0.00, 0.53, 0.37, 0.00, 0.77, 0.00, 0.38, 0.21, 0.30)
_MINOR = (1.00, 0.00, 0.36, 0.39, 0.00, 0.38, 0.00, 0.74, 0.27, 0.00, 0.42, 0.23)


@dataclass(frozen=True)
class KeyFound:
    """The best key and its rival (None: nothing tonal), how clearly it wins (0 to 1), the tuning in cents."""

    key: Key | None
    rival: Key | None
    confidence: float
    tuning_cents: float | None


def find_key(signal: NDArray[np.float32]) -> KeyFound:
    """The key of a mono signal, shape (n,) at RATE_HZ."""
    if signal.size < RATE_HZ or not np.any(np.abs(signal) > 1e-4):
        return KeyFound(None, None, 0.0, None)
    tonal = _highpassed(signal)
    tuning = _tuning(tonal)
    return named(_chroma(tonal, tuning), tuning_cents=100.0 * tuning)


def named(chroma: FloatArray, *, tuning_cents: float | None = None) -> KeyFound:
    """The key whose profile correlates best with a mean chroma of shape (12,), C first."""
    if float(chroma.std()) < 1e-6:
        return KeyFound(None, None, 0.0, tuning_cents)
    modes: tuple[tuple[Mode, tuple[float, ...]], ...] = (("major", _MAJOR), ("minor", _MINOR))
    fits = [
        (float(np.corrcoef(chroma, np.roll(profile, tonic))[0, 1]), Key(tonic, mode))
        for mode, profile in modes
        for tonic in range(12)
    ]
    fits.sort(key=lambda fit: (-fit[0], fit[1].tonic, fit[1].mode))
    (best, key), (second, rival) = fits[0], fits[1]
    if best < _LEAST_FIT:
        return KeyFound(None, None, 0.0, tuning_cents)
    gap = best - second
    return KeyFound(key, rival, gap / (gap + _CLEAR_GAP) * min(best / 0.7, 1.0), tuning_cents)


def _highpassed(signal: NDArray[np.float32]) -> NDArray[np.float32]:
    sections = scipy.signal.butter(4, _HIGHPASS_HZ, "highpass", fs=RATE_HZ, output="sos").astype(np.float32)
    filtered: NDArray[np.float32] = scipy.signal.sosfilt(sections, signal).astype(np.float32)
    return filtered


def _tuning(signal: NDArray[np.float32]) -> float:
    """How far the notes in the middle of the track lie above A = 440 Hz, in semitones from -0.5 to 0.5."""
    import librosa  # takes seconds to import; only the analysis of a new file needs it

    span = round(_TUNING_S * RATE_HZ)
    start = max((signal.size - span) // 2, 0)
    return float(librosa.estimate_tuning(y=signal[start : start + span], sr=RATE_HZ, hop_length=_HOP))


def _chroma(signal: NDArray[np.float32], tuning: float) -> FloatArray:
    """Mean chroma energy (normalised statistics), shape (12,); a minute at a time bounds the memory."""
    import librosa

    # The lowest filters are seconds long, so what is shorter than that is padded.
    padded = np.pad(signal, (0, max(round(_SHORTEST_S * RATE_HZ) - signal.size, 0)))
    pieces = np.array_split(padded, max(round(padded.size / RATE_HZ / _CHUNK_S), 1))
    total = np.zeros(12)
    for piece in pieces:
        chroma = librosa.feature.chroma_cens(
            y=piece, sr=RATE_HZ, hop_length=_HOP, tuning=tuning, bins_per_octave=36, n_octaves=7
        )
        total += chroma.sum(axis=1)
    return total
