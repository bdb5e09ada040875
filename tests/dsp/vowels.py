"""Vowels of known formants from a source and resonators, and formants measured by linear prediction."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter, resample_poly, stft

RATE_HZ = 44100
FORMANTS_HZ = {"a": (730.0, 1090.0, 2440.0), "i": (270.0, 2290.0, 3010.0)}
"""Men's averages of G. E. Peterson and H. L. Barney, "Control methods used in a study of the vowels",
J. Acoust. Soc. Am. 24 (1952), from memory."""

BANDWIDTHS_HZ = (60.0, 90.0, 120.0, 175.0)
"""Usual bandwidths of the first formants; common practice, no source."""

Sound = NDArray[np.float64]


def vowel(name: str, *, seconds: float, voice_hz: float | None, rate_hz: int = RATE_HZ) -> Sound:
    """A vowel, shape (n, 2): sung with a glide of 3 semitones around `voice_hz`, or whispered (None).

    The glide lets the harmonics pass over the formants, so that an average spectrum shows these.
    """
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    if voice_hz is None:
        sound = np.random.default_rng(3).standard_normal(len(t))
    else:
        hz = voice_hz * 2.0 ** (0.25 * np.sin(2.0 * np.pi * 0.7 * t))
        phase = 2.0 * np.pi * np.cumsum(hz) / rate_hz
        sound = np.zeros(len(t))
        for harmonic in range(1, round(12000.0 / voice_hz)):
            sound += np.cos(harmonic * phase) / harmonic
    for hz, width_hz in zip((*FORMANTS_HZ[name], 3800.0), BANDWIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * width_hz / rate_hz)
        poles = [1.0, -2.0 * radius * np.cos(2.0 * np.pi * hz / rate_hz), radius**2]
        sound = lfilter([sum(poles)], poles, sound)
    return np.repeat(0.3 * sound[:, np.newaxis] / np.abs(sound).max(), 2, axis=1)


def formants_hz(sound: Sound, near_hz: Sound, *, rate_hz: int = RATE_HZ) -> Sound:
    """The formant nearest to each of `near_hz` in one channel: poles of a prediction of order 12 at 10.5 kHz.

    The autocorrelation is that of the average spectrum, after a pre-emphasis.
    """
    low_hz = 10500
    low = resample_poly(sound, low_hz // 100, rate_hz // 100)
    _, _, spectra = stft(low[1:] - 0.9 * low[:-1], low_hz, nperseg=512, noverlap=384)
    likeness = np.fft.irfft(np.mean(np.square(np.abs(spectra)), axis=1))[:13]
    roots = np.roots(np.concatenate(([1.0], -solve_toeplitz(likeness[:-1], likeness[1:]))))
    roots = roots[(roots.imag > 0.0) & (-np.log(np.abs(roots)) * low_hz / np.pi < 500.0)]
    found = np.angle(roots) * low_hz / (2.0 * np.pi)
    return np.array([found[np.argmin(np.abs(found - hz))] for hz in near_hz])
