"""Sound goes in, block by block; the same sound with no true peak above a ceiling comes out, nothing shifted.

One gain serves all channels. The reduction that the waveform's peaks need (in dB) is held over a window that
reaches ahead and back, let go slowly, and smoothed by a short filter: an average of values none of which is
too small, so the gain is low enough at every peak, and it moves smoothly on both sides of it. Where nothing
near lies above the ceiling, the sound comes out bit for bit. This is the common scheme of a look-ahead
limiter; the figures below are this module's own.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d

from mixrender.dsp.true_peak import (
    CHUNK_FRAMES,
    METER_TAPS,
    Float32Array,
    PeakEnvelope,
    interpolator,
    oversampling_factor,
)
from mixrender.units import FloatArray, db_to_gain, seconds_to_frames


class Pace(NamedTuple):
    """How fast a limiter moves: the slower, the less it distorts; the faster, the louder the sound becomes.

    `smoothing_s`: the gain moves over this time ahead of a peak, at most 4/3 as fast as a straight line.
    `hold_s`: with the time ahead this spans half a cycle of the lowest tone that does not modulate itself.
    `release_s`: time constant of the way back, in dB; its end is a line of `RELEASE_FLOOR_DB_PER_S`.
    `margin_db`: so far below the ceiling it aims, as more peaks come near it, and coarse meters ripple.
    """

    smoothing_s: float
    hold_s: float
    release_s: float
    margin_db: float


PACES = (
    Pace(smoothing_s=0.006, hold_s=0.015, release_s=0.1, margin_db=0.0),
    Pace(smoothing_s=0.004, hold_s=0.008, release_s=0.05, margin_db=0.03),
    Pace(smoothing_s=0.003, hold_s=0.004, release_s=0.03, margin_db=0.03),
    Pace(smoothing_s=0.002, hold_s=0.002, release_s=0.015, margin_db=0.03),
)
"""From the slowest, the usual one, on. At 44.1 kHz 10 dB move 0.05, 0.08, 0.1 and 0.15 dB a sample at most;
half a cycle is 24, 42, 71 and 125 Hz; the harmonics of 60 Hz, 6 dB over, lie 290, 150, 90 and 45 dB down."""

RELEASE_FLOOR_DB_PER_S = 1.0

REDUCTIONS_PER_S = 10
"""Values a second of what is told of the gain reduction over time."""

LONG_TAPS = 128
LONG_BETA = 5.0
"""The second, longer interpolator: near half the sample rate, where the waveform between the samples depends
on who interpolates, it stands for the meters with a steeper filter than this program's own."""

_MARGIN_FRAMES = 8  # neighbours of a peak that shape it share its reduction


class Limiter:
    """A true-peak limiter for a stream of sound; the output lies behind the input until `flush`.

    The total length and the place of every frame stay the same, and the output does not depend on how the
    stream is cut into blocks. Memory is bounded.
    """

    def __init__(self, *, ceiling_dbtp: float, sample_rate_hz: int, channels: int = 2, pace: Pace = PACES[0]):
        self._ceiling_dbtp = ceiling_dbtp - pace.margin_db
        self._ceiling = db_to_gain(self._ceiling_dbtp)
        self._envelope = _WorstEnvelope(sample_rate_hz=sample_rate_hz, channels=channels)
        self._gain = _GainCurve(sample_rate_hz, pace)
        self._delay_frames = self._envelope.lag_frames + self._gain.lag_frames
        self._waiting = np.zeros((0, channels))
        self._delayed = np.zeros((self._delay_frames, channels))
        self._last_peak = 0.0
        self._frames_in = 0
        self._frames_out = -self._delay_frames
        self._reduction_sum_db = 0.0
        self._reductions = _Reductions(sample_rate_hz)

    @property
    def max_reduction_db(self) -> float:
        """The greatest gain reduction so far, in dB, 0 or more."""
        return float(self.reductions_db().max(initial=0.0))

    def reductions_db(self) -> Float32Array:
        """The greatest gain reduction in each tenth of a second so far, in dB, 0 or more, shape (tenths,)."""
        return self._reductions.series(self._frames_heard)

    def mean_reductions_db(self) -> Float32Array:
        """The mean gain reduction in each tenth of a second so far, in dB, 0 or more, shape (tenths,)."""
        return self._reductions.means(self._frames_heard)

    @property
    def _frames_heard(self) -> int:
        return max(min(self._frames_out, self._frames_in), 0)

    @property
    def mean_reduction_db(self) -> float:
        """The mean over all frames so far of the gain reduction in dB."""
        frames = min(self._frames_out, self._frames_in)
        return self._reduction_sum_db / frames if frames > 0 else 0.0

    def push(self, x: NDArray[np.floating]) -> FloatArray:
        """Take a block of shape (n, channels); return what is ready of the output, shape (m, channels)."""
        self._frames_in += len(x)
        waiting = np.concatenate((self._waiting, x))
        whole = len(waiting) - len(waiting) % CHUNK_FRAMES
        self._waiting = waiting[whole:]
        ready = [self._limited(waiting[i : i + CHUNK_FRAMES]) for i in range(0, whole, CHUNK_FRAMES)]
        return np.concatenate([self._waiting[:0], *ready])

    def flush(self) -> FloatArray:
        """Return the rest of the output; the stream ends here."""
        missing = self._frames_in - max(self._frames_out, 0)
        silence = np.zeros((CHUNK_FRAMES, self._delayed.shape[1]))
        rest = [self._limited(np.concatenate((self._waiting, silence))[:CHUNK_FRAMES])]
        while sum(map(len, rest)) < missing:
            rest.append(self._limited(silence))
        return np.concatenate(rest)[:missing]

    def _limited(self, chunk: FloatArray) -> FloatArray:
        """One chunk of input, in; the next of output, less what lies before the first frame."""
        gain_db = self._gain.push(self._needed_db(chunk))
        sound = np.concatenate((self._delayed, chunk))
        self._delayed = sound[len(chunk) :]
        y = sound[: len(chunk)]
        reduced = gain_db < 0.0
        if reduced.any():
            y = y.copy()
            y[reduced] *= db_to_gain(gain_db[reduced])[:, None]
        first = max(-self._frames_out, 0)
        heard_db = gain_db[first : max(self._frames_in - self._frames_out, 0)]
        self._reductions.push(heard_db, start=max(self._frames_out, 0))
        self._reduction_sum_db -= float(heard_db.sum())
        self._frames_out += len(chunk)
        return y[first:]

    def _needed_db(self, chunk: FloatArray) -> FloatArray:
        """Gain in dB, 0 or less, that brings the waveform on both sides of each frame down to the ceiling."""
        peaks = self._envelope.push(chunk, floor=self._ceiling).astype(np.float64)
        around = np.maximum(peaks, np.concatenate(([self._last_peak], peaks[:-1])))
        self._last_peak = float(peaks[-1])
        needed_db = np.zeros(len(chunk))
        over = around > self._ceiling
        needed_db[over] = self._ceiling_dbtp - 20.0 * np.log10(around[over])
        return needed_db


def limit(
    x: NDArray[np.floating], *, ceiling_dbtp: float, sample_rate_hz: int, pace: Pace = PACES[0]
) -> FloatArray:
    """Limit a whole piece of sound, shape (n, channels), to a ceiling in dBTP; the shape stays the same."""
    limiter = Limiter(
        ceiling_dbtp=ceiling_dbtp, sample_rate_hz=sample_rate_hz, channels=x.shape[1], pace=pace
    )
    return np.concatenate((limiter.push(x), limiter.flush()))


class _WorstEnvelope:
    """The greater of the peaks that two interpolators find, the meter's own and a longer one."""

    def __init__(self, *, sample_rate_hz: int, channels: int):
        factor = oversampling_factor(sample_rate_hz)
        short = interpolator(factor=factor, taps=METER_TAPS)
        long = interpolator(factor=factor, taps=LONG_TAPS, beta=LONG_BETA)
        self._short = PeakEnvelope(short, channels=channels)
        self._long = PeakEnvelope(long, channels=channels)
        self.lag_frames = self._long.lag_frames
        self._early = np.zeros(self._long.lag_frames - self._short.lag_frames, np.float32)

    def push(self, block: FloatArray, *, floor: float) -> Float32Array:
        """As `PeakEnvelope.push`."""
        early = np.concatenate((self._early, self._short.push(block, floor=floor)))
        self._early = early[len(block) :]
        return np.maximum(early[: len(block)], self._long.push(block, floor=floor))


class _Reductions:
    """Keeps the greatest and the mean reduction in each tenth of a second of a stream: 12 bytes for each."""

    def __init__(self, sample_rate_hz: int):
        self._sample_rate_hz = sample_rate_hz
        self._greatest_db = np.zeros(64, np.float32)
        self._sums_db = np.zeros(64)

    def push(self, gain_db: FloatArray, *, start: int) -> None:
        """Take the gains of the frames from `start` on."""
        if not gain_db.any():
            return
        tenths = np.arange(start, start + len(gain_db)) * REDUCTIONS_PER_S // self._sample_rate_hz
        if tenths[-1] >= len(self._greatest_db):
            self._greatest_db = np.pad(self._greatest_db, (0, int(tenths[-1])))
            self._sums_db = np.pad(self._sums_db, (0, int(tenths[-1])))
        np.maximum.at(self._greatest_db, tenths, 0.0 - gain_db.astype(np.float32))
        np.subtract.at(self._sums_db, tenths, gain_db)

    def series(self, frames: int) -> Float32Array:
        """The reductions in the first `frames` frames, the last tenth of a second being shorter."""
        tenths = self._tenths(frames)
        known = self._greatest_db[:tenths]
        return np.pad(known, (0, tenths - len(known)))

    def means(self, frames: int) -> Float32Array:
        """As `series`, the mean over the frames of each tenth."""
        tenths = self._tenths(frames)
        known = self._sums_db[:tenths]
        edges = -(-np.arange(tenths + 1) * self._sample_rate_hz // REDUCTIONS_PER_S)
        lengths = np.maximum(np.diff(np.minimum(edges, frames)), 1)
        return np.asarray(np.pad(known, (0, tenths - len(known))) / lengths, np.float32)

    def _tenths(self, frames: int) -> int:
        return -(-frames * REDUCTIONS_PER_S // self._sample_rate_hz)


class _GainCurve:
    """Turns a stream of needed gains in dB into a smooth one that nowhere exceeds them."""

    def __init__(self, sample_rate_hz: int, pace: Pace):
        ahead = seconds_to_frames(pace.smoothing_s, sample_rate_hz)
        self.lag_frames = ahead + _MARGIN_FRAMES
        self._smoother = _tukey(ahead + 1)
        self._window = seconds_to_frames(pace.hold_s, sample_rate_hz) + self.lag_frames + 1
        self._rate = -math.expm1(-1.0 / (pace.release_s * sample_rate_hz))
        self._least_step_db = RELEASE_FLOOR_DB_PER_S / sample_rate_hz
        self._needed_db = np.zeros(self._window - 1)
        self._released_db = np.zeros(ahead)

    def push(self, needed_db: FloatArray) -> FloatArray:
        """Take n needed gains (0 or less); return n gains for the frames `lag_frames` earlier."""
        n = len(needed_db)
        needed_db = np.concatenate((self._needed_db, needed_db))
        self._needed_db = needed_db[n:]
        if not needed_db.any() and not self._released_db.any():
            return np.zeros(n)
        middle = self._window // 2
        held_db = minimum_filter1d(needed_db, self._window, mode="nearest")[middle : middle + n]
        released_db = np.concatenate((self._released_db, held_db))
        _release(released_db, len(self._released_db), self._rate, self._least_step_db)
        self._released_db = released_db[n:]
        smooth_db = np.zeros(n)
        _smooth(released_db, self._smoother, smooth_db)
        return smooth_db


def _tukey(length: int) -> FloatArray:
    """Weights that sum to 1: flat in the middle half, a raised cosine at both ends, none of them 0."""
    position = (np.arange(length) + 0.5) / length
    edge = np.minimum(np.minimum(position, 1.0 - position) / 0.25, 1.0)
    weights = 0.5 - 0.5 * np.cos(np.pi * edge)
    return np.asarray(weights / weights.sum())


@numba.njit(cache=True, nogil=True)
def _release(gain_db, start, rate, least_step_db):  # type: ignore[no-untyped-def]
    """Let each gain from `start` on rise from the one before it no faster than the release allows."""
    for i in range(start, len(gain_db)):
        last = gain_db[i - 1]
        rise = gain_db[i] - last
        if rise > 0.0:
            gain_db[i] = last + min(rise, max(rise * rate, least_step_db))


@numba.njit(cache=True, nogil=True)
def _smooth(gain_db, weights, out):  # type: ignore[no-untyped-def]
    """Add the weighted means of each len(weights) neighbours of gain_db (n + len(weights) - 1) to out (n)."""
    for k in range(len(weights)):
        weight = weights[k]
        shifted = gain_db[k : k + len(out)]
        for i in range(len(out)):
            out[i] += weight * shifted[i]
