"""Curves and a grid of beats in, what sounds on each sixteenth of the track out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.sparse
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_RATE_HZ, RATE_HZ, OnsetCurves

FloatArray = NDArray[np.float64]

PER_BEAT = 4
_PITCH_FFT = 2048
"""93 ms: not longer than a sixteenth at 160 BPM, so that a chord is not heard before it begins."""

_PITCH_BATCH = 256
_LOWEST_HZ = 110.0
_SEMITONES = 48


@dataclass(frozen=True)
class Slots:
    """What sounds on each sixteenth, n of them; slot 0 lies at `times_s[0]`.

    `attacks`: shape (5, n), onset strength in the four bands and of noise bursts; `levels`: shape (4, n),
    loudness of the bands; `pitches`: shape (48, n), compressed semitone magnitudes up from 110 Hz.
    """

    times_s: FloatArray
    attacks: FloatArray
    levels: FloatArray
    pitches: FloatArray

    @property
    def kick(self) -> FloatArray:
        """Low attacks that are broad too, as kicks are and bass notes are not, shape (n,)."""
        broad = self.attacks[1:4].mean(axis=0)
        return np.asarray(self.attacks[0] * np.sqrt(0.15 + np.minimum(broad, 4.0)))

    @property
    def burst(self) -> FloatArray:
        """Snares and claps, shape (n,)."""
        return np.asarray(self.attacks[4])


def slots_of(
    signal: NDArray[np.float32], curves: OnsetCurves, time_of: Callable[[FloatArray], FloatArray], count: int
) -> Slots:
    """Read `count` sixteenths; `time_of` gives the seconds of sixteenths, also beyond the ends."""
    times_s = time_of(np.arange(count, dtype=np.float64))
    borders_s = time_of(np.arange(-0.5, count, 1.0))
    attacks = np.stack([_peaks(curve, borders_s) for curve in (*curves.bands, curves.burst)])
    levels = np.stack(
        [_means(curve, times_s, time_of(np.arange(1.0, count + 1.0))) for curve in curves.levels]
    )
    return Slots(times_s, attacks, levels, _pitches(signal, times_s))


def _peaks(curve: NDArray[np.float32], borders_s: FloatArray) -> FloatArray:
    """The largest value between each two borders."""
    frames = np.clip(np.round(borders_s * COARSE_RATE_HZ).astype(int), 0, curve.size - 1)
    return np.maximum.reduceat(np.append(curve, 0.0).astype(np.float64), frames)[:-1]


def _means(curve: NDArray[np.float32], starts_s: FloatArray, stops_s: FloatArray) -> FloatArray:
    sums = np.concatenate([[0.0], np.cumsum(curve, dtype=np.float64)])
    first = np.clip(np.round(starts_s * COARSE_RATE_HZ).astype(int), 0, curve.size - 1)
    last = np.clip(np.round(stops_s * COARSE_RATE_HZ).astype(int), first + 1, curve.size)
    return np.asarray((sums[last] - sums[first]) / (last - first))


def _pitches(signal: NDArray[np.float32], times_s: FloatArray) -> FloatArray:
    """Semitone magnitudes in the spectrum that begins at each slot, shape (48, n)."""
    window = np.hanning(_PITCH_FFT).astype(np.float32) * np.float32(4.0 / _PITCH_FFT)
    # Nearly all weights are 0; and a dense product this small would start threads that cost more than it.
    weights = scipy.sparse.csr_array(_semitone_weights())
    starts = np.clip(np.round(times_s * RATE_HZ).astype(int), 0, signal.size)
    pitches = np.zeros((_SEMITONES, times_s.size))
    for begin in range(0, times_s.size, _PITCH_BATCH):
        chosen = slice(begin, begin + _PITCH_BATCH)
        spectrum = np.abs(scipy.fft.rfft(_windows(signal, starts[chosen]) * window, axis=1))
        pitches[:, chosen] = weights @ spectrum.T
    return np.log1p(300.0 * pitches)


def _windows(signal: NDArray[np.float32], starts: NDArray[np.int64]) -> NDArray[np.float32]:
    """The signal from each start on, shape (starts, 2048); silence after its end."""
    first, stop = int(starts.min()), int(starts.max()) + _PITCH_FFT
    piece = signal[first:stop]
    piece = np.pad(piece, (0, stop - first - piece.size))
    windows: NDArray[np.float32] = np.lib.stride_tricks.sliding_window_view(piece, _PITCH_FFT)[starts - first]
    return windows


def _semitone_weights() -> NDArray[np.float32]:
    """A triangle one semitone wide on each side for every semitone, shape (48, bins)."""
    frequencies = np.arange(1, _PITCH_FFT // 2 + 1) * RATE_HZ / _PITCH_FFT
    places = 12.0 * np.log2(frequencies / _LOWEST_HZ)
    triangles = np.maximum(1.0 - np.abs(places[None, :] - np.arange(_SEMITONES)[:, None]), 0.0)
    return np.concatenate([np.zeros((_SEMITONES, 1)), triangles], axis=1).astype(np.float32)
