"""An onset curve and a rough tempo in, the tempo at every moment of the track out.

Each window is judged by itself: by its autocorrelation, which knows how beats repeat, and by its spectrum,
which knows that tempos in a ratio such as 4:3 are no lines of the metre. A path through the windows may creep
for little and jump for much; where it jumps, the moment is found by what repeats on which side.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_RATE_HZ
from mixrender.units import beats_to_seconds, seconds_to_beats

FloatArray = NDArray[np.float64]

_WINDOW_S = 10.0
_HOP_S = 1.0
_STEP = 0.005
_REACH = 0.4
"""Natural logarithm of how far the tempo may go from the track's own: to 67 and 149 %."""

_LINES = ((0.5, 0.5), (1.0, 1.0), (2.0, 1.0), (4.0, 0.6))
"""Half notes, beats, eighths and sixteenths, and how much each of them says."""

_STRONGEST_LINE = 2.0
_SURROUNDINGS_HZ = 1.0
_STEP_COST = 0.1
_JUMP_COST = 4.0
_JUMP = 0.03
_AWAY = 0.01
_READINGS = (2 / 3, 3 / 4, 4 / 5, 5 / 4, 4 / 3, 3 / 2)
_SAME_READING = 0.008
_LEVEL_S = 2.0
"""The mean over so long is taken off, so that loud parts do not look like a slow beat."""


def tempo_path(total: NDArray[np.float32], tempo_bpm: float) -> FloatArray:
    """Tempo in BPM at each frame of an onset curve of shape (n,) at COARSE_RATE_HZ; the same shape."""
    tempi = tempo_bpm * np.exp(np.arange(-_REACH, _REACH + 1e-9, _STEP))
    level = _levelled(total)
    scores = _local_scores(level, tempi)
    chosen = _best_path(scores)
    bpm = tempi[chosen] * np.exp(_STEP * _peak_shift(scores, chosen))
    frames = np.arange(total.size) / COARSE_RATE_HZ
    path = np.interp(frames, _HOP_S * np.arange(bpm.size), bpm)
    for before, after in _jumps(bpm):
        border = _border_frame(level, before, after, bpm)
        first, last = (round(row * _HOP_S * COARSE_RATE_HZ) for row in (before, after))
        path[first:border], path[border : last + 1] = bpm[before], bpm[after]
    return np.asarray(path)


def away_share(path_bpm: FloatArray, tempo_bpm: float, *, total: NDArray[np.float32]) -> float:
    """Share of all onsets, 0 to 1, at which a path is more than 1 % away from a tempo.

    `total` is the onset curve the path was found in: held notes between drums say little. Tempos in a ratio
    such as 4:3 are no change but another reading of the same rhythm.
    """
    apart = np.log(path_bpm / tempo_bpm)
    reading = np.abs(apart[:, None] - np.log(_READINGS)).min(axis=1) < _SAME_READING
    away = (np.abs(apart) > _AWAY) & ~reading
    return float(total[away].sum() / max(float(total.sum()), 1e-9))


def beats_gone(path_bpm: FloatArray) -> FloatArray:
    """Beats that have gone by at each frame of a tempo path, shape (n + 1,), from 0 at frame 0."""
    beats = seconds_to_beats(1.0 / COARSE_RATE_HZ, 1.0) * path_bpm
    return np.asarray(np.concatenate([[0.0], np.cumsum(beats)]))


def _local_scores(level: FloatArray, tempi_bpm: FloatArray) -> FloatArray:
    """How well each tempo fits around each second, shape (seconds, tempos); about 0 to 3."""
    window, hop = round(_WINDOW_S * COARSE_RATE_HZ), round(_HOP_S * COARSE_RATE_HZ)
    padded = np.pad(level, window // 2)
    views = np.lib.stride_tricks.sliding_window_view(padded, window)[::hop]
    beat = COARSE_RATE_HZ * beats_to_seconds(1.0, 1.0) / tempi_bpm
    parts = []
    for start in range(0, len(views), 64):
        pieces = views[start : start + 64]
        parts.append(_repetition(pieces, beat) + _metre(pieces, beat))
    return np.concatenate(parts)


def _repetition(pieces: FloatArray, beat: FloatArray) -> FloatArray:
    """Autocorrelation at one, two and four beats, less half of it between beats."""
    size = pieces.shape[1]
    power = np.abs(scipy.fft.rfft(pieces, scipy.fft.next_fast_len(2 * size), axis=1)) ** 2
    raw = scipy.fft.irfft(power, axis=1)[:, :size]
    met = np.maximum(size - np.arange(size), size / 4)
    same = raw / met
    same /= np.maximum(same[:, :1], 1e-9)
    yes = sum(_at(same, n * beat) for n in (1.0, 2.0, 4.0)) / 3.0
    no = sum(_at(same, n * beat) for n in (1.5, 2.5)) / 2.0
    return np.asarray(yes - 0.5 * no)


def _metre(pieces: FloatArray, beat: FloatArray) -> FloatArray:
    """How far the spectrum rises above its surroundings at the lines of the metre (natural logarithm)."""
    size = scipy.fft.next_fast_len(4 * pieces.shape[1])
    spectrum = np.abs(scipy.fft.rfft(pieces * np.hanning(pieces.shape[1]), size, axis=1))
    width = round(_SURROUNDINGS_HZ * size / COARSE_RATE_HZ)
    floor = scipy.ndimage.uniform_filter1d(spectrum, width, axis=1) + 1e-9
    rise = np.clip(np.log(spectrum / floor + 1e-3), 0.0, _STRONGEST_LINE)
    total = sum(weight * _at(rise, line * size / beat) for line, weight in _LINES)
    return np.asarray(total / sum(weight for _, weight in _LINES))


def _best_path(scores: FloatArray) -> NDArray[np.intp]:
    """Viterbi: the index in each row that maximises the scores less the cost of moving between rows."""
    steps = np.arange(scores.shape[1])
    cost = np.minimum(_STEP_COST * np.abs(steps[:, None] - steps[None, :]), _JUMP_COST)
    total = scores[0].copy()
    origin = np.zeros(scores.shape, dtype=np.intp)
    for row in range(1, scores.shape[0]):
        reached = total[:, None] - cost
        origin[row] = np.argmax(reached, axis=0)
        total = reached.max(axis=0) + scores[row]
    path = np.zeros(scores.shape[0], dtype=np.intp)
    path[-1] = int(np.argmax(total))
    for row in range(scores.shape[0] - 1, 0, -1):
        path[row - 1] = origin[row, path[row]]
    return path


def _peak_shift(scores: FloatArray, chosen: NDArray[np.intp]) -> FloatArray:
    """How far the peak lies from the chosen step, -0.5 to 0.5 steps, by a parabola through three."""
    rows = np.arange(chosen.size)
    inner = np.clip(chosen, 1, scores.shape[1] - 2)
    left, middle, right = (scores[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    return np.clip(np.where(inner == chosen, shift, 0.0), -0.5, 0.5)


def _jumps(bpm: FloatArray) -> list[tuple[int, int]]:
    """Where the path jumps: the last second before it and the first after it."""
    rises = np.abs(np.diff(np.log(bpm))) > _JUMP
    starts = np.flatnonzero(rises & ~np.concatenate([[False], rises[:-1]]))
    stops = np.flatnonzero(rises & ~np.concatenate([rises[1:], [False]])) + 1
    reach = round(_WINDOW_S / 2.0 / _HOP_S)
    return [
        (max(int(a) - reach, 0), min(int(b) + reach, bpm.size - 1))
        for a, b in zip(starts, stops, strict=True)
    ]


def _border_frame(level: FloatArray, before: int, after: int, bpm: FloatArray) -> int:
    """The frame between two seconds at which sound begins to repeat at the other tempo."""
    first, last = (round(row * _HOP_S * COARSE_RATE_HZ) for row in (before, after))
    frames = np.arange(first, min(last + 1, level.size))
    old, new = (COARSE_RATE_HZ * beats_to_seconds(1.0, float(bpm[row])) for row in (before, after))
    sound = scipy.ndimage.gaussian_filter1d(level, 2.0)
    index = np.arange(level.size)
    back = sum(np.interp(frames - n * old, index, sound) for n in (1.0, 2.0, 4.0))
    ahead = sum(np.interp(frames + n * new, index, sound) for n in (1.0, 2.0, 4.0))
    gain = np.cumsum(sound[frames] * (back - ahead))
    return int(frames[int(np.argmax(gain))]) + 1


def _at(rows: FloatArray, positions: FloatArray) -> FloatArray:
    """Values of each row between its elements, shape (rows, positions)."""
    whole = np.minimum(positions.astype(int), rows.shape[1] - 2)
    part = positions - whole
    return np.asarray(rows[:, whole] * (1.0 - part) + rows[:, whole + 1] * part)


def _levelled(curve: NDArray[np.float32]) -> FloatArray:
    width = round(_LEVEL_S * COARSE_RATE_HZ)
    return np.asarray(curve - scipy.ndimage.uniform_filter1d(curve.astype(np.float64), width))
