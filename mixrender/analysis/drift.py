"""Onset curves in, how a track's tempo moves and, where it does, its beats one by one out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_HOP, COARSE_RATE_HZ, FINE_RATE_HZ, RATE_HZ
from mixrender.analysis.tempo import Rhythm, comb

FloatArray = NDArray[np.float64]

_WINDOW_S = 20.0
_HOP_S = 10.0
_NEAR = 0.003
_PATH_WINDOW_S = 8.0
_PATH_HOP_S = 1.0
_PATH_STEP = 0.01
_PATH_REACH = 0.36
"""Natural logarithm of how far the tempo may wander from the track's own: to 70 and 143 %."""
_JUMP_COST = 1.5
_FAR_COST = 0.25
"""Taken off the score of tempos a fifth or more away: they are likelier a ratio such as 4:3 than a change."""
_SNAP_S = 0.030
_SMOOTH_BEATS = 8


def steady_share(total: NDArray[np.float32], tempo_bpm: float) -> float:
    """Share of 20 s windows with a beat whose own tempo lies within 0.3 % of the track's, 0 to 1.

    `total` is an onset curve of shape (n,) at COARSE_RATE_HZ. A track shorter than a window is one window.
    """
    offsets = np.arange(-0.04, 0.0401, 0.0005)
    votes = []
    for piece in _windows(total, window_s=_WINDOW_S, hop_s=_HOP_S):
        scores = comb(Rhythm.autocorrelation_of(piece), tempo_bpm * (1.0 + offsets))
        if scores.max() > 0.08:
            votes.append(abs(offsets[int(np.argmax(scores))]) <= _NEAR + 1e-9)
    return float(np.mean(votes)) if votes else 0.0


def tempo_path(total: NDArray[np.float32], tempo_bpm: float) -> tuple[FloatArray, FloatArray]:
    """Times in seconds and the tempo in BPM around each: the smoothest path along strong repetitions."""
    tempi = tempo_bpm * np.exp(np.arange(-_PATH_REACH, _PATH_REACH + 1e-9, _PATH_STEP))
    pieces = _windows(total, window_s=_PATH_WINDOW_S, hop_s=_PATH_HOP_S)
    far = _FAR_COST * np.minimum((np.log(tempi / tempo_bpm) / 0.2) ** 2, 1.0)
    scores = np.stack([comb(Rhythm.autocorrelation_of(piece), tempi) - far for piece in pieces])
    chosen = _best_path(scores)
    times_s = np.minimum(
        _PATH_WINDOW_S / 2.0 + _PATH_HOP_S * np.arange(len(pieces)), total.size / COARSE_RATE_HZ
    )
    rows = np.arange(chosen.size)
    inner = np.clip(chosen, 1, tempi.size - 2)
    left, middle, right = (scores[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    return times_s, tempi[inner] * np.exp(np.clip(shift, -0.5, 0.5) * _PATH_STEP)


def tracked_beats(
    total: NDArray[np.float32], fine: NDArray[np.float32], path_s: FloatArray, path_bpm: FloatArray
) -> FloatArray:
    """Beats in seconds along a tempo path, shape (n,), strictly rising.

    Dynamic programming (Ellis, "Beat tracking by dynamic programming", JNMR 2007), then each beat is drawn to
    the nearest attack and a line through its neighbours.
    """
    import librosa  # takes seconds to import, and steady tracks do without

    frames_s = np.arange(total.size) / COARSE_RATE_HZ
    bpm = np.interp(frames_s, path_s, path_bpm)
    _, frames = librosa.beat.beat_track(
        onset_envelope=total,
        sr=RATE_HZ,
        hop_length=COARSE_HOP,
        bpm=bpm,
        tightness=300,
        trim=False,
        units="frames",
    )
    beats_s = np.asarray(frames, dtype=np.float64) / COARSE_RATE_HZ
    if beats_s.size < 4:
        return beats_s
    return _smoothed(_snapped(beats_s, fine), width=_SMOOTH_BEATS)


def _windows(curve: NDArray[np.float32], *, window_s: float, hop_s: float) -> list[NDArray[np.float32]]:
    window, hop = round(window_s * COARSE_RATE_HZ), round(hop_s * COARSE_RATE_HZ)
    last = max(curve.size - window, 0)
    return [curve[start : start + window] for start in range(0, last + 1, hop)]


def _best_path(scores: FloatArray) -> NDArray[np.intp]:
    """Viterbi: the index in each row that maximises the scores less the cost of moving between rows."""
    steps = np.arange(scores.shape[1])
    cost = _JUMP_COST * np.minimum(np.abs(steps[:, None] - steps[None, :]) * 0.1, 1.0)
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


def _snapped(beats_s: FloatArray, fine: NDArray[np.float32]) -> FloatArray:
    """Each beat moved to the strongest attack within 30 ms."""
    reach = round(_SNAP_S * FINE_RATE_HZ)
    nearness = 1.0 - 0.5 * (np.arange(-reach, reach + 1) / reach) ** 2
    padded = np.pad(fine, reach)
    moved = []
    for beat_s in beats_s:
        centre = min(round(beat_s * FINE_RATE_HZ), fine.size - 1)
        near = padded[centre : centre + 2 * reach + 1] * nearness
        strong = near.max(initial=0.0) > 0.5
        moved.append((centre + int(np.argmax(near)) - reach) / FINE_RATE_HZ if strong else beat_s)
    return np.array(moved)


def _smoothed(beats_s: FloatArray, *, width: int) -> FloatArray:
    """Each beat on a line through its neighbours that leaves outliers out; strictly rising."""
    index = np.arange(beats_s.size)
    smooth = np.empty_like(beats_s)
    for i in index:
        near = slice(max(i - width, 0), i + width + 1)
        x, y = index[near] - i, beats_s[near]
        weights = 1.0 - (np.abs(x) / (width + 1)) ** 2
        for _ in range(3):
            slope, smooth[i] = np.polyfit(x, y, 1, w=np.sqrt(weights + 1e-9))
            off = np.abs(y - smooth[i] - slope * x)
            weights = (1.0 - (np.abs(x) / (width + 1)) ** 2) * np.maximum(1.0 - (off / 0.025) ** 2, 0.01)
    least_s = 0.2 * float(np.median(np.diff(beats_s)))
    return np.asarray(smooth[np.concatenate([[True], np.diff(np.maximum.accumulate(smooth)) > least_s])])
