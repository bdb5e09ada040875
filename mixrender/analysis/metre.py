"""What sounds in each beat in, whether a bar has three beats, four, or two dotted ones (6/8) out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.onsets import FINE_RATE_HZ
from mixrender.analysis.slots import PER_BEAT, Slots

FloatArray = NDArray[np.float64]

_HARMONY = 0.5
_BORDER = 0.3
_STEEPNESS = 10.0
"""Log-odds for one unit of evidence: most loops in four lie below -0.4, waltzes above 0.7. No evidence either
way, as where every beat is like the others, is four."""

_LOUDEST = 4.0
_PARTS = 24
_THIRDS = (8, 16)
_QUARTERS = (6, 12, 18)
_CLEARLY = 2.0
_EMPTY = 0.3


@dataclass(frozen=True)
class Metre:
    """Beats in a bar, 2 (dotted ones: 6/8), 3 or 4, and how probable that is, 0.5 to 1."""

    beats_per_bar: int
    probability: float


def has_thirds(within: FloatArray) -> bool:
    """Whether beats have three parts and not four; `within` as `onsets_within_beats` gives it."""
    beat = within.mean(axis=0)
    thirds, quarters = beat[list(_THIRDS)], beat[list(_QUARTERS)]
    return bool(thirds.min() > _CLEARLY * quarters.max() and thirds.min() > beat.mean())


def dotted_beat(within: FloatArray) -> int | None:
    """Which of every two beats with thirds in them are the dotted ones: 0 or 1; None: each is one.

    Two found beats to a dotted one cut it where nothing sounds.
    """
    even, odd = within[:, 0]
    if min(even, odd) >= _EMPTY * max(even, odd):
        return None
    return 0 if even > odd else 1


def strongest_third(within: FloatArray) -> int:
    """Which third of a beat holds the strongest onsets, 0 to 2: that is where dotted beats begin."""
    return int(np.argmax(within.mean(axis=0)[[0, *_THIRDS]]))


def onsets_within_beats(fine: NDArray[np.float32], *, first_s: float, beat_s: float) -> FloatArray:
    """Mean onset strength in even and odd beats, shape (2, 24): one value for each 24th of a beat.

    `fine` has shape (n,) at FINE_RATE_HZ; beats lie at `first_s + i * beat_s`.
    """
    pairs = int((fine.size / FINE_RATE_HZ - first_s) / beat_s - 1.0) // 2
    if pairs < 1:
        return np.zeros((2, _PARTS))
    # Three readings for each part: an attack is narrower than a part, and not exactly on its middle.
    parts = (np.arange(2 * pairs * _PARTS * 3) - 1.0) / (3.0 * _PARTS)
    read = np.interp((first_s + parts * beat_s) * FINE_RATE_HZ, np.arange(fine.size), fine)
    return np.asarray(read.reshape(pairs, 2, _PARTS, 3).max(axis=3).mean(axis=0))


def find_metre(slots: Slots) -> Metre:
    """The metre under a grid of beats: bars of three if the music repeats after 3 and 6 beats, not 4 and 8.

    Both the attacks and the changes of harmony are compared with themselves at those distances.
    """
    evidence = three_against_four(slots.attacks) + _HARMONY * three_against_four(_pitch_change(slots)[None])
    odds = 1.0 / (1.0 + np.exp(-_STEEPNESS * (evidence - _BORDER)))
    return Metre(3, float(odds)) if odds > 0.5 else Metre(4, float(1.0 - odds))


def three_against_four(rows: FloatArray) -> float:
    """How much better rows of shape (m, n slots) repeat after 3 and 6 beats than after 4 and 2 or 8."""
    lags = {beats: _repetition(rows, PER_BEAT * beats) for beats in (2, 3, 4, 6, 8)}
    return lags[3] + lags[6] - lags[4] - max(lags[2], lags[8])


def _repetition(rows: FloatArray, lag: int) -> float:
    """Mean correlation of each row with itself `lag` slots later; 0 where the track is too short."""
    if rows.shape[1] <= 2 * lag:
        return 0.0
    spread = np.maximum(rows.std(axis=1, keepdims=True), 1e-6)
    level = np.minimum((rows - rows.mean(axis=1, keepdims=True)) / spread, _LOUDEST)
    return float((level[:, :-lag] * level[:, lag:]).mean())


def _pitch_change(slots: Slots) -> FloatArray:
    """How much the pitches of the beat from each slot on differ from those of the beat before, shape (n,)."""
    pitches, n = slots.pitches, slots.times_s.size
    sums = np.concatenate([np.zeros((pitches.shape[0], 1)), np.cumsum(pitches, axis=1)], axis=1)
    means = (sums[:, PER_BEAT:] - sums[:, :-PER_BEAT]) / PER_BEAT
    before, after = means[:, :-PER_BEAT], means[:, PER_BEAT:]
    norm = np.linalg.norm(before, axis=0) * np.linalg.norm(after, axis=0)
    steps = 1.0 - (before * after).sum(axis=0) / np.maximum(norm, 1e-9)
    change = np.zeros(n)
    change[PER_BEAT : PER_BEAT + steps.size] = np.where(norm > 1e-6, steps, 0.0)
    return np.minimum(change, np.percentile(change, 97))
