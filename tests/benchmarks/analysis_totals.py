"""The scores of many tracks in, totals beside their aims and the truth of what was called probable out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from analysis_scores import Score

OWN, OUTSIDE = "own patterns", "outside producers"
BINS = ((0.0, 0.5), (0.5, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.0))


@dataclass(frozen=True)
class Figure:
    """One total: its value (None: nothing to judge), how it came about, and what it should be at least.

    `is_most`: the aim is the most that it may be.
    """

    name: str
    value: float | None
    counted: str
    aim: float | None = None
    is_most: bool = False
    unit: str = "%"

    @property
    def is_met(self) -> bool:
        """Whether it is as good as its aim, or there is nothing to judge."""
        if self.value is None or self.aim is None:
            return True
        return self.value <= self.aim if self.is_most else self.value >= self.aim

    def __str__(self) -> str:
        """The figure with its aim, and a sign where it falls short."""
        line = f"{self.name}: {self._in_words(self.value)} ({self.counted})"
        if self.aim is None:
            return line
        bound = "at most" if self.is_most else "at least"
        return f"{line}, aim {bound} {self._in_words(self.aim)}{'' if self.is_met else '  <-- MISSED'}"

    def _in_words(self, value: float | None) -> str:
        if value is None:
            return "-"
        return f"{100.0 * value:.1f} %" if self.unit == "%" else f"{value:.3g} {self.unit}".rstrip()


def figures(scores: Sequence[Score], *, group: str | None = None, many: bool = False) -> list[Figure]:
    """All totals over some tracks. `group` OWN or OUTSIDE: with the aims of that group, None: common ones.

    `many`: the tracks are several seeds, so that one tempo in fifty may be missed.
    """
    steady = [s for s in scores if s.steady]
    varying = [s for s in scores if not s.steady]

    def aim(own: float, outside: float) -> float | None:
        return {OWN: own, OUTSIDE: outside}.get(group or "")

    return [
        _share("tempo within 0.005 % up to a factor 2", [s.tempo for s in steady], 0.98 if many else 1.0),
        _share("factor right", [s.factor for s in steady], aim(0.95, 0.85)),
        _share("beats placed (90 % within 20 ms)", [s.placed for s in steady], aim(0.93, 0.80)),
        _offset(steady, aim(5.0, 8.0)),
        _share("bars right", _told(s.bars for s in steady), aim(0.85, 0.80)),
        _share("called sure", [s.sure for s in steady], 0.60),
        _share("sure and right", [s.right for s in steady if s.sure], 0.98),
        _share("bar 1 sure too and right", _told(s.bars for s in steady if s.bar_1_sure), None),
        _number("varying tempo called sure", [s.sure for s in varying], 0.0),
        _number("steady tempo called drifting", [s.kind == "drifting" for s in steady], None),
        _share("varying tempo, beats placed", [s.placed for s in varying], None),
        _key(scores, aim(0.82, 0.68)),
        *_form(scores),
        Figure("beats F within 70 ms", _mean([s.f_measure for s in steady]), f"{len(steady)}", unit=""),
    ]


def reliability(scores: Sequence[Score]) -> list[str]:
    """For each part, how often what was said with a confidence was right: steady tracks, keys of all."""
    steady = [s for s in scores if s.steady]
    placed = [s for s in steady if s.placed and s.bars is not None]
    tables: list[tuple[str, Sequence[Score], Callable[[Score], float], Callable[[Score], bool]]] = [
        ("tempo", steady, lambda s: s.confidence.tempo, lambda s: s.tempo and s.factor),
        ("beats", steady, lambda s: s.confidence.beats, lambda s: s.placed),
        ("bar 1, where beats are placed", placed, lambda s: s.confidence.bar_1, lambda s: bool(s.bars)),
        ("key", [s for s in scores if s.key is not None], lambda s: s.confidence.key, lambda s: s.key == 1.0),
    ]
    return [f"{name}: {_binned([(sure(s), right(s)) for s in of])}" for name, of, sure, right in tables]


def _binned(pairs: Sequence[tuple[float, bool]]) -> str:
    cells = []
    for low, high in BINS:
        inside = [right for sure, right in pairs if low <= sure < high or sure == high == 1.0]
        share = f"{100.0 * np.mean(inside):.0f} %" if inside else "-"
        cells.append(f"{low:.1f}-{high:.1f} {share} of {len(inside)}")
    return ", ".join(cells)


def _told(values: Iterable[bool | None]) -> list[bool]:
    return [value for value in values if value is not None]


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _share(name: str, values: Sequence[bool], aim: float | None) -> Figure:
    return Figure(name, _mean(values), f"{sum(values)} of {len(values)}", aim)


def _number(name: str, values: Sequence[bool], aim: float | None) -> Figure:
    return Figure(name, float(sum(values)), f"of {len(values)}", aim, is_most=True, unit="tracks")


def _offset(steady: Sequence[Score], aim: float | None) -> Figure:
    offsets = [abs(s.offset_ms) for s in steady if s.placed and s.offset_ms is not None]
    value = float(np.percentile(offsets, 95)) if offsets else None
    name = "median offset where placed, 95th percentile"
    return Figure(name, value, f"{len(offsets)}", aim, is_most=True, unit="ms")


def _key(scores: Sequence[Score], aim: float | None) -> Figure:
    keys = [s.key for s in scores if s.key is not None]
    exact = f"{sum(key == 1.0 for key in keys)} of {len(keys)} exact"
    return Figure("key, weighted as MIREX does", _mean(keys), exact, aim, unit="")


def _form(scores: Sequence[Score]) -> list[Figure]:
    found = [s.borders for s in scores if s.borders is not None]
    drums = [s.drums for s in scores if s.drums is not None]
    recall = [True] * (met := sum(b.true_met for b in found)) + [False] * (sum(b.true for b in found) - met)
    precise = [True] * (met := sum(b.found_met for b in found)) + [False] * (
        sum(b.found for b in found) - met
    )
    tracks = f"mean of {len(found)} tracks"
    return [
        _share("section borders found, within half a bar", recall, 0.78),
        _share("section borders true, within half a bar", precise, 0.75),
        Figure("the same, mir_eval recall", _mean([b.recall for b in found]), tracks),
        Figure("the same, mir_eval precision", _mean([b.precision for b in found]), tracks),
        _share("drums from the right bar, within one", [first for first, _ in drums], None),
        _share("drums until the right bar, within one", [last for _, last in drums], None),
    ]
