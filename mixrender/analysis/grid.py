"""A fine onset curve and a rough tempo in, the straight line of beats through the whole track out.

The curve is cut into bars of the rough tempo. Each bar is slid against the average bar; a line through the
best slides corrects the tempo. All that repeats counts: which pulse is the beat does not matter yet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from mixrender.analysis.onsets import FINE_RATE_HZ, RATE_HZ
from mixrender.units import beats_to_seconds, interval_to_bpm

FloatArray = NDArray[np.float64]

_PULSES = 4
"""Beats in one slid window."""
_SLIDES_S = (0.045, 0.030, 0.020, 0.015, 0.012)
_BIN_S = 0.001
_TUKEY_S = 0.010
_ROUND_RELATIVE = 2e-5
_ROUND_DRIFT_S = 0.0015
_ATTACK_SPAN_S = 0.045
_ATTACK_CLAMP_S = 0.012
_ATTACK_RISE = 0.2
_ATTACK_HIGHPASS_HZ = 300.0
_BLOCK_SAMPLES = 1 << 18


@dataclass(frozen=True)
class LineFit:
    """Beats at `origin_s + i * beat_s`, up to a shift that `anchored` finds.

    `slides_s` and `weights`, one for each window of four beats: how far it lies off the line, and how much of
    the average it holds. `profile` is the average window, one value a millisecond.
    """

    beat_s: float
    origin_s: float
    slides_s: FloatArray
    weights: FloatArray
    profile: FloatArray
    tempo_error_relative: float

    @property
    def tempo_bpm(self) -> float:
        """Tempo of the line."""
        return interval_to_bpm(self.beat_s)

    def misfit_s(self) -> float:
        """90th percentile (by weight) of how far runs of eight windows lie off the line."""
        width = min(8, self.slides_s.size)
        kernel = np.ones(width)
        weight = np.convolve(self.weights, kernel, "valid")
        runs = np.convolve(self.slides_s * self.weights, kernel, "valid") / np.maximum(weight, 1e-12)
        order = np.argsort(np.abs(runs))
        share = np.cumsum(weight[order]) / max(float(weight.sum()), 1e-12)
        return float(np.abs(runs[order])[min(int(np.searchsorted(share, 0.9)), order.size - 1)])


def fit_line(fine: NDArray[np.float32], tempo_bpm: float) -> LineFit | None:
    """Fit the line to a curve of shape (n,) at FINE_RATE_HZ; None when fewer than four windows fit in."""
    beat_s, origin_s = beats_to_seconds(1.0, tempo_bpm), 0.0
    windows_s = fine.size / FINE_RATE_HZ
    if windows_s < 4.0 * _PULSES * beat_s:
        return None
    for slide_s in _SLIDES_S:
        cut, starts_s = _cut(fine, beat_s, origin_s)
        profile = cut.mean(axis=0)
        slides_s, weights = _slides(cut, profile, slide_s)
        offset_s, slope, slope_error = _robust_line(starts_s, slides_s, weights)
        origin_s += offset_s + slope * origin_s
        beat_s *= 1.0 + slope
    cut, starts_s = _cut(fine, beat_s, origin_s)
    profile = cut.mean(axis=0)
    slides_s, weights = _slides(cut, profile, 0.045)
    return LineFit(beat_s, origin_s % beat_s, slides_s, weights, profile, slope_error)


def anchored(fit: LineFit) -> float:
    """Time in seconds, within the first beat, of the strongest train of pulses a beat apart.

    Whether that is the beat or the place between two is for the bar lines to decide.
    """
    pulse = fit.profile.reshape(_PULSES, -1).mean(axis=0)
    smooth = _circular_smooth(pulse, 5)
    size = smooth.size
    halves = np.roll(smooth, -(size // 2))
    quarters = np.roll(smooth, -(size // 4)) + np.roll(smooth, -(3 * size // 4))
    best = int(np.argmax(smooth + 0.5 * halves + 0.2 * quarters))
    return (fit.origin_s + best / size * fit.beat_s) % fit.beat_s


def attack_offset_s(signal: NDArray[np.float32], beats_s: FloatArray) -> float:
    """How much later than `beats_s` their sounds set in: seconds, from -0.012 to 0.012.

    The power around all beats is stacked; the attack is where it first rises to a fifth of its peak. What
    lies below 300 Hz is left out: a bass wave of 10 ms and more has no sharper beginning than that.
    """
    reach = round(_ATTACK_SPAN_S * RATE_HZ)
    centres = np.round(beats_s * RATE_HZ).astype(int)
    centres = centres[(centres >= reach) & (centres < signal.size - reach)]
    if centres.size < 4:
        return 0.0
    smooth = round(0.001 * RATE_HZ)
    stack = np.zeros((centres.size, 2 * reach))
    for row, piece in enumerate(_highpassed_around(signal, centres, reach)):
        stack[row] = np.convolve(piece.astype(np.float64) ** 2, np.ones(smooth) / smooth, "same")
    before, after = stack[:, : reach - smooth].mean(axis=1), stack[:, reach:].max(axis=1)
    contrast = after / (before + 1e-9 + 1e-3 * float(after.max()))
    kept = stack[contrast >= np.median(contrast)]
    envelope = (kept / np.maximum(kept.max(axis=1, keepdims=True), 1e-12)).mean(axis=0)
    clamp = round(_ATTACK_CLAMP_S * RATE_HZ)
    base = float(np.median(envelope[: reach - clamp]))
    peak = float(envelope[reach - clamp : reach + 2 * clamp].max())
    above = envelope[reach - clamp : reach + clamp] >= base + _ATTACK_RISE * (peak - base)
    if peak < 1.5 * base or not above.any() or above[0]:
        return 0.0
    return (int(np.argmax(above)) - clamp + 0.5) / RATE_HZ


def _highpassed_around(
    signal: NDArray[np.float32], centres: NDArray[np.int64], reach: int
) -> Iterator[NDArray[np.float32]]:
    """The signal without what lies below 300 Hz, `reach` samples to each side of each of the rising centres.

    It is filtered block by block: a whole track is never held twice.
    """
    sections = scipy.signal.butter(2, _ATTACK_HIGHPASS_HZ, "highpass", fs=RATE_HZ, output="sos")
    sections = sections.astype(np.float32)
    state = np.zeros((len(sections), 2), np.float32)
    tail = np.zeros(2 * reach, np.float32)
    row = 0
    for start in range(0, signal.size, _BLOCK_SAMPLES):
        block, state = scipy.signal.sosfilt(sections, signal[start : start + _BLOCK_SAMPLES], zi=state)
        filtered = np.concatenate([tail, block])
        while row < centres.size and centres[row] + reach <= start + block.size:
            first = centres[row] - start + reach
            yield filtered[first : first + 2 * reach]
            row += 1
        tail = filtered[-2 * reach :]


def rounded_tempo(tempo_bpm: float, *, error_relative: float, duration_s: float) -> float:
    """The whole or half number of BPM that a fitted tempo cannot be told from, else the tempo itself.

    Producers set whole tempos; a fit is off by less than 0.002 %, or than 1.5 ms from end to end.
    """
    whole = round(2.0 * tempo_bpm) / 2.0
    off = abs(whole / tempo_bpm - 1.0)
    allowed = max(_ROUND_RELATIVE, _ROUND_DRIFT_S / max(duration_s, 1.0), min(2.0 * error_relative, 1e-4))
    return whole if off <= allowed else tempo_bpm


def _cut(fine: NDArray[np.float32], beat_s: float, origin_s: float) -> tuple[FloatArray, FloatArray]:
    """The curve in windows of four beats, shape (windows, bins), and where each begins."""
    length_s = _PULSES * beat_s
    bins = _PULSES * 4 * max(round(beat_s / 4.0 / _BIN_S), 1)
    first = int(np.ceil(-origin_s / length_s))
    last = int(np.floor((fine.size / FINE_RATE_HZ - origin_s) / length_s))
    starts_s = origin_s + length_s * np.arange(first, last, dtype=np.float64)
    times_s = starts_s[:, None] + np.arange(bins) * (length_s / bins)
    curve = np.minimum(fine, 12.0)
    return np.interp(times_s * FINE_RATE_HZ, np.arange(curve.size), curve), starts_s


def _slides(cut: FloatArray, profile: FloatArray, slide_s: float) -> tuple[FloatArray, FloatArray]:
    """How much later than the profile each window lies, and how much of the profile it holds (0 to 1)."""
    level = profile - profile.mean()
    spectrum = np.conj(scipy.fft.rfft(level))
    match = scipy.fft.irfft(
        scipy.fft.rfft(cut - cut.mean(axis=1, keepdims=True), axis=1) * spectrum, cut.shape[1]
    )
    reach = round(slide_s / _BIN_S)
    near = np.concatenate([match[:, -reach:], match[:, : reach + 1]], axis=1)
    best = np.argmax(near, axis=1)
    inner = np.clip(best, 1, 2 * reach - 1)
    rows = np.arange(near.shape[0])
    left, middle, right = near[rows, inner - 1], near[rows, inner], near[rows, inner + 1]
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    power = np.sqrt(
        np.maximum((level**2).sum() * ((cut - cut.mean(axis=1, keepdims=True)) ** 2).sum(axis=1), 1e-12)
    )
    weights = np.clip(middle / power, 0.0, 1.0) ** 2
    weights[(best == 0) | (best == 2 * reach)] = 0.0
    return (inner + np.clip(shift, -1.0, 1.0) - reach) * _BIN_S, weights


def _robust_line(x: FloatArray, y: FloatArray, weights: FloatArray) -> tuple[float, float, float]:
    """Offset, slope and the slope's standard error of a line, outliers left out (Tukey's biweight)."""
    robust = weights + 1e-9
    offset = slope = error = 0.0
    for _ in range(8):
        total = robust.sum()
        mean_x, mean_y = (robust * x).sum() / total, (robust * y).sum() / total
        spread = max(float((robust * (x - mean_x) ** 2).sum()), 1e-12)
        slope = float((robust * (x - mean_x) * (y - mean_y)).sum() / spread)
        offset = float(mean_y - slope * mean_x)
        residual = y - offset - slope * x
        scale = max(_TUKEY_S, 2.0 * float(np.median(np.abs(residual))))
        inside = np.maximum(1.0 - (residual / scale) ** 2, 0.0) ** 2
        error = float(np.sqrt((robust**2 * residual**2 * (x - mean_x) ** 2).sum()) / spread)
        robust = weights * inside + 1e-9
    return offset, slope, error


def _circular_smooth(values: FloatArray, width: int) -> FloatArray:
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.concatenate([values[-(width // 2) :], values, values[: width // 2]])
    return np.convolve(padded, kernel / kernel.sum(), "valid")
