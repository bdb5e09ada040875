"""A grid and what shall be corrected in it go in, the corrected grid comes out; the sound is not asked.

The command `grid` and the plan's `grid:` both correct by these functions. A beat stays where it is in time,
and so does bar 1, unless a correction says that it moves.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Literal

from mixrender.facts import Doubt, Grid
from mixrender.plan.model import Count
from mixrender.plan.places import Shift
from mixrender.plan.quantities import GRID_TEMPO
from mixrender.units import seconds_to_beats

Field = Literal["tempo", "count", "shift", "bar_1", "bar_line", "beats_per_bar"]

ON_THE_LINE_BEATS = 0.125
"""A bar line this much before the first sound counts as lying on it, and no shift so small renumbers bars."""


@dataclass(frozen=True)
class Correction:
    """What shall be changed in a grid; None and `plain` change nothing.

    `bar_1_s`: the bar that begins at that second of the file is bar 1. `bar_line_s`: a bar begins there, and
    bar 1 is the first bar line at or after the first sound.
    """

    tempo_bpm: float | None = None
    count: Count = "plain"
    shift: Shift | None = None
    bar_1_s: float | None = None
    bar_line_s: float | None = None
    beats_per_bar: int | None = None

    def __bool__(self) -> bool:
        """Whether it changes anything."""
        return self != Correction()


@dataclass(frozen=True)
class Change:
    """One change that was made to a grid: in words for people, the grid before it and after it."""

    words: str
    before: Grid
    after: Grid


class CorrectionError(ValueError):
    """A change that a grid cannot take. `missing` is what must be given besides, where that would help."""

    def __init__(self, field: Field, message: str, *, missing: Literal["tempo", "bar_1"] | None = None):
        self.field = field
        self.missing = missing
        super().__init__(message)


def grid_command(file: Path, options: str) -> str:
    """The command line that corrects the grid of a file by some options, to be pasted into a terminal."""
    return f"mixrender grid {shlex.quote(str(file))} {options}"


def doubt_in_words(doubt: Doubt, file: Path) -> str:
    """A doubt about a file, and the command line that takes the alternative, where there is one."""
    return f"{doubt.words} (to change it: `{grid_command(file, doubt.cure)}`)" if doubt.cure else doubt.words


def corrected(grid: Grid, wanted: Correction, *, first_sound_s: float, duration_s: float) -> list[Change]:
    """What is changed, in its order: tempo, count, shift, bar 1 or bar line, beats per bar.

    The file sounds from `first_sound_s` on and ends at `duration_s`. Raises CorrectionError for a tempo
    outside 20 to 400 BPM, a time beyond the file, and a grid of kind `none` without tempo and bar 1.
    """
    _refuse_impossible_times(wanted, duration_s=duration_s)
    made: list[Change] = []
    if grid.kind == "none" and wanted:
        made, wanted = _begun(grid, wanted, first_sound_s=first_sound_s)
        grid = made[0].after
        _refuse_impossible("tempo", grid, duration_s=duration_s)
    for field, words, change in _changes(wanted, first_sound_s=first_sound_s):
        if field == "tempo" and grid.kind == "drifting":
            words += ", steady where it was drifting"
        before, grid = grid, change(grid)
        _refuse_impossible(field, grid, duration_s=duration_s)
        made.append(Change(words, before, grid))
    return made


def _begun(grid: Grid, wanted: Correction, *, first_sound_s: float) -> tuple[list[Change], Correction]:
    """A grid where none was, by tempo and bar 1 in one change, as neither is one alone; and what is left."""
    at_s = wanted.bar_1_s if wanted.bar_1_s is not None else wanted.bar_line_s
    if wanted.tempo_bpm is None or at_s is None:
        field = next(field for field, *_ in _changes(wanted, first_sound_s=first_sound_s))
        missing: Literal["tempo", "bar_1"] = "tempo" if wanted.tempo_bpm is None else "bar_1"
        raise CorrectionError(field, "no beat was found", missing=missing)
    begun = Grid("steady", wanted.tempo_bpm, at_s, grid.beats_per_bar)
    if wanted.bar_1_s is None:
        begun = with_bar_line(begun, bar_line_s=at_s, first_sound_s=first_sound_s)
    words = f"tempo {wanted.tempo_bpm:.10g} BPM, bar 1 at {begun.bar_1_s:.10g} s"
    rest = replace(wanted, tempo_bpm=None, bar_1_s=None, bar_line_s=None)
    return [Change(words, grid, begun)], rest


def _changes(
    wanted: Correction, *, first_sound_s: float
) -> Iterator[tuple[Field, str, Callable[[Grid], Grid]]]:
    """What is changed, in words, and how, in the order in which it is done."""
    if wanted.tempo_bpm is not None:
        yield "tempo", f"tempo {wanted.tempo_bpm:.10g} BPM", partial(steady, tempo_bpm=wanted.tempo_bpm)
    if wanted.count != "plain":
        double = wanted.count == "double"
        yield "count", f"tempo {'doubled' if double else 'halved'}", doubled if double else halved
    if wanted.shift is not None:
        by = f"{wanted.shift}".removeprefix("-")
        earlier = by != f"{wanted.shift}"
        words = f"beats and bars {by} {'earlier' if earlier else 'later'}"
        yield "shift", words, partial(shifted_and_counted, shift=wanted.shift, first_sound_s=first_sound_s)
    if wanted.bar_1_s is not None:
        yield "bar_1", f"bar 1 at {wanted.bar_1_s:.10g} s", partial(with_bar_1, bar_1_s=wanted.bar_1_s)
    if wanted.bar_line_s is not None:
        words = f"a bar begins at {wanted.bar_line_s:.10g} s"
        change = partial(with_bar_line, bar_line_s=wanted.bar_line_s, first_sound_s=first_sound_s)
        yield "bar_line", words, change
    if wanted.beats_per_bar is not None:
        words = f"{wanted.beats_per_bar} {'beat' if wanted.beats_per_bar == 1 else 'beats'} per bar"
        yield "beats_per_bar", words, lambda grid: replace(grid, beats_per_bar=wanted.beats_per_bar or 4)


def _refuse_impossible_times(wanted: Correction, *, duration_s: float) -> None:
    times_s: dict[Field, float | None] = {"bar_1": wanted.bar_1_s, "bar_line": wanted.bar_line_s}
    for field, time_s in times_s.items():
        if time_s is not None and not 0.0 <= time_s < duration_s:
            _refuse_bar_1(field, time_s, duration_s=duration_s)


def _refuse_impossible(field: Field, grid: Grid, *, duration_s: float) -> None:
    assert grid.tempo_bpm is not None and grid.bar_1_s is not None
    low, high = GRID_TEMPO.minimum, GRID_TEMPO.maximum
    if not low <= grid.tempo_bpm <= high:
        found = f"the tempo would be {grid.tempo_bpm:.10g} BPM"
        raise CorrectionError(field, f"{found}; it lies from {low:g} to {high:g} BPM")
    if grid.bar_1_s >= duration_s:
        _refuse_bar_1(field, grid.bar_1_s, duration_s=duration_s)


def _refuse_bar_1(field: Field, time_s: float, *, duration_s: float) -> None:
    what = "a bar line" if field == "bar_line" else "bar 1"
    raise CorrectionError(field, f"{what} cannot lie at {time_s:g} s: the file ends at {duration_s:.1f} s")


def steady(grid: Grid, *, tempo_bpm: float) -> Grid:
    """A steady grid of that tempo in BPM, whose bar 1 begins where it did."""
    return Grid("steady", tempo_bpm, grid.time_at(0.0), grid.beats_per_bar)


def doubled(grid: Grid) -> Grid:
    """Twice as many beats: each stays, and one more lies midway to the next. Bars last half as long."""
    assert grid.tempo_bpm is not None
    between_s = ((a, (a + b) / 2.0) for a, b in pairwise(grid.beats_s))
    beats_s = tuple(time_s for pair in between_s for time_s in pair) + grid.beats_s[-1:]
    return replace(grid, tempo_bpm=grid.tempo_bpm * 2.0, beats_s=beats_s, first_beat=grid.first_beat * 2)


def halved(grid: Grid) -> Grid:
    """Half as many beats: bar 1 stays, and with it every other beat. Bars last twice as long."""
    assert grid.tempo_bpm is not None
    beats_s = grid.beats_s[grid.first_beat % 2 :: 2]
    if grid.kind == "drifting" and len(beats_s) < 2:
        raise CorrectionError("count", f"{len(grid.beats_s)} beats are too few to halve their number")
    return replace(
        grid, tempo_bpm=grid.tempo_bpm / 2.0, beats_s=beats_s, first_beat=math.ceil(grid.first_beat / 2)
    )


def shifted(grid: Grid, *, beats: float = 0.0, seconds: float = 0.0) -> Grid:
    """Every beat, and bar 1 with them, that much later; earlier below 0.

    Beats that drift are renumbered by whole beats; by a fraction, each goes that share of the way to the
    next or the one before.
    """
    whole = round(beats)
    if grid.kind == "drifting":
        numbers = range(grid.first_beat - whole, grid.first_beat - whole + len(grid.beats_s))
        moved = grid.beats_s if beats == whole else tuple(grid.time_at(n + beats) for n in numbers)
        beats_s = tuple(time_s + seconds for time_s in moved)
        grid = replace(grid, beats_s=beats_s, first_beat=numbers[0])
        return replace(grid, bar_1_s=grid.time_at(0.0))
    return replace(grid, bar_1_s=grid.time_at(beats) + seconds)


def shifted_and_counted(grid: Grid, *, shift: Shift, first_sound_s: float) -> Grid:
    """The grid moved by a shift, bar 1 being counted anew where a bar line passes the first sound.

    A bar 1 that was the first bar line at or after the first sound is that again after a shift of less than
    a bar. A shift of a bar or more moves its number with it, but not to before the first sound. A shift of
    at most an eighth of a beat only moves.
    """
    beats, seconds = (shift.beats or 0.0) + (shift.bars or 0.0) * grid.beats_per_bar, shift.seconds or 0.0
    moved = shifted(grid, beats=beats, seconds=seconds)
    size = abs(beats + seconds_to_beats(seconds, grid.tempo_at(0.0)))
    if size <= ON_THE_LINE_BEATS:
        return moved
    was_first = bars_to_first(grid, first_sound_s=first_sound_s) == 0
    bars = bars_to_first(moved, first_sound_s=first_sound_s)
    within_a_bar = size < grid.beats_per_bar - 1e-9
    return renumbered(moved, bars=bars) if bars > 0 or (was_first and within_a_bar) else moved


def with_bar_1(grid: Grid, *, bar_1_s: float) -> Grid:
    """The grid moved so that a beat, the nearest, lies at that time in seconds and begins bar 1."""
    if grid.kind == "steady":
        return replace(grid, bar_1_s=bar_1_s)
    nearest = shifted(grid, beats=round(grid.beat_at(bar_1_s)))
    moved = shifted(nearest, seconds=bar_1_s - nearest.time_at(0.0))
    return replace(moved, bar_1_s=bar_1_s)


def with_bar_line(grid: Grid, *, bar_line_s: float, first_sound_s: float) -> Grid:
    """The grid moved so that a bar begins at that time; bar 1 is the first that the file sounds in."""
    placed = with_bar_1(grid, bar_1_s=bar_line_s)
    return renumbered(placed, bars=bars_to_first(placed, first_sound_s=first_sound_s))


def bars_to_first(grid: Grid, *, first_sound_s: float) -> int:
    """How many bars after bar 1 the first bar line at or after the first sound lies; 0: it is bar 1."""
    beat = grid.beat_at(first_sound_s) - ON_THE_LINE_BEATS
    return math.ceil(beat / grid.beats_per_bar)


def renumbered(grid: Grid, *, bars: int) -> Grid:
    """The same beats, counted so that bar 1 begins that many bars later; earlier below 0."""
    return shifted(grid, beats=bars * grid.beats_per_bar)
