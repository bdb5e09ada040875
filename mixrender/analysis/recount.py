"""Facts of a track and another grid in, the same facts counted by that grid out: places keep their time."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from itertools import pairwise

import numpy as np

from mixrender.analysis.ends import enter_reason, leave_reason
from mixrender.analysis.section_loudness import SILENCE_LUFS, bar_spans
from mixrender.facts import BarContent, Grid, Section, TrackFacts
from mixrender.units import FloatArray


def with_grid(facts: TrackFacts, grid: Grid) -> TrackFacts:
    """The same track counted by a grid that was set by hand: what lies in it keeps its place in time.

    Sections, the bars to enter and leave and those of the drums go to the nearest bar line; what sounds in
    each bar is taken from the old bars that it covers. Doubts about the old grid are dropped, as is all that
    was told by bars where either grid is of kind `none`.
    """
    by_hand = replace(
        facts,
        grid=grid,
        confidence=replace(facts.confidence, tempo=1.0, beats=1.0, bar_1=1.0),
        doubts=tuple(doubt for doubt in facts.doubts if doubt.part == "key"),
    )
    return by_hand if grid == facts.grid else _moved(by_hand, facts)


def _moved(by_hand: TrackFacts, facts: TrackFacts) -> TrackFacts:
    """The facts by the new grid with everything that `facts` counts in bars of the old one."""
    known = by_hand.grid.kind != "none" and facts.grid.kind != "none"

    def moved(bar: int | None) -> int | None:
        if bar is None or not known:
            return None
        return nearest_bar(facts.grid.time_at(facts.grid.bar_to_beat(bar)), by_hand.grid)

    first, last = moved(facts.first_enter_bar), moved(facts.last_leave_bar)
    drums_from, drums_until = moved(facts.drums_from_bar), moved(facts.drums_until_bar)
    bars = len(bar_spans(by_hand.grid, duration_s=facts.duration_s))
    return replace(
        by_hand,
        sections=_sections(facts, by_hand.grid) if known else (),
        bars=_bars(facts, by_hand.grid) if known else BarContent(),
        first_enter_bar=first,
        enter_reason="" if first is None else enter_reason(first, drums_from),
        last_leave_bar=last,
        leave_reason="" if last is None else leave_reason(last, drums_until, bars=bars),
        drums_from_bar=drums_from,
        drums_until_bar=drums_until,
    )


def nearest_bar(time_s: float, grid: Grid) -> int:
    """The bar, from 1 on, that begins nearest to a time in seconds."""
    return max(round(grid.beat_to_bar(grid.beat_at(time_s))), 1)


def _sections(facts: TrackFacts, grid: Grid) -> tuple[Section, ...]:
    """The sections, each from the bar line nearest to its own; of two on one line the later is left."""
    by_bar = {nearest_bar(section.start_s, grid): section for section in facts.sections}
    if not by_bar:
        return ()
    last = facts.sections[-1]
    end = None if last.end_s is None else nearest_bar(last.end_s, grid)
    lines = [*by_bar, max(end or 0, list(by_bar)[-1] + 1)]
    return tuple(
        replace(
            section,
            bar=bar,
            start_s=_line_s(grid, bar),
            bars=next_bar - bar if section.bars else 0,
            end_s=None if section.end_s is None else _line_s(grid, next_bar),
        )
        for section, (bar, next_bar) in zip(by_bar.values(), pairwise(lines), strict=True)
    )


def _line_s(grid: Grid, bar: int) -> float:
    return round(grid.time_at(grid.bar_to_beat(bar)), 6)


def _bars(facts: TrackFacts, grid: Grid) -> BarContent:
    """What sounds in each whole bar of the new grid: of the old bars it covers, the mean over time."""
    spans = bar_spans(grid, duration_s=facts.duration_s)
    found: dict[str, tuple[float, ...]] = {}
    for field in dataclasses.fields(BarContent):
        values = np.array(getattr(facts.bars, field.name))
        if values.size and spans:
            power = field.name == "level_lufs"
            edges_s = _edges_s(facts.grid, values.size)
            means = _means(10.0 ** (values / 10.0) if power else values, edges_s, np.array(spans))
            means = np.maximum(10.0 * np.log10(np.maximum(means, 1e-12)), SILENCE_LUFS) if power else means
            found[field.name] = tuple(round(float(mean), 4) for mean in means)
    return BarContent(**found)


def _edges_s(grid: Grid, bars: int) -> FloatArray:
    """Times of the bar lines around the first so many bars, shape (bars + 1,)."""
    return np.array([grid.time_at(grid.bar_to_beat(bar)) for bar in range(1, bars + 2)])


def _means(values: FloatArray, edges_s: FloatArray, spans_s: FloatArray) -> FloatArray:
    """Mean of a curve that holds `values` (n,) between `edges_s` (n + 1,) over spans, shape (m, 2).

    A span that reaches beyond the edges is judged by what lies within them; one wholly beyond gets 0.
    """
    so_far = np.concatenate(([0.0], np.cumsum(values * np.diff(edges_s))))
    within_s = np.clip(spans_s, edges_s[0], edges_s[-1])
    sums = np.diff(np.interp(within_s, edges_s, so_far), axis=1)[:, 0]
    lengths_s = np.diff(within_s, axis=1)[:, 0]
    return np.asarray(np.divide(sums, lengths_s, out=np.zeros_like(sums), where=lengths_s > 1e-9))
