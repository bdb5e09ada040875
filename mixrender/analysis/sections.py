"""What sounds in each bar in, where sections begin and where a track can be entered and left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.slots import PER_BEAT, Slots

FloatArray = NDArray[np.float64]

_CONTEXT_BARS = 4
_PHRASE_BARS = 8
_SOUNDING_DB = -30.0
_MOVING = 0.2
_STANDING_OUT = 0.25


@dataclass(frozen=True)
class Form:
    """Bars count from 1. `starts` holds the first bar of each section; the rest as in TrackFacts."""

    starts: tuple[int, ...]
    first_enter_bar: int
    last_leave_bar: int


def find_form(slots: Slots, levels_db: FloatArray, *, beats_per_bar: int = 4) -> Form:
    """The form of a track whose slot 0 is the first of bar 1; `levels_db`: level of each whole bar."""
    per_bar = PER_BEAT * beats_per_bar
    bars = min(slots.times_s.size // per_bar, levels_db.size)
    if bars == 0:
        return Form((), 1, 1)
    features = bar_features(slots, bars=bars, per_bar=per_bar)
    attacks = _per_bar(slots.attacks[:4], bars, per_bar).sum(axis=(0, 2))
    first, last = _sounding(levels_db[:bars], attacks)
    return Form(_starts(novelty(features[:, : last - 1])), first, last)


def bar_features(slots: Slots, *, bars: int, per_bar: int) -> FloatArray:
    """One standardised vector a bar, shape (m, bars): loudness of the bands, attacks, pitches."""
    levels = _per_bar(slots.levels, bars, per_bar).mean(axis=2)
    attacks = _per_bar(slots.attacks, bars, per_bar)
    on_beats = attacks[:, :, ::PER_BEAT].mean(axis=2)
    between = attacks.mean(axis=2)
    pitches = _per_bar(slots.pitches, bars, per_bar).mean(axis=2)
    chroma = pitches.reshape(-1, 12, bars).sum(axis=0)
    groups = ((levels, 1.0), (on_beats, 0.7), (between, 0.7), (chroma, 0.4))
    return np.concatenate([_standardised(rows) * weight for rows, weight in groups])


def novelty(features: FloatArray) -> FloatArray:
    """How much the four bars from each bar on differ from the four before it, shape (bars,); bar 1 is 0."""
    bars = features.shape[1]
    change = np.zeros(bars)
    for bar in range(1, bars):
        before = features[:, max(bar - _CONTEXT_BARS, 0) : bar].mean(axis=1)
        after = features[:, bar : bar + _CONTEXT_BARS].mean(axis=1)
        change[bar] = float(((after - before) ** 2).sum())
    return change


def _starts(change: FloatArray) -> tuple[int, ...]:
    """Bar 1 and the peaks of the novelty; where two are close, the one in the habit of eight bars."""
    if change.size < 2:
        return (1,)
    habit = _habit(change)
    favoured = change * np.where((np.arange(change.size) - habit) % _PHRASE_BARS == 0, 1.3, 1.0)
    favoured = favoured * np.where((np.arange(change.size) - habit) % 4 == 0, 1.1, 0.9)
    near = scipy.ndimage.maximum_filter1d(favoured, 2 * (_CONTEXT_BARS - 1) + 1)
    high = float(np.median(change) + _STANDING_OUT * change.std())
    peaks = np.flatnonzero((favoured == near) & (favoured > high))
    return (1, *(int(bar) + 1 for bar in peaks if bar >= 2))


def _habit(change: FloatArray) -> int:
    """Which bar of eight sections begin on, counted from bar 1: 0 unless the novelty says otherwise."""
    sums = np.array([change[phase::_PHRASE_BARS].sum() for phase in range(_PHRASE_BARS)])
    return int(np.argmax(sums)) if sums.max() > 1.3 * sums[0] else 0


def _sounding(levels_db: FloatArray, attacks: FloatArray) -> tuple[int, int]:
    """First bar worth sounding and the bar line after the last one; a tail in which nothing begins is not."""
    loud_db = float(np.percentile(levels_db, 90))
    moving = attacks > _MOVING * np.median(attacks)
    worth = np.flatnonzero((levels_db > loud_db + _SOUNDING_DB) & moving)
    if worth.size == 0:
        return 1, levels_db.size + 1
    return int(worth[0]) + 1, int(worth[-1]) + 2


def _per_bar(rows: FloatArray, bars: int, per_bar: int) -> FloatArray:
    return rows[:, : bars * per_bar].reshape(rows.shape[0], bars, per_bar)


def _standardised(rows: FloatArray) -> FloatArray:
    spread = rows.std(axis=1, keepdims=True)
    return np.asarray((rows - rows.mean(axis=1, keepdims=True)) / np.maximum(spread, 0.1))
