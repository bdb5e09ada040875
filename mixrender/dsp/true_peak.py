"""Sound goes in, block by block; the peak of its waveform between each sample and the next comes out.

The waveform is read at several points per sample by a polyphase interpolator, a Kaiser-windowed sinc (method
of ITU-R BS.1770-5, Annex 2, with longer filters), and a maximum between two points is found by the parabola
through three of them. All arithmetic on samples is IEEE float32 in a fixed order: results depend neither on
how the sound is cut into blocks nor on the machine's vector width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]

CHUNK_FRAMES = 8192
"""Sound is worked on in chunks of this length that begin at fixed places of the stream."""

MIN_OVERSAMPLED_HZ = 352_800
"""BS.1770-5 asks for 192 kHz or more; from 352.8 kHz on a maximum lies near enough to one of the points."""

METER_TAPS = 48
_LEAST_FLOOR = 1e-37
_BLOCK_FRAMES = 1024  # the innermost loops work on this many frames, which stay in the nearest cache


@dataclass(frozen=True)
class Interpolator:
    """A polyphase interpolating filter.

    `taps` has the shape (factor - 1, taps per phase): row p gives the waveform (p + 1) / factor of a frame
    after a sample; on a sample it is the sample. `bound` is the most by which the waveform can exceed the
    greatest sample within the filter's reach.
    """

    factor: int
    taps: Float32Array
    bound: float

    @property
    def reach_frames(self) -> int:
        """Taps of each phase; half of them lie before the point, half after it."""
        return int(self.taps.shape[1])

    @property
    def refinable(self) -> float:
        """Share of a waveform's maximum that at least one of the points reaches: cos(pi / 2 factor)."""
        return math.cos(math.pi / (2 * self.factor))


def oversampling_factor(sample_rate_hz: int) -> int:
    """Points per sample: the least power of two, 4 or more, that gives 352.8 kHz (8 at 44.1 and 48 kHz)."""
    factor = 4
    while factor * sample_rate_hz < MIN_OVERSAMPLED_HZ:
        factor *= 2
    return factor


@lru_cache(maxsize=16)
def interpolator(*, factor: int, taps: int, beta: float = 7.0) -> Interpolator:
    """Design a Kaiser-windowed sinc with `taps` (a multiple of 4) per phase; its cutoff is half the rate.

    With 48 taps and beta 7 the waveform of a tone up to 0.45 of the sample rate is exact within 0.01 dB.
    Every phase sums to 1, so that a constant stays what it is.
    """
    if taps % 4 or taps < 4:
        raise ValueError(f"an interpolator needs a multiple of 4 taps per phase, not {taps}")
    fraction = np.arange(1, factor)[:, None] / factor
    offset = np.arange(taps)[None, :] - (taps // 2 - 1) - fraction
    window = np.i0(beta * np.sqrt(np.maximum(1.0 - (2.0 * offset / taps) ** 2, 0.0))) / np.i0(beta)
    phases = np.sinc(offset) * window
    phases /= phases.sum(axis=1, keepdims=True)
    bound = max(1.0, float(np.abs(phases).sum(axis=1).max())) * (1.0 + 1e-5)
    return Interpolator(factor=factor, taps=phases.astype(np.float32), bound=bound)


class PeakEnvelope:
    """A stream of sound of `channels` channels turned into the peak of its waveform after each sample.

    Silence lies before the first frame; to have the end of the sound, push `lag_frames` frames of silence.
    A shallow copy is a second stream that goes on from the same place.
    """

    def __init__(self, kernel: Interpolator, *, channels: int):
        self.kernel = kernel
        self.channels = channels
        self._recent = np.zeros((channels, kernel.reach_frames + 1), np.float32)
        self._sound = self._recent

    @property
    def lag_frames(self) -> int:
        """Frames by which the output lies behind the input."""
        return self.kernel.reach_frames // 2 + 1

    def push(self, block: NDArray[np.floating], *, floor: float) -> Float32Array:
        """Take a block of shape (n, channels); return n peaks, of all channels together.

        Value i is the greatest magnitude of the waveform from `lag_frames` before frame i of the block up to
        one frame later. Where the peak is below `floor` (above 0) the value is some number below `floor`,
        which saves the work.
        """
        sound = np.concatenate((self._recent, block.T.astype(np.float32)), axis=1)
        self._recent, self._sound = sound[:, len(block) :].copy(), sound
        return self._peaks(sound, floor=floor)

    def highest_channel(self, i: int) -> int:
        """The channel, from 0, that has peak i of the last block; the first where several are equal."""
        around = self._sound[:, i : i + self.kernel.reach_frames + 2]
        return int(np.argmax([self._peaks(one[None, :], floor=_LEAST_FLOOR)[0] for one in around]))

    def _peaks(self, sound: Float32Array, *, floor: float) -> Float32Array:
        """The peaks (n,) of sound (channels, n + reach + 1)."""
        n = sound.shape[1] - self.kernel.reach_frames - 1
        peaks = np.zeros(n, np.float32)
        scratch = np.empty((self.kernel.factor, min(n, _BLOCK_FRAMES) + 2), np.float32)
        _envelope(
            sound,
            self.kernel.taps,
            np.float32(floor / self.kernel.bound),
            np.float32(floor * self.kernel.refinable),
            scratch,
            peaks,
        )
        return peaks


@numba.njit(cache=True, nogil=True)
def _envelope(sound, taps, audible, refinable, points, peaks):  # type: ignore[no-untyped-def]
    """Fill `peaks` (n,) from `sound` (channels, n + taps + 1); `points` holds the waveform of one block."""
    reach = taps.shape[1]
    for start in range(0, len(peaks), _BLOCK_FRAMES):
        n = min(_BLOCK_FRAMES, len(peaks) - start)
        for channel in range(sound.shape[0]):
            x = sound[channel, start : start + n + reach + 1]
            if _greatest(x) > audible:
                _interpolate(x, taps, points, n + 2)
                _raise_peaks(points, refinable, peaks[start : start + n])


@numba.njit(cache=True, nogil=True)
def _greatest(x):  # type: ignore[no-untyped-def]
    greatest = np.float32(0.0)
    for i in range(len(x)):
        greatest = max(greatest, abs(x[i]))
    return greatest


@numba.njit(cache=True, nogil=True)
def _interpolate(x, taps, points, n):  # type: ignore[no-untyped-def]
    """First n `points` (factor, .) of the waveform of x (n + taps - 1).

    The taps stand outside and time inside, so that the loop over time runs on vectors.
    """
    reach = taps.shape[1]
    points[0, :n] = x[reach // 2 - 1 : reach // 2 - 1 + n]
    for phase in range(taps.shape[0]):
        y = points[phase + 1]
        y[:n] = np.float32(0.0)
        for k in range(0, reach, 4):
            a, b, c, d = taps[phase, k], taps[phase, k + 1], taps[phase, k + 2], taps[phase, k + 3]
            # Four views of x: an index such as i + k would have to be checked for its sign at each sample.
            x0, x1, x2, x3 = x[k : k + n], x[k + 1 : k + 1 + n], x[k + 2 : k + 2 + n], x[k + 3 : k + 3 + n]
            for i in range(n):
                y[i] += (a * x0[i] + b * x1[i]) + (c * x2[i] + d * x3[i])


@numba.njit(cache=True, nogil=True)
def _raise_peaks(points, refinable, peaks):  # type: ignore[no-untyped-def]
    """Raise `peaks` (n,) to those of `points` (factor, .), which begin one frame earlier."""
    factor = points.shape[0]
    for phase in range(factor):
        y = points[phase, 1 : len(peaks) + 1]
        for i in range(len(peaks)):
            peaks[i] = max(peaks[i], abs(y[i]))
    for i in range(len(peaks)):
        if peaks[i] > refinable:
            peaks[i] = max(peaks[i], _refined(points, i + 1, factor))


@numba.njit(cache=True, nogil=True)
def _refined(points, i, factor):  # type: ignore[no-untyped-def]
    """Greatest vertex of the parabolas through each local maximum of frame i and its two neighbours."""
    best = np.float32(0.0)
    for phase in range(factor):
        before = points[phase - 1, i] if phase else points[factor - 1, i - 1]
        here = points[phase, i]
        after = points[phase + 1, i] if phase + 1 < factor else points[0, i + 1]
        if here < 0.0:
            before, here, after = -before, -here, -after
        if here >= before and here >= after:
            bend = np.float32(2.0) * here - before - after
            if bend > 0.0:
                best = max(best, here + (after - before) ** 2 / (np.float32(8.0) * bend))
    return best
