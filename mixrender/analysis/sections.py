"""What sounds in each bar in, the sections of a track and where it can be entered and left out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import scipy.ndimage

from mixrender.analysis.ends import PRESENT, bar_levels_db, drums_between, sounding
from mixrender.analysis.presence import Presence
from mixrender.analysis.slots import PER_BEAT, Slots
from mixrender.facts import Grid, Section
from mixrender.units import FloatArray

_CONTEXT_BARS = 4
_PHRASE_BARS = 8
_SHORTEST_END_BARS = 2
_STANDING_OUT = 0.1
_LEAST_CHANGE = 1.0
_MOST_OF_IT = 2.0 / 3.0
_ENERGY_RANGE_DB = 20.0


@dataclass(frozen=True)
class Form:
    """The sections, and bars counted from 1 as in TrackFacts; `presence` is 0 outside the sounding bars."""

    sections: tuple[Section, ...]
    first_enter_bar: int
    last_leave_bar: int
    presence: Presence
    drums_from_bar: int | None = None
    drums_until_bar: int | None = None


def find_form(slots: Slots, halves_db: FloatArray, presence: Presence, *, grid: Grid) -> Form:
    """The form of a track whose slot 0 is the first of bar 1.

    `halves_db`, the level of both halves of a bar, shape (2, bars), and `presence` are those of each whole
    bar of `grid` from bar 1 on.
    """
    per_bar = PER_BEAT * grid.beats_per_bar
    bars = min(slots.times_s.size // per_bar, halves_db.shape[1])
    if bars == 0:
        return Form((), 1, 1, presence)
    attacks = _per_bar(slots.attacks[:4], bars, per_bar).sum(axis=(0, 2))
    first, last = sounding(halves_db[:, :bars], attacks)
    features = bar_features(slots, presence, bars=bars, per_bar=per_bar)
    starts = _starts(novelty(features[:, : last - 1]))
    energies = bar_energies(bar_levels_db(halves_db[:, :bars]), attacks)
    heard = presence.between(first, last)
    drums_from, drums_until = drums_between(heard.drums)
    sections = tuple(
        _section(grid, start, end, energies, heard, slice(first - 1, last - 1))
        for start, end in itertools.pairwise((*starts, bars + 1))
    )
    return Form(sections, first, last, heard, drums_from, drums_until)


def bar_features(slots: Slots, presence: Presence, *, bars: int, per_bar: int) -> FloatArray:
    """One standardised vector a bar, shape (m, bars): loudness of bands, attacks, pitches, what plays."""
    levels = _per_bar(slots.levels, bars, per_bar).mean(axis=2)
    attacks = _per_bar(slots.attacks, bars, per_bar)
    on_beats = attacks[:, :, ::PER_BEAT].mean(axis=2)
    between = attacks.mean(axis=2)
    pitches = _per_bar(slots.pitches, bars, per_bar).mean(axis=2)
    chroma = pitches.reshape(-1, 12, bars).sum(axis=0)
    playing = np.stack([presence.kick, presence.drums, presence.bass])[:, :bars]
    groups = ((levels, 1.0), (on_beats, 0.7), (between, 0.7), (chroma, 0.4), (playing, 0.5))
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


def bar_energies(levels_db: FloatArray, attacks: FloatArray) -> FloatArray:
    """How driving each bar is beside the rest of the track, 0 to 1, shape (bars,).

    Half of it is loudness, from 0 at 20 dB below the loud bars (the 95th percentile) to 1 there; half is the
    sum of all attacks, as a share of that in the busy bars (the 95th percentile again).
    """
    loud = 1.0 + (levels_db - np.percentile(levels_db, 95)) / _ENERGY_RANGE_DB
    busy = attacks / max(float(np.percentile(attacks, 95)), 1e-9)
    return np.asarray(0.5 * np.clip(loud, 0.0, 1.0) + 0.5 * np.clip(busy, 0.0, 1.0))


def _section(
    grid: Grid, start: int, end: int, energies: FloatArray, heard: Presence, sounding_bars: slice
) -> Section:
    """The section from bar `start` up to bar line `end`; what plays in it is judged by its sounding bars."""
    inside = slice(max(start - 1, sounding_bars.start), min(end - 1, sounding_bars.stop))
    return Section(
        bar=start,
        start_s=round(grid.time_at(grid.bar_to_beat(start)), 6),
        bars=end - start,
        end_s=round(grid.time_at(grid.bar_to_beat(end)), 6),
        energy=round(float(energies[start - 1 : end - 1].mean()), 3),
        kick=plays(heard.kick[inside]),
        drums=plays(heard.drums[inside]),
        bass=plays(heard.bass[inside]),
    )


def plays(presence: FloatArray) -> bool | None:
    """Whether something plays in two thirds of the bars, or is absent from two thirds; None in between."""
    share = float((presence >= PRESENT).mean()) if presence.size else 0.0
    return True if share >= _MOST_OF_IT else False if share <= 1.0 - _MOST_OF_IT else None


def _starts(change: FloatArray) -> tuple[int, ...]:
    """Bar 1 and the peaks of the novelty; where two are close, the one in the habit of eight bars."""
    if change.size < 2:
        return (1,)
    place = np.arange(change.size) - _habit(change)
    favour = np.where(place % _PHRASE_BARS == 0, 1.8, np.where(place % 4 == 0, 1.2, 0.8))
    favoured = change * favour
    near = scipy.ndimage.maximum_filter1d(favoured, 2 * (_CONTEXT_BARS - 1) + 1)
    high = max(float(np.median(change) + _STANDING_OUT * change.std()), _LEAST_CHANGE)
    peaks = np.flatnonzero((favoured == near) & (favoured > high))
    return (1, *(int(bar) + 1 for bar in peaks if 2 <= bar <= change.size - _SHORTEST_END_BARS))


def _habit(change: FloatArray) -> int:
    """Which bar of eight sections begin on, counted from bar 1: 0 unless the novelty says otherwise."""
    sums = np.array([change[phase::_PHRASE_BARS].sum() for phase in range(_PHRASE_BARS)])
    return int(np.argmax(sums)) if sums.max() > 1.3 * sums[0] else 0


def _per_bar(rows: FloatArray, bars: int, per_bar: int) -> FloatArray:
    return rows[:, : bars * per_bar].reshape(rows.shape[0], bars, per_bar)


def _standardised(rows: FloatArray) -> FloatArray:
    spread = rows.std(axis=1, keepdims=True)
    return np.asarray((rows - rows.mean(axis=1, keepdims=True)) / np.maximum(spread, 0.1))
