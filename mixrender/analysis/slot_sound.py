"""A mono signal and the times of its sixteenths in, how loud each is and how it rises and falls out.

Finer than the onset curves, which are scaled to each track: here a band is measured against the loudest low
sound of the track, or against its loudness, so that figures of different tracks can be compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from mixrender.analysis.onsets import RATE_HZ
from mixrender.units import FloatArray

Rows = dict[str, FloatArray]
"""Named rows of one value a sixteenth."""

_LOW_DECIMATION = 16
_LOW_FFT, _LOW_HOP = 64, 8
_LOW_BINS = {"A": (2, 4), "B": (4, 7), "C": (7, 13), "D": (13, 28)}
"""At 21.5 Hz a bin: sub (32 to 75 Hz), bass (75 to 140), low mids (140 to 270), mids (270 to 590)."""

_LOW_RISE_FRAMES, _LOW_FALL_FRAMES = 4, 10  # 23 ms and 58 ms
_LOW_FLOOR_DB = -60.0
_LEAST_LOW_POWER = 3e-4
"""What is 20 dB below the loud parts of the track is no bass, though it were the lowest sound there is."""

_HIGH_FFT, _HIGH_HOP, _HIGH_RISE_FRAMES = 512, 256, 2  # a rise within 23 ms
_HIGH_BANDS_HZ = ((200.0, 800.0), (800.0, 2500.0), (2500.0, 5500.0), (5500.0, 11000.0))
_LOUD_RMS = 0.1
_COMPRESSION = 1000.0
_BLOCK_FRAMES = 4096


def slot_sound(signal: NDArray[np.float32], times_s: FloatArray) -> Rows:
    """Rows of shape (n,) for a signal at RATE_HZ; `times_s` (n + 1,): the sixteenths and the end of the last.

    A sixteenth is heard from half of one before its time on, for the length of one.
    Low bands A to D in dB below the loudest low sound (60 at most): `max`, `min`, `mean`, `rise`, `fall`.
    High bands 0 to 3, as the logarithm of 1 + 1000 x magnitude where the loud parts have an RMS of 0.1:
    `rise`, `max`, `min`, each for the mean of the bins (`_all`) and for what two thirds exceed (`_noise`).
    """
    loud = _at_one_loudness(signal)
    low, high = _low_levels(loud), _high_levels(loud)
    half_s = np.diff(times_s, append=2.0 * times_s[-1] - times_s[-2]) / 2.0
    low_edges = _frames(times_s - half_s, RATE_HZ / _LOW_DECIMATION / _LOW_HOP, low.shape[1])
    high_edges = _frames(times_s - half_s, RATE_HZ / _HIGH_HOP, high.shape[1])
    rows: Rows = {}
    for name, curves, op in (
        ("max", low, np.maximum),
        ("min", low, np.minimum),
        ("rise", _rises(low, _LOW_RISE_FRAMES), np.maximum),
        ("fall", _rises(-low, _LOW_FALL_FRAMES), np.maximum),
    ):
        rows |= _named(name, _LOW_BINS, _within(curves, low_edges, op))
    means = _within(low, low_edges, np.add) / np.maximum(np.diff(low_edges), 1)
    rows |= _named("mean", _LOW_BINS, means)
    kinds = [f"{kind}{band}" for band in range(len(_HIGH_BANDS_HZ)) for kind in ("_all", "_noise")]
    rows |= _named("rise", kinds, _within(_rises(high, _HIGH_RISE_FRAMES), high_edges, np.maximum))
    rows |= _named("max", kinds, _within(high, high_edges, np.maximum))
    rows |= _named("min", kinds, _within(high, high_edges, np.minimum))
    return rows


def _at_one_loudness(signal: NDArray[np.float32]) -> NDArray[np.float32]:
    """The signal with an RMS of 0.1 in its loud parts (blocks of 0.19 s, the 95th percentile)."""
    whole = signal[: signal.size // _BLOCK_FRAMES * _BLOCK_FRAMES] if signal.size > _BLOCK_FRAMES else signal
    blocks = whole.reshape(-1, min(_BLOCK_FRAMES, whole.size))
    rms = np.sqrt((blocks.astype(np.float64) ** 2).mean(axis=1))
    return signal * np.float32(_LOUD_RMS / max(float(np.percentile(rms, 95)), 1e-5))


def _low_levels(signal: NDArray[np.float32]) -> FloatArray:
    """Power of the low bands in dB, 0 at the 98th percentile of A and B together, shape (4, frames)."""
    slow = scipy.signal.resample_poly(signal, 1, _LOW_DECIMATION).astype(np.float32)
    powers = np.concatenate(
        [
            np.stack([(block[:, a:b] ** 2).sum(axis=1) for a, b in _LOW_BINS.values()])
            for block in _spectra(slow, fft_size=_LOW_FFT, hop=_LOW_HOP)
        ],
        axis=1,
    ).astype(np.float64)
    loudest = max(float(np.percentile(powers[:2].sum(axis=0), 98)), _LEAST_LOW_POWER)
    return np.asarray(np.maximum(10.0 * np.log10(powers / loudest + 1e-12), _LOW_FLOOR_DB))


def _high_levels(signal: NDArray[np.float32]) -> FloatArray:
    """Compressed mean and noise floor of each high band by turns, shape (8, frames)."""
    parts = []
    for block in _spectra(signal, fft_size=_HIGH_FFT, hop=_HIGH_HOP):
        rows = []
        for low_hz, high_hz in _HIGH_BANDS_HZ:
            band = block[:, round(low_hz * _HIGH_FFT / RATE_HZ) : round(high_hz * _HIGH_FFT / RATE_HZ)]
            rank = band.shape[1] // 3
            rows += [band.mean(axis=1), np.partition(band, rank, axis=1)[:, rank]]
        parts.append(np.stack(rows))
    return np.log1p(_COMPRESSION * np.concatenate(parts, axis=1).astype(np.float64))


def _spectra(signal: NDArray[np.float32], *, fft_size: int, hop: int) -> Iterator[NDArray[np.float32]]:
    """Magnitudes (full-scale sine = 1) block by block; frame `i` is centred on sample `i * hop`."""
    window = np.hanning(fft_size + 1)[:-1].astype(np.float32) * np.float32(4.0 / fft_size)
    padded = np.pad(signal, (fft_size // 2, fft_size))
    views = np.lib.stride_tricks.sliding_window_view(padded, fft_size)[::hop][: signal.size // hop + 1]
    for start in range(0, len(views), _BLOCK_FRAMES):
        yield np.abs(scipy.fft.rfft(views[start : start + _BLOCK_FRAMES] * window, axis=1))


def _frames(times_s: FloatArray, rate_hz: float, count: int) -> NDArray[np.int64]:
    frames = np.clip(np.round(times_s * rate_hz), 0, count - 1)
    return np.asarray(np.maximum.accumulate(frames), dtype=np.int64)


def _rises(curves: FloatArray, lag: int) -> FloatArray:
    """How much each curve has risen in the last `lag` frames; falls are 0."""
    rises = np.zeros_like(curves)
    rises[:, lag:] = np.maximum(curves[:, lag:] - curves[:, :-lag], 0.0)
    return rises


def _within(curves: FloatArray, edges: NDArray[np.int64], op: np.ufunc) -> FloatArray:
    """The curves between each two edges brought together by `op`; between equal edges the one frame there."""
    return np.asarray(op.reduceat(curves, edges, axis=1)[:, :-1])


def _named(what: str, which: Iterable[str], values: FloatArray) -> Rows:
    return {f"{what}{name}": row for name, row in zip(which, values, strict=True)}
