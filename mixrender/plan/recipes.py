"""The name of a recipe and the length of an overlap go in; the lanes of both tracks come out.

A recipe of the program's own is a function of the overlap's shape, entered in one table. It leaves every
control of the incoming track at neutral when the overlap ends. A plan's own recipes are moves as it writes
them, kept inside of the overlap. Lanes that a transition writes replace those of its recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from mixrender.plan.controls import EVENTS
from mixrender.plan.lanes import Lane, LanePoint, Moves
from mixrender.plan.model import Recipe, Transition
from mixrender.plan.places import InPosition, Length, MoveTime, middle_bars

SideMoves = dict[Literal["from", "to"], Moves]

SILENT_DB = KILLED_DB = -math.inf
OPEN_HZ = math.nan
CROSSING_HZ = 250.0
"""Where two filters meet that trade the basses: the usual edge of the low band."""

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
        return middle_bars(self.bars)

    @property
    def last_bars(self) -> float:
        """The last bar; in short overlaps the last quarter."""
        return min(1.0, self.bars / 4.0)

    @property
    def beat_bars(self) -> float:
        """One beat in bars, a quarter of the overlap at most."""
        return min(1.0 / self.beats_per_bar, self.bars / 4.0)


def _point(bars: float, value: float, move: MoveTime | None = None) -> LanePoint:
    return LanePoint(position=InPosition(bars=bars), value=value, move=move)


def _always(value: float) -> LanePoint:
    return LanePoint(position=None, value=value)


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
    return {
        "from": {
            "level": (_point(overlap.bars - overlap.last_bars, 0.0), _at_end(SILENT_DB)),
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


def _filter_blend(overlap: Overlap) -> SideMoves:
    """Highpass filters trade the basses: one closes on the outgoing track as one opens on the incoming."""
    quarter, middle = overlap.bars * 0.25, overlap.middle_bars
    return {
        "from": {
            "level": (_point(overlap.bars * 0.75, 0.0), _at_end(SILENT_DB)),
            "highpass": (_point(quarter, OPEN_HZ), _point(middle, CROSSING_HZ), _at_end(4000.0)),
        },
        "to": {
            "level": (_point(0.0, SILENT_DB), _point(quarter, 0.0)),
            "highpass": (
                _point(0.0, 2000.0),
                _point(middle, CROSSING_HZ),
                _point(max(overlap.bars * 0.75, middle), OPEN_HZ),
            ),
        },
    }


def _long_fade(overlap: Overlap) -> SideMoves:
    """A crossfade over the whole overlap, nothing else."""
    return _crossfade()


def _takes_over() -> Moves:
    """The incoming track, silent until the end of the overlap, is there at once."""
    return {"level": (_point(0.0, SILENT_DB), _at_end(0.0, "at once"))}


def _echo_out(overlap: Overlap) -> SideMoves:
    """The last bar of the outgoing track goes into an echo, which rings on as the incoming one takes over."""
    beat: MoveTime = Length(beats=1.0) if overlap.bars * overlap.beats_per_bar >= 4.0 else "at once"
    return {
        "from": {
            "level": (_at_end(SILENT_DB, "at once"),),
            "echo": (_point(overlap.bars - overlap.last_bars, 80.0, beat),),
            "echo.time": (_always(0.5),),
            "echo.feedback": (_always(60.0),),
        },
        "to": _takes_over(),
    }


def _wash_out(overlap: Overlap) -> SideMoves:
    """As the blend, but the outgoing track goes up into a reverb in the last quarter, which rings on."""
    blend = _blend(overlap)
    wash = {
        "level": (_at_end(SILENT_DB, "at once"),),
        "highpass": (_point(overlap.bars * 0.75, OPEN_HZ), _at_end(500.0)),
        "reverb": (_point(overlap.bars * 0.75, 0.0), _at_end(100.0)),
        "reverb.time": (_always(8.0),),
    }
    return {"from": blend["from"] | wash, "to": blend["to"]}


def _brake(overlap: Overlap) -> SideMoves:
    """The outgoing track slows down to a stop in the last bar; then the incoming one takes over."""
    length = Length(bars=overlap.last_bars)
    return {
        "from": {
            "level": (_at_end(SILENT_DB, "at once"),),
            "brake": (_point(overlap.bars - overlap.last_bars, 1.0, length),),
        },
        "to": _takes_over(),
    }


def _none(overlap: Overlap) -> SideMoves:
    """No moves: every control starts from neutral."""
    return {"from": {}, "to": {}}


RECIPES: Mapping[str, Callable[[Overlap], SideMoves]] = MappingProxyType(
    {
        "blend": _blend,
        "bass-swap": _bass_swap,
        "filter-blend": _filter_blend,
        "long-fade": _long_fade,
        "cut": _cut,
        "echo-out": _echo_out,
        "wash-out": _wash_out,
        "brake": _brake,
        "none": _none,
    }
)
"""Every recipe of the program's own by the name that plans use."""


def recipe_moves(name: str, *, overlap_bars: float, beats_per_bar: int) -> SideMoves:
    """Lanes of a recipe, by side and control; none for an overlap of 0 bars, whose cut needs no moves.

    `overlap_bars` >= 0 counts bars of the outgoing track. Raises KeyError for an unknown name.
    """
    recipe = RECIPES[name]
    if overlap_bars <= 0.0:
        return {"from": {}, "to": {}}
    return recipe(Overlap(overlap_bars, beats_per_bar))


def transition_moves(
    transition: Transition,
    *,
    overlap_bars: float,
    beats_per_bar: int,
    recipes: Mapping[str, Recipe] = MappingProxyType({}),
) -> SideMoves:
    """Lanes of a transition: its recipe's, each replaced where the transition writes that control itself.

    `recipes` are the plan's own.
    """
    if transition.recipe in recipes:
        lanes = own_moves(
            recipes[transition.recipe],
            transition.recipe_values,
            overlap_bars=overlap_bars,
            beats_per_bar=beats_per_bar,
        )
    else:
        lanes = recipe_moves(transition.recipe, overlap_bars=overlap_bars, beats_per_bar=beats_per_bar)
    return {
        "from": lanes["from"] | transition.moves.get(transition.from_track, {}),
        "to": lanes["to"] | transition.moves.get(transition.to_track, {}),
    }


def own_moves(
    recipe: Recipe, values: Mapping[str, str], *, overlap_bars: float, beats_per_bar: int
) -> SideMoves:
    """Lanes of a plan's own recipe, kept inside of an overlap; none for one of 0 bars."""
    if overlap_bars <= 0.0:
        return {"from": {}, "to": {}}
    overlap = Overlap(overlap_bars, beats_per_bar)
    outgoing, incoming = recipe.moves(values)
    return {"from": _all_inside(outgoing, overlap), "to": _all_inside(incoming, overlap)}


def _all_inside(moves: Mapping[str, Lane], overlap: Overlap) -> dict[str, Lane]:
    inside = {name: _inside(lane, overlap) for name, lane in moves.items()}
    # A lane may step where the overlap ends; of an event that begins there nothing is left.
    events = {
        name: tuple(point for point in lane if isinstance(point.move, Length))
        for name, lane in inside.items()
        if name in EVENTS
    }
    return {name: lane for name, lane in (inside | events).items() if lane}


def _inside(lane: Lane, overlap: Overlap) -> Lane:
    """A lane whose points lie in the overlap, and whose moves are over by the next point or the end.

    Of points that fall together the one that is written last stays.
    """
    placed: dict[float, LanePoint] = {}
    for point in lane:
        if isinstance(point.position, InPosition):
            bars = min(max(point.position.bars_into(overlap.bars), 0.0), overlap.bars)
            placed.pop(bars, None)
            placed[bars] = point.model_copy(update={"position": InPosition(bars=bars)})
        else:
            return lane  # a value that holds throughout
    ends = [*sorted(placed)[1:], overlap.bars]
    return tuple(
        _shortened(placed[bars], end - bars, overlap) for bars, end in zip(sorted(placed), ends, strict=True)
    )


def _shortened(point: LanePoint, room_bars: float, overlap: Overlap) -> LanePoint:
    if not isinstance(point.move, Length) or point.move.seconds is not None:
        return point
    beats = point.move.beats or 0.0
    bars = point.move.bars if point.move.bars is not None else beats / overlap.beats_per_bar
    if bars <= room_bars:
        return point
    move: MoveTime = Length(bars=room_bars) if room_bars > 0.0 else "at once"
    return point.model_copy(update={"move": move})


__all__ = ["RECIPES", "Lane", "SideMoves", "own_moves", "recipe_moves", "transition_moves"]
