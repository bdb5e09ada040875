"""Sound goes in; its low, mid and high bands come out, which add up to the sound itself.

Two linear-phase low-pass filters cut the sound at the two edges: low is what passes the first, high is what
the second leaves, mid is the rest. As no band is delayed against another, a killed band takes its part away
and leaves the others as they are, and three gains of 1 give back the input to the bit.

The filters are Kaiser-windowed sincs (J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh
window function", 1974), down 80 dB one octave below an edge where that fits into `MAX_HALF_LENGTH_S`, which
bounds how far a transient can ring ahead of itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy import fft

from mixrender.units import FloatArray

Read = Callable[[int, int], FloatArray]
"""Frames from a start up to a stop (any numbers, also negative), float64 of shape (stop - start, 2)."""

DEFAULT_EDGES_HZ = (250.0, 2500.0)
MAX_HALF_LENGTH_S = 0.012
STOP_BAND_DB = 80.0
STOP_OCTAVES = 1.0
WIDEST_OCTAVES = 1.5
GRID_FRAMES = 8192
_KEPT_BLOCKS = 2


class Bands(NamedTuple):
    """The three bands of a stretch of sound and the sound itself, each float64 of shape (n, 2)."""

    low: FloatArray
    mid: FloatArray
    high: FloatArray
    whole: FloatArray


def combine(
    bands: Bands, *, low_gain: float | FloatArray, mid_gain: float | FloatArray, high_gain: float | FloatArray
) -> FloatArray:
    """Sum of the bands with linear gains, each one number or one per frame, shape (n,); shape (n, 2).

    Written as changes to the whole, so that three gains of 1 are the identity to the bit.
    """
    out = bands.whole.copy()
    gains = (low_gain, mid_gain, high_gain)
    for band, gain in zip((bands.low, bands.mid, bands.high), gains, strict=True):
        change = np.asarray(gain, dtype=np.float64) - 1.0
        if change.any():
            out += band * (change[:, np.newaxis] if change.ndim else change)
    return out


def design_lowpass(edge_hz: float, *, sample_rate_hz: int) -> FloatArray:
    """A linear-phase low-pass filter, -6 dB at `edge_hz`, gain 1 at 0 Hz; shape (2 half + 1,).

    Its slope runs from one octave below the edge, where what it takes away is down by 80 dB, to as many Hz
    above the edge, where what it lets through is. An edge for which that needs more than 12 ms to either side
    gets a wider slope, at most from 1.5 octaves below; where that is not enough either, less attenuation.
    """
    width_hz, stop_db = _slope(edge_hz)
    half = math.ceil(_half_length_s(stop_db, width_hz) * sample_rate_hz)
    half = min(half, math.floor(MAX_HALF_LENGTH_S * sample_rate_hz))
    n = np.arange(-half, half + 1)
    taps = np.sinc(2.0 * edge_hz / sample_rate_hz * n) * np.kaiser(2 * half + 1, _kaiser_beta(stop_db))
    # One half mirrored: the phase is linear to the last bit.
    taps = 0.5 * (taps + taps[::-1])
    return np.asarray(taps / taps.sum())


def _slope(edge_hz: float) -> tuple[float, float]:
    """Width in Hz from pass band to stop band, centred on the edge, and the attenuation in dB."""
    width_hz = 2.0 * edge_hz * (1.0 - 2.0**-STOP_OCTAVES)
    widest_hz = 2.0 * edge_hz * (1.0 - 2.0**-WIDEST_OCTAVES)
    if _half_length_s(STOP_BAND_DB, width_hz) <= MAX_HALF_LENGTH_S:
        return width_hz, STOP_BAND_DB
    fitting_hz = (STOP_BAND_DB - 7.95) / (14.36 * 2.0 * MAX_HALF_LENGTH_S)
    if fitting_hz <= widest_hz:
        return fitting_hz, STOP_BAND_DB
    return widest_hz, 7.95 + 14.36 * 2.0 * MAX_HALF_LENGTH_S * widest_hz


def _half_length_s(stop_db: float, width_hz: float) -> float:
    """Half the length of a Kaiser-windowed filter: N = (A - 7.95) / (14.36 width / fs), from Kaiser 1974."""
    return (stop_db - 7.95) / (14.36 * width_hz) / 2.0


def _kaiser_beta(stop_db: float) -> float:
    """Kaiser's window parameter for an attenuation in dB."""
    if stop_db > 50.0:
        return 0.1102 * (stop_db - 8.7)
    over_db = max(stop_db - 21.0, 0.0)
    return 0.5842 * math.pow(over_db, 0.4) + 0.07886 * over_db


class Isolator:
    """The band splitter of one track: designed once, then read anywhere.

    Sound is filtered in blocks of a grid that is fixed to frame 0, by fast convolution (overlap-save), so
    that no result depends on where a stretch begins or ends. The last blocks are kept: a reader that goes on
    pays for nothing twice.

    Parameters: `edges_hz`, rising, between 0 and half of `sample_rate_hz`; ValueError otherwise.
    """

    def __init__(self, edges_hz: tuple[float, float] = DEFAULT_EDGES_HZ, *, sample_rate_hz: int):
        if not 0.0 < edges_hz[0] < edges_hz[1] < sample_rate_hz / 2.0:
            raise ValueError(
                f"band edges {edges_hz[0]:g} and {edges_hz[1]:g} Hz must rise and lie between 0 and "
                f"{sample_rate_hz / 2:g} Hz, half the sample rate"
            )
        filters = [design_lowpass(edge, sample_rate_hz=sample_rate_hz) for edge in edges_hz]
        self.edges_hz = edges_hz
        self.sample_rate_hz = sample_rate_hz
        self.half_length_frames = max(len(taps) // 2 for taps in filters)
        self._size = fft.next_fast_len(GRID_FRAMES + 2 * self.half_length_frames, real=True)
        self._responses = [_zero_phase_response(taps, self._size) for taps in filters]
        self._kept: list[tuple[Read, int, Bands]] = []

    def bands(self, read: Read, start: int, stop: int) -> Bands:
        """The bands of frames `start` up to `stop`; reads up to a block and half a filter around them."""
        if stop <= start:
            return Bands(*(np.empty((0, 2)) for _ in range(4)))
        indices = range(start // GRID_FRAMES, (stop - 1) // GRID_FRAMES + 1)
        parts = []
        for index in indices:
            begin = index * GRID_FRAMES
            piece = slice(max(start - begin, 0), min(stop - begin, GRID_FRAMES))
            parts.append([band[piece] for band in self._block(read, index)])
        return Bands(*(np.concatenate(band) for band in zip(*parts, strict=True)))

    def _block(self, read: Read, index: int) -> Bands:
        for known_read, known_index, block in self._kept:
            if known_index == index and known_read == read:
                return block
        block = self._split(read, index)
        self._kept = [*self._kept, (read, index, block)][-_KEPT_BLOCKS:]
        return block

    def _split(self, read: Read, index: int) -> Bands:
        half, begin = self.half_length_frames, index * GRID_FRAMES
        sound = read(begin - half, begin + GRID_FRAMES + half)
        spectrum = fft.rfft(np.ascontiguousarray(sound.T, dtype=np.float64), self._size)
        core = slice(half, half + GRID_FRAMES)
        below_low, below_high = (
            fft.irfft(spectrum * response, self._size)[:, core].T for response in self._responses
        )
        whole = np.array(sound[core], dtype=np.float64)
        return Bands(below_low, below_high - below_low, whole - below_high, whole)


def _zero_phase_response(taps: FloatArray, size: int) -> FloatArray:
    """Spectrum of a symmetric filter centred on frame 0: real, as a symmetric filter has no phase."""
    half = len(taps) // 2
    centred = np.zeros(size)
    centred[: half + 1] = taps[half:]
    centred[size - half :] = taps[:half]
    return np.asarray(fft.rfft(centred).real)
