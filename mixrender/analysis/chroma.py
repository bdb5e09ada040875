"""A mono signal in, how strongly each of the twelve tones sounds at each moment, and the tuning, out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.onsets import RATE_HZ

FloatArray = NDArray[np.float64]

HOP = 1024
FRAME_RATE_HZ = RATE_HZ / HOP
_PER_SEMITONE = 3
_LOWEST_HZ = 130.8128
"""C3. Below it lie kicks and basses, whose notes are shorter than it takes to tell their pitch."""
_OCTAVES = 5
_HELD_FRAMES = 9
_PIECE_S = 120.0
_SHORTEST_S = 4.0
_TUNING_FFT = 8192
_TUNING_HZ = (200.0, 2000.0)
_TUNING_LEAST = 0.1
"""Of the strongest bin of the moment: what is weaker is no clear peak."""
_NEAR_CENTS = 15.0


@dataclass(frozen=True)
class Tones:
    """The twelve tones at FRAME_RATE_HZ.

    `frames`: shape (12, n), magnitude of each tone, C first; `tonal`: shape (n,), which part of the spectrum
    they are, 0 (noise, drums) to about 0.3 (held chords alone). `tuning_cents`: how far the tones lie above
    A = 440 Hz, -50 to 50; None where nothing has a pitch.
    """

    frames: FloatArray
    tonal: FloatArray
    tuning_cents: float | None

    @property
    def mean(self) -> FloatArray:
        """Mean magnitude of each tone, shape (12,)."""
        return np.asarray(self.frames.mean(axis=1))

    def until(self, time_s: float) -> Tones:
        """The tones before a moment."""
        stop = max(round(time_s * FRAME_RATE_HZ), 1)
        return Tones(self.frames[:, :stop], self.tonal[:stop], self.tuning_cents)


def tones_of(signal: NDArray[np.float32]) -> Tones:
    """The tones of a mono signal, shape (n,) at RATE_HZ; two minutes at a time bound the memory.

    From a constant-Q transform (Schörkhuber and Klapuri, "Constant-Q transform toolbox for music
    processing", SMC 2010) with three bins to a semitone, tuned to the music. A tone is what the middle bin
    of a semitone holds more than the bins beside it, and holds for most of 0.4 s. Noise is as strong in all
    three bins, and attacks are short: neither counts.
    """
    pieces = _pieces(signal)
    tuning_cents = _tuning_cents(pieces)
    parts = [_tones_and_sums(piece, tuning_cents or 0.0) for piece in pieces]
    frames = np.concatenate([tones for tones, _ in parts], axis=1)
    sums = np.concatenate([sums for _, sums in parts])
    tonal = frames.sum(axis=0) / np.maximum(sums, 1e-9)
    return Tones(frames, np.asarray(tonal), tuning_cents)


def _pieces(signal: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """The signal in pieces of whole frames (but for the last), none shorter than the longest filter."""
    missing = round(_SHORTEST_S * RATE_HZ) - signal.size
    padded = np.pad(signal, (0, missing)) if missing > 0 else signal
    count = max(round(padded.size / RATE_HZ / _PIECE_S), 1)
    length = padded.size // count // HOP * HOP
    return np.split(padded, [length * index for index in range(1, count)])


def _tones_and_sums(piece: NDArray[np.float32], tuning_cents: float) -> tuple[FloatArray, FloatArray]:
    """Tones, shape (12, n), and the sum of the whole spectrum, shape (n,), for n = size / HOP."""
    import librosa  # takes seconds to import; only the analysis of a new file needs it

    spectrum = np.abs(
        librosa.cqt(
            piece,
            sr=RATE_HZ,
            hop_length=HOP,
            # One semitone below the lowest tone, for its lower side bin.
            fmin=_LOWEST_HZ * 2.0 ** (tuning_cents / 1200.0 - 1.0 / 12.0),
            n_bins=_PER_SEMITONE * (12 * _OCTAVES + 1),
            bins_per_octave=_PER_SEMITONE * 12,
            tuning=0.0,
        )
    )[:, : max(piece.size // HOP, 1)]
    middle, above, below = (
        spectrum[_PER_SEMITONE + shift :: _PER_SEMITONE][: 12 * _OCTAVES] for shift in (0, 1, -1)
    )
    tones = np.maximum(middle - 0.5 * (above + below), 0.0)
    held = scipy.ndimage.median_filter(tones, size=(1, _HELD_FRAMES), mode="nearest")
    octaves = held.reshape(_OCTAVES, 12, -1).sum(axis=0)
    return octaves.astype(np.float64), (middle + above + below).sum(axis=0).astype(np.float64)


def _tuning_cents(pieces: list[NDArray[np.float32]]) -> float | None:
    """How far spectral peaks lie off the notes of A = 440 Hz: the densest place, then the mean near it."""
    found = [_deviations(piece) for piece in pieces]
    cents = np.concatenate([deviations for deviations, _ in found])
    weights = np.concatenate([weights for _, weights in found])
    if weights.sum() <= 0.0:
        return None
    counts = np.bincount(np.floor(cents + 50.0).astype(int) % 100, weights=weights, minlength=100)
    smooth = scipy.ndimage.gaussian_filter1d(counts, 5.0, mode="wrap")
    centre = float(np.argmax(smooth)) - 49.5
    for _ in range(3):
        off = _wrapped(cents - centre)
        near = weights * (np.abs(off) < _NEAR_CENTS)
        centre += float((near * off).sum() / max(near.sum(), 1e-12))
    return float(_wrapped(np.array(centre)))


def _deviations(piece: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Cents by which each clear spectral peak lies above its nearest note, and its magnitude.

    The peaks of magnitudes are refined by a parabola through three bins, as `librosa.piptrack` does it. That
    function itself crashes for good once two processes have compiled it at the same time.
    """
    import librosa

    spectrum = np.abs(librosa.stft(piece, n_fft=_TUNING_FFT, hop_length=_TUNING_FFT))
    below, middle, above = spectrum[:-2], spectrum[1:-1], spectrum[2:]
    bins = np.arange(1, len(spectrum) - 1)[:, np.newaxis]
    bins_hz = bins * (RATE_HZ / _TUNING_FFT)
    clear = (middle > below) & (middle >= above) & (middle > _TUNING_LEAST * spectrum.max(axis=0))
    clear &= (bins_hz >= _TUNING_HZ[0]) & (bins_hz < _TUNING_HZ[1])
    low, peak, high = (part[clear].astype(np.float64) for part in (below, middle, above))
    # Both peak - low > 0 and peak - high >= 0: the curvature is never 0, and the shift within half a bin.
    shift = 0.5 * (high - low) / ((peak - low) + (peak - high))
    hz = (np.broadcast_to(bins, clear.shape)[clear] + shift) * (RATE_HZ / _TUNING_FFT)
    midi = librosa.hz_to_midi(hz)
    return 100.0 * (midi - np.round(midi)), peak + 0.25 * (high - low) * shift


def _wrapped(cents: FloatArray) -> FloatArray:
    return np.asarray((cents + 50.0) % 100.0 - 50.0)
