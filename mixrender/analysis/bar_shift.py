"""What sounds on each sixteenth in, from which bar on the bars lie elsewhere than counted out.

A bar of two beats in the middle of a track, or a cut, puts all later bar lines off. Music repeats: then the
bars after it are like those before it only when they are read some sixteenths earlier or later.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.slots import PER_BEAT, Slots

FloatArray = NDArray[np.float64]

_WINDOW_BARS = 256
_HOP_BARS = 128
_LEAST_BARS = 12
_ENDS = 6
"""Looked for in the middle: a sixth of the bars at each end have too little to be compared with."""
_CUTS = 40
_LIKE = 0.7
_MODELS = 3
_PITCHES = 5.0
"""All pitches together say as much as five curves of attacks."""
_SURE = 0.015


@dataclass(frozen=True)
class BarShift:
    """From bar `bar` on, bars begin `sixteenths` sixteenths later than counted (negative: earlier).

    `gain` is by how much more alike the bars are then, as a mean correlation of all bars.
    """

    bar: int
    sixteenths: int
    gain: float

    @property
    def whole_beats(self) -> bool:
        """Whether the beats stay where they are."""
        return self.sixteenths % PER_BEAT == 0

    @property
    def words(self) -> str:
        """The doubt in words."""
        beats, rest = divmod(abs(self.sixteenths), PER_BEAT)
        if rest:
            size = "half a beat" if rest == PER_BEAT // 2 else "a quarter beat"
            return f"the beats shift by {size} at about bar {self.bar}"
        return f"bar lines shift by {beats} {'beat' if beats == 1 else 'beats'} at about bar {self.bar}"


def bar_shift(slots: Slots, *, beats_per_bar: int) -> BarShift | None:
    """The clearest shift; None where one count of bars explains the track. Slot 0 begins bar 1."""
    per_bar = PER_BEAT * beats_per_bar
    features = _features(slots)
    bars = features.shape[1] // per_bar - 1
    best: BarShift | None = None
    for first in range(0, max(bars - _WINDOW_BARS, 0) + _HOP_BARS, _HOP_BARS):
        part = features[:, first * per_bar : (first + _WINDOW_BARS + 1) * per_bar]
        found = _shift_in(part, per_bar)
        if found is not None and (best is None or found.gain > best.gain):
            best = BarShift(found.bar + first, found.sixteenths, found.gain)
    return best if best is not None and best.gain >= _SURE else None


def _features(slots: Slots) -> FloatArray:
    """Attacks and pitches of each sixteenth, each kind in units of its spread."""
    attacks = slots.attacks / (slots.attacks.std(axis=1, keepdims=True) + 1e-9)
    pitches = slots.pitches / (slots.pitches.std() + 1e-9)
    return np.concatenate([attacks, pitches * np.sqrt(_PITCHES / len(pitches))])


def _shift_in(features: FloatArray, per_bar: int) -> BarShift | None:
    """The best of all shifts and places in one stretch of bars."""
    bars = features.shape[1] // per_bar - 1
    ends = max(bars // _ENDS, _MODELS + 1)
    if bars < max(_LEAST_BARS, 2 * ends):
        return None
    counted = _read_bars(features, per_bar, 0)
    plain = counted @ counted.T
    places = np.unique(np.round(np.linspace(ends, bars - ends, _CUTS)).astype(int))
    best = BarShift(0, 0, 0.0)
    for shift in range(-(per_bar // 2), per_bar - per_bar // 2):
        if shift == 0:
            continue
        moved = counted @ _read_bars(features, per_bar, shift).T
        gains = [_gain(plain, moved, int(cut)) for cut in places]
        place = int(np.argmax(gains))
        if gains[place] <= best.gain:
            continue
        around = range(places[max(place - 1, 0)], places[min(place + 1, places.size - 1)] + 1)
        exact = max(around, key=partial(_gain, plain, moved))
        best = BarShift(exact + 1, shift, _gain(plain, moved, exact))
    return best


def _read_bars(features: FloatArray, per_bar: int, shift: int) -> FloatArray:
    """All bars, read from `shift` sixteenths later on, shape (bars, values); each of mean 0 and norm 1."""
    bars = features.shape[1] // per_bar - 1
    at = per_bar * np.arange(bars)[:, None] + np.arange(per_bar)[None, :] + shift
    rows = features[:, np.clip(at, 0, features.shape[1] - 1)].transpose(1, 0, 2).reshape(bars, -1)
    rows = rows - rows.mean(axis=1, keepdims=True)
    rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-9
    rows[(at[:, 0] < 0) | (at[:, -1] >= features.shape[1])] = 0.0
    return np.asarray(rows)


def _gain(plain: FloatArray, moved: FloatArray, cut: int) -> float:
    """By how much more the bars after a cut are like bars before it if they are moved; a mean of all bars."""
    as_counted, as_moved = (_likeness(alike[:cut, cut:]) for alike in (plain, moved))
    known = np.maximum(as_counted, as_moved) > _LIKE
    return float((as_moved - as_counted)[known].sum()) / len(plain)


def _likeness(alike: FloatArray) -> FloatArray:
    """The mean of the three greatest values of each column."""
    rank = len(alike) - _MODELS
    return np.asarray(np.partition(alike, rank, axis=0)[rank:].mean(axis=0))
