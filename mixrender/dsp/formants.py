"""Sound whose pitch was shifted by reading faster goes in; the same pitch with the old formants comes out.

Reading faster by a ratio moves the spectral envelope by that ratio too: what a voice has at 700 Hz is then at
700 Hz times the ratio. A filter that changes with time gives each frequency the level that the envelope has
at `ratio` times that frequency. Its phase is zero, so nothing moves in time, and both channels get the same.

The envelope is that of CheapTrick: M. Morise, "CheapTrick, a spectral envelope estimator for high-quality
speech synthesis", Speech Communication 67 (2015): power smoothed over two thirds of the fundamental, and a
lifter that takes the harmonics' ripple away and gives the formants back their sharpness.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from mixrender.units import FloatArray, db_to_gain

FORMANTS_VERSION = "1"
"""Raised whenever the same sound would give other samples here, so that what is kept on disk is made anew."""

LOWEST_HZ, HIGHEST_HZ = 60.0, 600.0
"""Range of the fundamentals that are looked for."""

UNPITCHED_HZ = 120.0
"""Taken for the fundamental where there is none, as in whispers, consonants and drums."""

SURE = 0.35
"""Likeness of a frame to itself a period later, from which it has a pitch."""

HARMONICS_TO_HZ = 5000.0
TOP_HZ = (8000.0, 10000.0)
"""Between these the correction fades out: above there are no formants, and a shift may leave nothing."""

LARGEST_CHANGE_DB = 30.0

_RECOVERY = 0.15
"""CheapTrick's q1, with its sign changed."""

_FLOOR = 1e-9
"""Power against the frame's strongest bin below which there is nothing to be shaped."""

_BATCH = 128

ReadFrames = Callable[[int, int], NDArray[np.float32] | FloatArray]


def keep_formants(
    read: ReadFrames, start: int, stop: int, *, ratio: float, sample_rate_hz: int
) -> FloatArray:
    """Frames [start, stop) of the sound that `read` gives, its envelope moved back down by `ratio`.

    `read(start, stop)` gives frames of shape (n, 2) of a sound whose pitch is `ratio` (0.25 to 4) times what
    it was. Returns shape (stop - start, 2), float64. The windows of 46 ms lie on whole hops of the time line,
    so the result does not depend on how it is cut into blocks. Each window keeps its power.
    """
    window = window_frames(sample_rate_hz)
    hop = window // 4
    first = (start - window) // hop + 1
    last = (stop - 1) // hop
    origin = first * hop
    sound = np.asarray(read(origin, last * hop + window), dtype=np.float64)
    out = np.zeros_like(sound)
    shape = np.hanning(window + 1)[:-1]
    for begin in range(0, last - first + 1, _BATCH):
        at = np.arange(begin, min(begin + _BATCH, last - first + 1)) * hop
        parts = sound[at[:, np.newaxis] + np.arange(window)] * shape[:, np.newaxis]
        spectra = rfft(parts, axis=1)
        power = np.sum(np.square(np.abs(spectra)), axis=2)
        gain = _gains(power, ratio=ratio, sample_rate_hz=sample_rate_hz)
        shaped = irfft(spectra * gain[:, :, np.newaxis], window, axis=1) * shape[:, np.newaxis]
        for place, part in zip(at, shaped, strict=True):
            out[place : place + window] += part
    # Squared Hann windows a quarter apart add up to 3/2.
    return out[start - origin : stop - origin] / 1.5


def window_frames(sample_rate_hz: int) -> int:
    """Length of a window: 2048 at 44.1 and 48 kHz, twice that at 96 kHz."""
    return 1 << max(0, (sample_rate_hz // 32).bit_length())


def fundamentals_hz(power: FloatArray, *, sample_rate_hz: int) -> FloatArray:
    """Fundamental of each frame from its power spectrum, shape (n, bins); UNPITCHED_HZ where there is none.

    The autocorrelation of the spectrum's magnitude to the power of 2/3, after T. Tolonen and M. Karjalainen,
    "A computationally efficient multipitch analysis model", IEEE Trans. Speech Audio Proc. 8 (2000); of
    peaks nearly as high as the highest the shortest period counts.
    """
    window = 2 * (power.shape[1] - 1)
    bins = np.arange(power.shape[1])
    heard = bins * sample_rate_hz / window <= HARMONICS_TO_HZ
    likeness = irfft(np.where(heard, np.cbrt(power), 0.0), window, axis=1)
    short, long = int(sample_rate_hz / HIGHEST_HZ), int(sample_rate_hz / LOWEST_HZ)
    # A frame has less of itself under its window the later the period: a triangle is near enough to that.
    lags = np.arange(short - 1, long + 2)
    part = likeness[:, lags] / (likeness[:, :1] + 1e-30) / (1.0 - lags / window)
    peaks = (part[:, 1:-1] >= part[:, :-2]) & (part[:, 1:-1] > part[:, 2:])
    height = np.where(peaks, part[:, 1:-1], 0.0)
    best = height.max(axis=1, keepdims=True)
    chosen = np.argmax(height >= 0.9 * best, axis=1)
    period = lags[1:-1][chosen]
    return np.where(best[:, 0] >= SURE, sample_rate_hz / period, UNPITCHED_HZ)


def envelopes(power: FloatArray, fundamentals: FloatArray, *, sample_rate_hz: int) -> FloatArray:
    """Natural logarithm of the spectral envelope of power spectra, shape (n, bins), by CheapTrick."""
    window = 2 * (power.shape[1] - 1)
    smooth = _smoothed(power, 2.0 / 3.0 * fundamentals * window / sample_rate_hz)
    floor = _FLOOR * power.max(axis=1, keepdims=True) + 1e-30
    cepstra = irfft(np.log(smooth + floor), window, axis=1)[:, : window // 2 + 1]
    turns = fundamentals[:, np.newaxis] * np.arange(window // 2 + 1) / sample_rate_hz
    recovery = 1.0 + 2.0 * _RECOVERY - 2.0 * _RECOVERY * np.cos(2.0 * np.pi * turns)
    kept = cepstra * np.sinc(turns) * recovery
    return np.asarray(rfft(np.concatenate((kept, kept[:, -2:0:-1]), axis=1), axis=1).real)


def _gains(power: FloatArray, *, ratio: float, sample_rate_hz: int) -> FloatArray:
    """Factor for every bin of every frame: the envelope at `ratio` times the frequency, against its own."""
    hz = np.arange(power.shape[1]) * sample_rate_hz / (2 * (power.shape[1] - 1))
    pitch = fundamentals_hz(power, sample_rate_hz=sample_rate_hz)
    envelope = envelopes(power, pitch, sample_rate_hz=sample_rate_hz)
    change_db = 10.0 / np.log(10.0) * (_at_ratio(envelope, ratio) - envelope)
    change_db = np.clip(change_db, -LARGEST_CHANGE_DB, LARGEST_CHANGE_DB)
    low, high = TOP_HZ
    gain = db_to_gain(change_db * np.clip((high - hz) / (high - low), 0.0, 1.0))
    after = np.sum(np.square(gain) * power, axis=1, keepdims=True)
    return np.asarray(gain * np.sqrt((np.sum(power, axis=1, keepdims=True) + 1e-30) / (after + 1e-30)))


def _at_ratio(envelope: FloatArray, ratio: float) -> FloatArray:
    """Each row at `ratio` times its bins, straight between them; beyond the end its last value."""
    places = np.minimum(np.arange(envelope.shape[1]) * ratio, envelope.shape[1] - 1.0)
    below = np.minimum(places.astype(np.int64), envelope.shape[1] - 2)
    share = places - below
    return np.asarray(envelope[:, below] * (1.0 - share) + envelope[:, below + 1] * share)


def _smoothed(power: FloatArray, width_bins: FloatArray) -> FloatArray:
    """Mean of each row over a width of its own around each bin; the spectrum is mirrored at its ends."""
    bins = power.shape[1]
    mirrored = np.concatenate((power[:, :0:-1], power, power[:, -2::-1]), axis=1)
    sums = np.concatenate((np.zeros((len(power), 1)), np.cumsum(mirrored, axis=1)), axis=1)
    middle = np.arange(bins) + bins - 0.5
    rows = np.arange(len(power))[:, np.newaxis]

    def up_to(place: FloatArray) -> FloatArray:
        below = place.astype(np.int64)
        share = place - below
        return np.asarray(sums[rows, below] * (1.0 - share) + sums[rows, below + 1] * share)

    half = width_bins[:, np.newaxis] / 2.0
    return np.asarray((up_to(middle + half) - up_to(middle - half)) / (2.0 * half))
