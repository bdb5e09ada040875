"""An onset curve and a tempo in, the share of the track that keeps to it out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_RATE_HZ
from mixrender.analysis.tempo import Rhythm, comb

_WINDOW_S = 20.0
_HOP_S = 10.0
_NEAR = 0.003


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


def _windows(curve: NDArray[np.float32], *, window_s: float, hop_s: float) -> list[NDArray[np.float32]]:
    window, hop = round(window_s * COARSE_RATE_HZ), round(hop_s * COARSE_RATE_HZ)
    last = max(curve.size - window, 0)
    return [curve[start : start + window] for start in range(0, last + 1, hop)]
