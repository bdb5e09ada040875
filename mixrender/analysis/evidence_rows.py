"""The facts of a track in, which bars of it are looked at and where each lies out."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from mixrender.analysis.onsets import RATE_HZ
from mixrender.facts import Grid, TrackFacts
from mixrender.units import FloatArray

PER_BEAT = 32
"""Columns of a row for each beat: 16 ms at 120 BPM."""

LEAD_COLUMNS = PER_BEAT // 4
"""A row begins a sixteenth before its bar, so that the first beat does not lie on the rim."""

ROW_S = 8.0
"""Length of a row where there are no bars."""

MOST_ROWS = 480
MOST_S = 900.0
"""Of longer tracks every so many groups of rows are left out: hours take no more room than minutes."""

CLOSE_BARS = 4.0
_LEAD_BARS = 0.5
_GROUP = 4
_MARGIN_S = 0.15
_LEAST_S = 0.05
_NO_GRID_COLUMNS = 400

Span = tuple[int, int]


@dataclass(frozen=True)
class Layout:
    """Rows, one a bar, and the stretches of the signal at RATE_HZ that hold them.

    `numbers[i]` is the bar in row `i` (without a grid, pieces of ROW_S counted from 1), `starts_s[i]` when
    the row begins: LEAD_COLUMNS before the bar, or with the piece. `spans` are ranges of samples; `edges`,
    shape (rows, columns + 1), and `beats`, shape (rows, beats per bar), are places in the spans laid end to
    end, in samples with fractions. `close_spans` are the first bars with drums and the last. Of the groups
    of rows that the track has, one in `one_in` is there.
    """

    numbers: tuple[int, ...]
    starts_s: FloatArray
    spans: tuple[Span, ...]
    edges: FloatArray
    beats: FloatArray
    close_spans: tuple[Span, ...]
    one_in: int


def layout_of(facts: TrackFacts) -> Layout:
    """The rows of a track: its bars that sound, or pieces of ROW_S where it has no grid."""
    grid = facts.grid
    if grid.kind == "none":
        pieces = range(math.ceil(facts.duration_s / ROW_S))
        numbers, one_in = _thinned([i + 1 for i in pieces], facts)
        beats_s = np.zeros((len(numbers), 0))
        starts_s = (np.array(numbers, dtype=np.float64) - 1.0) * ROW_S
        edges_s = starts_s[:, None] + np.linspace(0.0, ROW_S, _NO_GRID_COLUMNS + 1)
        close = _without_grid(facts)
    else:
        numbers, one_in = _thinned(_sounding_bars(facts), facts)
        edges_s, beats_s = _bar_edges(grid, numbers)
        close = _with_drums(facts, numbers)
    spans, offsets = _spans(numbers, edges_s)
    return Layout(
        numbers=tuple(numbers),
        starts_s=edges_s[:, 0],
        spans=spans,
        edges=edges_s * RATE_HZ + offsets[:, None],
        beats=beats_s * RATE_HZ + offsets[:, None],
        close_spans=tuple(dict.fromkeys(close)),
        one_in=one_in,
    )


def _sounding_bars(facts: TrackFacts) -> list[int]:
    grid = facts.grid
    stop_s = facts.last_sound_s if facts.last_sound_s > facts.first_sound_s else facts.duration_s
    first = math.floor(grid.beat_to_bar(grid.beat_at(facts.first_sound_s + _LEAST_S)))
    last = math.floor(grid.beat_to_bar(grid.beat_at(stop_s - _LEAST_S)))
    return list(range(first, last + 1))


def _thinned(numbers: list[int], facts: TrackFacts) -> tuple[list[int], int]:
    """Whole groups of rows, evenly spread, no more than there is room for; and one group in how many."""
    one_in = math.ceil(max(len(numbers) / MOST_ROWS, facts.duration_s / MOST_S, 1.0))
    return [number for i, number in enumerate(numbers) if i // _GROUP % one_in == 0], one_in


def _bar_edges(grid: Grid, bars: list[int]) -> tuple[FloatArray, FloatArray]:
    """Times in seconds of the columns of each bar, shape (bars, columns + 1), and of its beats."""
    per_bar = grid.beats_per_bar
    beats = np.arange(-1, per_bar + 1)
    lines_s = np.array(
        [[grid.time_at(grid.bar_to_beat(bar) + beat) for beat in beats] for bar in bars]
    ).reshape(len(bars), beats.size)
    places = (np.arange(per_bar * PER_BEAT + 1) - LEAD_COLUMNS) / PER_BEAT
    edges_s = [np.interp(places, beats, row) for row in lines_s]
    return np.array(edges_s).reshape(len(bars), places.size), lines_s[:, 1:-1]


def _spans(numbers: list[int], edges_s: FloatArray) -> tuple[tuple[Span, ...], FloatArray]:
    """Stretches of neighbouring rows, and for each row what its samples lie later in the stretches joined."""
    spans: list[Span] = []
    offsets = np.zeros(len(numbers))
    length = 0
    runs = itertools.groupby(range(len(numbers)), key=lambda i: numbers[i] - i)
    for _, run in runs:
        rows = list(run)
        start = math.floor((edges_s[rows[0], 0] - _MARGIN_S) * RATE_HZ)
        stop = math.ceil((edges_s[rows[-1], -1] + _MARGIN_S) * RATE_HZ)
        spans.append((start, stop))
        offsets[rows] = length - start
        length += stop - start
    return tuple(spans), offsets


def _with_drums(facts: TrackFacts, bars: list[int]) -> list[Span]:
    """The first bars with drums and the last, half a bar more on the side where they do not play."""
    grid = facts.grid
    first = facts.drums_from_bar or facts.first_enter_bar or bars[0]
    last = facts.drums_until_bar or facts.last_leave_bar or bars[-1] + 1
    latest = max(bars[-1] + 1 - CLOSE_BARS, bars[0] - _LEAD_BARS)
    starts = (first - _LEAD_BARS, last + _LEAD_BARS - CLOSE_BARS)
    return [_span(grid, min(max(start, bars[0] - _LEAD_BARS), latest)) for start in starts]


def _span(grid: Grid, bar: float) -> Span:
    ends_s = (grid.time_at(grid.bar_to_beat(x)) for x in (bar, bar + CLOSE_BARS))
    start, stop = (round(s * RATE_HZ) for s in ends_s)
    return start, stop


def _without_grid(facts: TrackFacts) -> list[Span]:
    """The first seconds that sound and the last."""
    length_s = min(ROW_S, facts.duration_s)
    starts_s = (facts.first_sound_s, max(facts.last_sound_s - length_s, 0.0))
    return [(round(s * RATE_HZ), round((s + length_s) * RATE_HZ)) for s in starts_s]
