"""A mono signal in, curves of how strongly sound begins at each moment out.

Frame `i` of a curve is centred on sample `i * hop`. The curves are half-wave rectified rises of compressed
magnitudes (spectral flux: Bello et al., "A tutorial on onset detection in music signals", IEEE TSAP 2005).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Curve = NDArray[np.float32]

RATE_HZ = 22050
"""Sample rate of the signal that is analysed: keeps everything below 11 kHz."""

COARSE_HOP = 128
FINE_HOP = 32
COARSE_RATE_HZ = RATE_HZ / COARSE_HOP
FINE_RATE_HZ = RATE_HZ / FINE_HOP

BANDS_HZ = ((25.0, 160.0), (160.0, 700.0), (700.0, 2800.0), (2800.0, 11000.0))
_BURST_HZ = (1200.0, 6000.0)
_COARSE_FFT = 1024
_FINE_FFT = 256
_BLOCK_FRAMES = 1024
"""Frames whose spectra are held at once: 2 MB, so that they stay near the processor."""

_COMPRESSION = 1000.0
"""Magnitudes of 1/1000 of full scale are the knee between linear and logarithmic."""

_FAINT = 0.15
"""A band whose loudest rises are under 15 % has no attacks."""

_DEAD_ZONE = 0.03
"""Rises of 3 % are none: the spectrum of a held note flickers by that much from frame to frame."""


@dataclass(frozen=True)
class OnsetCurves:
    """Onset strengths at COARSE_RATE_HZ, each curve scaled to a mean of 1 (or all 0).

    `bands`: shape (4, n), low to high as BANDS_HZ; `burst`: shape (n,), noise bursts such as snares and
    claps; `levels`: shape (4, n), compressed loudness of each band, not a rise.
    """

    bands: Curve
    burst: Curve
    levels: Curve

    @property
    def total(self) -> Curve:
        """All bands together, shape (n,)."""
        total: Curve = self.bands.sum(axis=0)
        return total


def onset_curves(signal: NDArray[np.float32]) -> OnsetCurves:
    """The coarse curves of a mono signal, shape (m,) at RATE_HZ; n = m // COARSE_HOP + 1 frames."""
    edges = [_bins(band, _COARSE_FFT) for band in BANDS_HZ]
    burst_bins = _bins(_BURST_HZ, _COARSE_FFT)
    bands, bursts, levels = [], [], []
    for spectrum, previous in _spectra(signal, fft_size=_COARSE_FFT, hop=COARSE_HOP, lag=2):
        loud = np.log1p(_COMPRESSION * spectrum)
        rise = np.maximum(loud[previous:] - loud[:-previous] - _DEAD_ZONE, 0.0)
        bands.append(np.stack([rise[:, cut].mean(axis=1) for cut in edges]))
        levels.append(np.stack([loud[previous:, cut].mean(axis=1) for cut in edges]))
        floor = np.log1p(_COMPRESSION * _lower_third(spectrum[:, burst_bins]))
        bursts.append(np.maximum(floor[previous:] - floor[:-previous] - _DEAD_ZONE, 0.0))
    return OnsetCurves(
        bands=np.stack([_scaled(curve, faint=_FAINT) for curve in np.concatenate(bands, axis=1)]),
        burst=_scaled(np.concatenate(bursts), faint=_FAINT),
        levels=np.concatenate(levels, axis=1).astype(np.float32),
    )


def fine_curve(signal: NDArray[np.float32]) -> Curve:
    """One onset curve at FINE_RATE_HZ (1.45 ms a frame), for timing; scaled to a mean of 1.

    Square-root magnitudes keep the instant of the attack; logarithms would let its faint beginning win.
    """
    parts = []
    for spectrum, previous in _spectra(signal, fft_size=_FINE_FFT, hop=FINE_HOP, lag=2):
        loud = np.sqrt(spectrum)
        parts.append(np.maximum(loud[previous:] - loud[:-previous], 0.0).mean(axis=1))
    return _scaled(np.concatenate(parts))


def _spectra(
    signal: NDArray[np.float32], *, fft_size: int, hop: int, lag: int
) -> Iterator[tuple[NDArray[np.float32], int]]:
    """Magnitude spectra (full-scale sine = 1) block by block; each block repeats `lag` frames before it."""
    frames = signal.size // hop + 1
    window = np.hanning(fft_size + 1)[:-1].astype(np.float32) * np.float32(4.0 / fft_size)
    for start in range(0, frames, _BLOCK_FRAMES):
        stop = min(start + _BLOCK_FRAMES, frames)
        first_sample = (start - lag) * hop - fft_size // 2
        last_sample = (stop - 1) * hop + fft_size // 2
        piece = _padded(signal, first_sample, last_sample)
        views = np.lib.stride_tricks.sliding_window_view(piece, fft_size)[::hop]
        yield np.abs(scipy.fft.rfft(views * window, axis=1)), lag


def _padded(signal: NDArray[np.float32], start: int, stop: int) -> NDArray[np.float32]:
    inside = signal[max(start, 0) : max(stop, 0)]
    return np.pad(inside, (max(-start, 0), max(stop - start - inside.size - max(-start, 0), 0)))


def _bins(band_hz: tuple[float, float], fft_size: int) -> slice:
    low, high = (round(edge * fft_size / RATE_HZ) for edge in band_hz)
    return slice(max(low, 1), max(high, low + 2))


def _lower_third(magnitudes: NDArray[np.float32]) -> NDArray[np.float32]:
    """The magnitude that a third of the bins stay below: noise lifts it, tones do not."""
    rank = magnitudes.shape[1] // 3
    return np.partition(magnitudes, rank, axis=1)[:, rank]


def _scaled(curve: NDArray[np.float32], *, faint: float = 0.0) -> Curve:
    """Clip the loudest half per cent, so that no single crash rules, and scale to a mean of 1.

    A curve whose loudest rises are faint is no rhythm but the beating of held notes: all 0.
    """
    loudest = float(np.percentile(curve, 99.5))
    clipped = np.minimum(curve, loudest if loudest >= faint else 0.0)
    mean = float(clipped.mean())
    return (clipped / mean if mean > 0.0 else np.zeros_like(clipped)).astype(np.float32)
