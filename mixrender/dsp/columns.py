"""A stream of sound goes in; for each column of a picture its peak and the level of its low end come out.

The low end is what passes a Butterworth low-pass of fourth order, 24 dB per octave and -3 dB at its edge: two
sections of second order by the bilinear transform, with the Q of 0.5412 and 1.3066 (S. Butterworth, "On the
theory of filter amplifiers", 1930; sections as in R. Bristow-Johnson's "Audio EQ cookbook").
"""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

from mixrender.units import FloatArray

SECTIONS_Q = (1.0 / (2.0 * math.cos(math.pi / 8.0)), 1.0 / (2.0 * math.cos(3.0 * math.pi / 8.0)))

SILENT_BELOW_DB = -120.0
"""A level below this is that of a filter that dies away: nothing is heard."""

_INAUDIBLE = 1e-30  # a filter state below this is set to zero: denormals cost much time


class Columns:
    """The figures of a sound of `frames` frames in columns of `column_frames`; the last may be shorter.

    They do not depend on how the stream is cut. Without `low_edge_hz` there are peaks alone.
    """

    def __init__(
        self, frames: int, *, column_frames: int, sample_rate_hz: int, low_edge_hz: float | None = None
    ):
        count = -(-frames // column_frames)
        lengths = np.full(count, column_frames)
        lengths[-1:] = frames - (count - 1) * column_frames
        self._column_frames, self._lengths = column_frames, lengths
        self._peaks, self._energies = np.zeros(count), np.zeros(count)
        sections = (
            [] if low_edge_hz is None else [_section(low_edge_hz, q, sample_rate_hz) for q in SECTIONS_Q]
        )
        self._sections = np.array(sections).reshape(-1, 3)
        self._state = np.zeros((2, 4))
        self._frame = 0

    def push(self, block: FloatArray) -> None:
        """Take the next frames, shape (n, 2)."""
        _push(
            np.ascontiguousarray(block, dtype=np.float64),
            self._frame,
            self._column_frames,
            self._sections,
            self._state,
            self._peaks,
            self._energies,
        )
        self._frame += len(block)

    def skip(self, frames: int) -> None:
        """Silence for so many frames, in which the filter forgets what it heard."""
        self._state[:] = 0.0
        self._frame += frames

    def peaks(self) -> NDArray[np.float32]:
        """The greatest magnitude of a sample in each column, of both channels."""
        return self._peaks.astype(np.float32)

    def low_db(self) -> NDArray[np.float32]:
        """RMS level of the low end in each column, over both channels, in dBFS; -inf where it is silent."""
        power = self._energies / (2.0 * self._lengths)
        heard = power > 10.0 ** (SILENT_BELOW_DB / 10.0)
        return np.where(heard, 10.0 * np.log10(np.where(heard, power, 1.0)), -np.inf).astype(np.float32)


def _section(edge_hz: float, q: float, sample_rate_hz: int) -> tuple[float, float, float]:
    """A low-pass of second order: b0 (of b0, 2 b0, b0), a1 and a2, with a0 = 1."""
    w = 2.0 * math.pi * edge_hz / sample_rate_hz
    alpha = math.sin(w) / (2.0 * q)
    a0 = 1.0 + alpha
    return (1.0 - math.cos(w)) / 2.0 / a0, -2.0 * math.cos(w) / a0, (1.0 - alpha) / a0


@numba.njit(cache=True, nogil=True, fastmath=False)
def _push(
    block: FloatArray,
    frame: int,
    column_frames: int,
    sections: FloatArray,
    state: FloatArray,
    peaks: FloatArray,
    energies: FloatArray,
) -> None:
    """Add a block to the columns; `state` holds the two delays of each of two sections, per channel."""
    column, left = frame // column_frames, column_frames - frame % column_frames
    filtered = len(sections) == 2
    for channel in range(2):
        for i in range(4):
            if abs(state[channel, i]) < _INAUDIBLE:
                state[channel, i] = 0.0
    for n in range(len(block)):
        if left == 0:
            column, left = column + 1, column_frames
        left -= 1
        for channel in range(2):
            x = block[n, channel]
            peaks[column] = max(peaks[column], abs(x))
            if filtered:
                s = state[channel]
                for i in range(2):
                    b0, a1, a2 = sections[i, 0], sections[i, 1], sections[i, 2]
                    y = b0 * x + s[2 * i]
                    s[2 * i] = 2.0 * b0 * x - a1 * y + s[2 * i + 1]
                    s[2 * i + 1] = b0 * x - a2 * y
                    x = y
                energies[column] += x * x
