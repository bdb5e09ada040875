"""The name of a recipe and the length of an overlap go in; the lanes of both tracks come out.

A recipe is a function of the overlap's shape, entered in one table. It leaves every control of the incoming
track at neutral when the overlap ends. Lanes that a transition writes replace those of its recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from mixrender.plan.lanes import Lane, LanePoint, Moves
from mixrender.plan.model import Transition
from mixrender.plan.places import InPosition, Length, MoveTime

SideMoves = dict[Literal["from", "to"], Moves]

SILENT_DB = KILLED_DB = -math.inf
SHORT_BARS = 4.0
"""Overlaps shorter than this are too short for a change of bass at the middle to be heard as one."""


@dataclass(frozen=True)
class Overlap:
    """The shape of an overlap: its length, above 0, and the beats in a bar of the outgoing track."""

    bars: float
    beats_per_bar: int

    @property
    def middle_bars(self) -> float:
        """The bar line at the middle, or the one before it; in less than two bars the middle itself."""
        return float(math.floor(self.bars / 2.0)) if self.bars >= 2.0 else self.bars / 2.0

    @property
    def beat_bars(self) -> float:
        """One beat in bars, a quarter of the overlap at most."""
        return min(1.0 / self.beats_per_bar, self.bars / 4.0)


def _point(bars: float, value: float, move: MoveTime | None = None) -> LanePoint:
    return LanePoint(position=InPosition(bars=bars), value=value, move=move)


def _at_end(value: float, move: MoveTime | None = None) -> LanePoint:
    return LanePoint(position=InPosition(from_end=True), value=value, move=move)


def _blend(overlap: Overlap) -> SideMoves:
    """In over the first quarter, out over the last; lows change over within the beat after the middle."""
    if overlap.bars < SHORT_BARS:
        return _crossfade()
    beat = Length(beats=1.0)
    return {
        "from": {
            "level": (_point(overlap.bars * 0.75, 0.0), _at_end(SILENT_DB)),
            "low": (_point(overlap.middle_bars, KILLED_DB, beat),),
        },
        "to": {
            "level": (_point(0.0, SILENT_DB), _point(overlap.bars * 0.25, 0.0)),
            "low": (_point(0.0, KILLED_DB), _point(overlap.middle_bars, 0.0, beat)),
        },
    }


def _crossfade() -> SideMoves:
    return {
        "from": {"level": (_point(0.0, 0.0), _at_end(SILENT_DB))},
        "to": {"level": (_point(0.0, SILENT_DB), _at_end(0.0))},
    }


def _bass_swap(overlap: Overlap) -> SideMoves:
    """Both at full level nearly all the time, one bass at a time, traded at once on the middle bar line.

    The incoming track is up, without its lows, after one beat; the outgoing one keeps its mids and highs
    until the last bar (in short overlaps the last quarter), in which it fades.
    """
    fade_bars = min(1.0, overlap.bars / 4.0)
    return {
        "from": {
            "level": (_point(overlap.bars - fade_bars, 0.0), _at_end(SILENT_DB)),
            "low": (_point(overlap.middle_bars, KILLED_DB, "at once"),),
        },
        "to": {
            "level": (_point(0.0, SILENT_DB), _point(overlap.beat_bars, 0.0)),
            "low": (_point(0.0, KILLED_DB), _point(overlap.middle_bars, 0.0, "at once")),
        },
    }


def _cut(overlap: Overlap) -> SideMoves:
    """The outgoing track alone, at full level, to the end of the overlap; there the incoming one takes over.

    Both steps end on the last bar line, so that its downbeat is wholly the incoming track's.
    """
    return {
        "from": {"level": (_at_end(SILENT_DB, "at once"),)},
        "to": {"level": (_point(0.0, SILENT_DB), _at_end(0.0, "at once"))},
    }


def _none(overlap: Overlap) -> SideMoves:
    """No moves: every control starts from neutral."""
    return {"from": {}, "to": {}}


RECIPES: Mapping[str, Callable[[Overlap], SideMoves]] = MappingProxyType(
    {"blend": _blend, "bass-swap": _bass_swap, "cut": _cut, "none": _none}
)
"""Every recipe by the name that plans use."""


def recipe_moves(name: str, *, overlap_bars: float, beats_per_bar: int) -> SideMoves:
    """Lanes of a recipe, by side and control; none for an overlap of 0 bars, whose cut needs no moves.

    `overlap_bars` >= 0 counts bars of the outgoing track. Raises KeyError for an unknown name.
    """
    recipe = RECIPES[name]
    if overlap_bars <= 0.0:
        return {"from": {}, "to": {}}
    return recipe(Overlap(overlap_bars, beats_per_bar))


def transition_moves(transition: Transition, *, overlap_bars: float, beats_per_bar: int) -> SideMoves:
    """Lanes of a transition: its recipe's, each replaced where the transition writes that control itself."""
    lanes = recipe_moves(transition.recipe, overlap_bars=overlap_bars, beats_per_bar=beats_per_bar)
    return {
        "from": lanes["from"] | transition.moves.get(transition.from_track, {}),
        "to": lanes["to"] | transition.moves.get(transition.to_track, {}),
    }


__all__ = ["RECIPES", "Lane", "SideMoves", "recipe_moves", "transition_moves"]
