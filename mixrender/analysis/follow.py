"""Onset curves and a tempo path in, the beats along it one by one out.

The path becomes a clock that counts beats. On it beats have a nearly constant phase, which is followed from
beat to beat; then each beat is slid against the average beat and the slides are smoothed, so that the beats
are the curve through the hits and not the hits themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_RATE_HZ, FINE_RATE_HZ
from mixrender.analysis.smooth import smoothed
from mixrender.analysis.tempo_path import beats_gone

FloatArray = NDArray[np.float64]
Breaks = tuple[int, ...]

_PHASES = 64
_LOUDEST = 6.0
_PARTS = ((0, 1.0), (2, 0.5), (1, 0.2), (3, 0.2))
"""Quarters of a beat and how much a sound there says for the beat."""

_SHIFT_COST = 0.15
_CUT_COST = 40.0
_CUT = 0.08
_OFF_BEAT = 0.024
_OFF_BEAT_S = 0.008
_STEADY_SHIFT_COST = 2.0
_JUMP = 0.03
_SLIDES_S = (0.045, 0.030, 0.020)
_BIN_S = 0.001
_PATTERN = 4
"""The average is taken of every fourth beat."""

_DISTRUST = 3
"""The power of the correlation with which a beat counts: what hardly resembles the average says nothing."""

_LOUDEST_FINE = 12.0
_BATCH = 256
_LEAST_BEATS = 8


@dataclass(frozen=True)
class Train:
    """Beats `beats_s`, shape (n,), rising; `heard_s` is where each seems to be by itself.

    `weights`, 0 to 1: how much of the average beat each holds. `breaks`: beats before which the tempo jumps
    or the beats are cut.
    """

    beats_s: FloatArray
    heard_s: FloatArray
    weights: FloatArray
    breaks: Breaks


def follow(total: NDArray[np.float32], fine: NDArray[np.float32], path_bpm: FloatArray) -> Train | None:
    """The beats of a track; None where there are fewer than eight.

    `total` and `path_bpm`, shape (n,), are at COARSE_RATE_HZ, `fine` at FINE_RATE_HZ.
    """
    clock = beats_gone(path_bpm)
    phases = _phases(total, clock, shift_cost=_SHIFT_COST)
    if phases.size < _LEAST_BEATS:
        return None
    index = np.arange(phases.size)
    frames_s = np.arange(clock.size) / COARSE_RATE_HZ
    beats_s = np.interp(index + phases, clock, frames_s)
    breaks = _breaks(phases, beats_s, path_bpm)
    for slide_s in _SLIDES_S:
        slides_s, weights = _slides(beats_s, fine, slide_s)
        heard = np.interp(beats_s + slides_s, frames_s, clock) - index
        beats_s = np.interp(index + smoothed(heard, weights, breaks=breaks), clock, frames_s)
    heard_s = np.interp(heard + index, clock, frames_s)
    return _rising(Train(beats_s, heard_s, weights, breaks))


def cuts_s(total: NDArray[np.float32], tempo_bpm: float) -> FloatArray:
    """Seconds at which the beats of a steady track are cut: shifted by what is no quarter of a beat.

    Shifts by whole quarters may be music; they are left to the bar lines.
    """
    clock = beats_gone(np.full(total.size, tempo_bpm))
    phases = _phases(total, clock, shift_cost=_STEADY_SHIFT_COST)
    beat_s = np.interp(1.0, clock, np.arange(clock.size)) / COARSE_RATE_HZ
    steps = np.diff(phases)
    off = np.abs(4.0 * steps - np.round(4.0 * steps)) / 4.0
    found = np.flatnonzero((np.abs(steps) > _CUT) & (off > max(_OFF_BEAT, _OFF_BEAT_S / beat_s))) + 1
    return (found + phases[found]) * beat_s


def _phases(total: NDArray[np.float32], clock: FloatArray, *, shift_cost: float) -> FloatArray:
    """By how much of a beat each beat lies after a whole number on the clock; changes are wrapped to ±0.5.

    Viterbi over 64 phases: strong attacks on the beat, some between, at a cost for every change.
    """
    strength = _strength(total, clock)
    if len(strength) < 2:
        return np.zeros(len(strength))
    apart = np.arange(_PHASES)[:, None] - np.arange(_PHASES)[None, :]
    apart = (apart + _PHASES // 2) % _PHASES - _PHASES // 2
    cost = np.minimum(shift_cost * apart.astype(np.float64) ** 2, _CUT_COST)
    best, rows = strength[0].copy(), np.arange(_PHASES)
    origin = np.zeros(strength.shape, dtype=np.intp)
    for beat in range(1, len(strength)):
        reached = best[None, :] - cost
        origin[beat] = np.argmax(reached, axis=1)
        best = reached[rows, origin[beat]] + strength[beat]
    phases = np.zeros(len(strength), dtype=np.intp)
    phases[-1] = int(np.argmax(best))
    for beat in range(len(strength) - 1, 0, -1):
        phases[beat - 1] = origin[beat, phases[beat]]
    steps = (np.diff(phases) + _PHASES // 2) % _PHASES - _PHASES // 2
    return np.asarray((phases[0] + np.concatenate([[0], np.cumsum(steps)])) / _PHASES)


def _strength(total: NDArray[np.float32], clock: FloatArray) -> FloatArray:
    """How strongly each phase of each beat sounds, shape (beats, phases), in units of its own spread."""
    beats = max(int(clock[-1]), 0)
    frames = np.interp(np.arange((beats + 1) * _PHASES) / _PHASES, clock, np.arange(clock.size))
    loud = np.minimum(total / (float(total.mean()) + 1e-9), _LOUDEST).astype(np.float64)
    loud = scipy.ndimage.gaussian_filter1d(loud, 1.5)
    curve = np.interp(frames, np.arange(loud.size), loud)
    quarter, size = _PHASES // 4, beats * _PHASES
    mixed = sum(weight * curve[part * quarter : part * quarter + size] for part, weight in _PARTS)
    strength = np.asarray(mixed).reshape(beats, _PHASES)
    return np.asarray(strength / (strength.std() + 1e-9))


def _breaks(phases: FloatArray, beats_s: FloatArray, path_bpm: FloatArray) -> Breaks:
    """Beats before which the phase is cut or the tempo jumps."""
    cut = np.flatnonzero(np.abs(np.diff(phases)) > _CUT) + 1
    jumps = (np.flatnonzero(np.abs(np.diff(np.log(path_bpm))) > _JUMP) + 1) / COARSE_RATE_HZ
    jumped = np.searchsorted(beats_s, jumps)
    return tuple(int(i) for i in np.union1d(cut, jumped) if 2 <= i <= beats_s.size - 2)


def _slides(beats_s: FloatArray, fine: NDArray[np.float32], slide_s: float) -> tuple[FloatArray, FloatArray]:
    """How much later than its place each beat lies, and how much of the average beat it holds, 0 to 1."""
    bins = max(round(float(np.median(np.diff(beats_s))) / _BIN_S), 8)
    reach = round(slide_s / _BIN_S)
    cut = _cut(beats_s, fine, np.arange(-reach, bins + reach) / bins - 0.5)
    middle = cut[:, reach : reach + bins]
    level = np.stack([middle[k::_PATTERN].mean(axis=0) for k in range(_PATTERN)])
    level -= level.mean(axis=1, keepdims=True)
    size = scipy.fft.next_fast_len(cut.shape[1])
    spectra = np.conj(scipy.fft.rfft(level, size, axis=1))
    match = np.zeros((beats_s.size, 2 * reach + 1))
    for start in range(0, beats_s.size, _BATCH):
        rows = np.arange(start, min(start + _BATCH, beats_s.size))
        product = scipy.fft.rfft(cut[rows], size, axis=1) * spectra[rows % _PATTERN]
        match[rows] = scipy.fft.irfft(product, size, axis=1)[:, : 2 * reach + 1]
    power = np.sqrt(middle.var(axis=1) * np.tile(level.var(axis=1), beats_s.size)[: beats_s.size]) * bins
    return _best_slides(match, power)


def _best_slides(match: FloatArray, power: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The peak of each row in seconds from its middle, and its height over `power`, squared."""
    reach, rows = match.shape[1] // 2, np.arange(len(match))
    best = np.argmax(match, axis=1)
    inner = np.clip(best, 1, 2 * reach - 1)
    left, peak, right = (match[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2.0 * peak + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    weights = np.clip(peak / np.maximum(power, 1e-9), 0.0, 1.0) ** _DISTRUST
    weights[best != inner] = 0.0
    return (inner + np.clip(shift, -1.0, 1.0) - reach) * _BIN_S, weights


def _cut(beats_s: FloatArray, fine: NDArray[np.float32], places: FloatArray) -> FloatArray:
    """The curve around each beat, shape (beats, places); `places` are beats from it, within ±1."""
    first, last = 2.0 * beats_s[0] - beats_s[1], 2.0 * beats_s[-1] - beats_s[-2]
    clock = np.concatenate([[first], beats_s, [last]])
    at = np.arange(1.0, beats_s.size + 1.0)[:, None] + places[None, :]
    frames = np.interp(at, np.arange(clock.size), clock) * FINE_RATE_HZ
    loud = np.minimum(fine, _LOUDEST_FINE)
    return np.asarray(np.interp(frames, np.arange(fine.size), loud, left=0.0, right=0.0))


def _rising(train: Train) -> Train:
    """The same train; where smoothing turned two beats around, they are drawn apart."""
    least_s = 0.1 * float(np.median(np.diff(train.beats_s)))
    index = np.arange(train.beats_s.size) * least_s
    rising = np.maximum.accumulate(train.beats_s - index) + index
    return Train(rising, train.heard_s, train.weights, train.breaks)
