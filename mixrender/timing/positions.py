"""Where a transition leaves one track and enters the next, and how long it is: written, or by default."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Plan, Position, Track
from mixrender.timing.grids import enter_bar, last_bar_line, leave_bar
from mixrender.timing.play_order import PlayOrder
from mixrender.units import beats_to_seconds, format_time

DEFAULT_OVERLAPS_BARS = (16, 8, 4, 2, 1, 0)
"""Lengths tried in turn where the plan gives none, the commonest first (half of the transitions that DJs
make are 8 to 26 bars long; Kim et al., ISMIR 2020)."""

PHRASE_BARS = 8
"""Phrase lines lie every eight bars from bar 1 (common practice, no source)."""

FADE_ROOM_BEATS = 0.5
"""A file may end this much before the end of an overlap: the last beat's decay is all that is missing."""


@dataclass(frozen=True)
class Side:
    """One track as a transition sees it: as it plays, edited, on the beats of `grid`.

    `facts` are those of its file, and `order` leads from the one to the other. Bars and seconds are those of
    the track as it plays, unless a name says that they are the file's; without edits they are the same.
    """

    track: Track
    facts: TrackFacts
    grid: Grid
    order: PlayOrder = field(default_factory=PlayOrder)

    @property
    def has_bars(self) -> bool:
        """Whether positions in this track can be bars."""
        return self.grid.kind != "none"

    @property
    def at_fault(self) -> bool:
        """Whether its edits could not be made, so that passes of them are not known."""
        return bool(self.track.edits) and not self.order.passages

    @property
    def file_grid(self) -> Grid:
        """The grid of the file."""
        return self.order.file_grid or self.grid

    @property
    def duration_s(self) -> float:
        """How long it plays."""
        return self.order.end_s if self.order.passages else self.facts.duration_s

    @property
    def first_sound_s(self) -> float:
        """Second of the first sound."""
        passes = self.order.passes_at(self.facts.first_sound_s)
        return passes[0] if passes else self.order.play_near(self.facts.first_sound_s)

    @property
    def heard_until_s(self) -> float:
        """Second of the last sound; a silent file has none, and plays to its end."""
        return self.order.play_near(self.facts.last_sound_s or self.facts.duration_s)

    @property
    def end_bars(self) -> float:
        """Bar, with its fraction, that it reaches, with the room a fade needs."""
        return self.grid.beat_to_bar(self.grid.beat_at(self.duration_s) + FADE_ROOM_BEATS)

    @property
    def enter_bar(self) -> float:
        """Bar that is worth entering at: its first pass."""
        bar = enter_bar(self.facts, self.file_grid)
        passes = self.passes(bar)
        return passes[0] if passes else self._near(bar)

    @property
    def leave_bar(self) -> float:
        """Bar line by which the track should be gone."""
        return self._near(leave_bar(self.facts, self.file_grid))

    @property
    def last_file_bar_line(self) -> int:
        """Last bar line that the file reaches, in bars of the file."""
        return last_bar_line(self.facts.duration_s, self.file_grid)

    def passes(self, file_bar: float) -> tuple[float, ...]:
        """Every bar at which a bar of the file sounds, in order; none where edits leave it out."""
        if not self.order.passages:
            return (file_bar,)
        return tuple(self.bar_at(s) for s in self.order.passes_at(self._file_second(file_bar)))

    def file_bar(self, bar: float) -> float:
        """Bar of the file that sounds at a bar."""
        if not self.order.passages:
            return bar
        source_s = self.order.source_at(self.grid.time_at(self.grid.bar_to_beat(bar)))
        # Without the last digits, which are rounding: fractions of bars are compared.
        return round(self.file_grid.beat_to_bar(self.file_grid.beat_at(source_s)), 9)

    def _near(self, file_bar: float) -> float:
        if not self.order.passages:
            return file_bar
        return self.bar_at(self.order.play_near(self._file_second(file_bar)))

    def bar_at(self, play_s: float) -> float:
        """Bar, with its fraction, at a second."""
        return round(self.grid.beat_to_bar(self.grid.beat_at(play_s)), 9)

    def _file_second(self, file_bar: float) -> float:
        return self.file_grid.time_at(self.file_grid.bar_to_beat(file_bar))


def bar_of(plan: Plan, position: Position, track: Track, path: tuple[str | int, ...]) -> float | Problem:
    """Bar that a position in bars or with a cue means."""
    if position.cue is None:
        return float(position.bars)
    if position.cue not in track.cues:
        known = ", ".join(track.cues) or "none"
        return plan.problem(path, f"track `{track.name}` has no cue `{position.cue}` (its cues: {known})")
    return float(track.cues[position.cue] + position.bars)


def play_second_of(
    plan: Plan, side: Side, position: Position, path: tuple[str | int, ...]
) -> float | Problem:
    """Second of a track as it plays that a position in its file means: of its last pass, or the named one."""
    order, name = side.order, side.track.name
    if position.seconds is not None:
        file_s, place = position.seconds, f"`{position}`"
    elif not side.has_bars:
        text = f"no beat is known of `{name}`, so it has no bars: write seconds, `184.2 s`"
        return plan.problem(path, text)
    else:
        bar = bar_of(plan, position, side.track, path)
        if isinstance(bar, Problem):
            return bar
        file_s, place = side.file_grid.time_at(side.file_grid.bar_to_beat(bar)), f"bar {bar:.10g}"
    passes = order.passes_at(file_s)
    if not passes:
        return plan.problem(path, f"{place} is skipped by {_skip_named(side, file_s)}; give one that sounds")
    number = len(passes) if position.pass_number is None or side.at_fault else position.pass_number
    if number > len(passes):
        times = "once" if len(passes) == 1 else f"{len(passes)} times"
        return plan.problem(path, f"there is no pass {number} of {place} in `{name}`: it sounds {times}")
    return passes[number - 1]


def _skip_named(side: Side, file_s: float) -> str:
    skip = side.order.skip_at(file_s)
    if skip is None:
        return f"the edits of `{side.track.name}`"
    edit = side.track.edits[skip.edit]
    return f"edits[{skip.edit + 1}] of `{side.track.name}`, {edit.length} from `{edit.at}` on"


def play_bar_of(plan: Plan, side: Side, position: Position, path: tuple[str | int, ...]) -> float | Problem:
    """Bar of a track as it plays that a position in bars of its file, or with a cue, means."""
    if not side.order.passages and position.pass_number in (None, 1):
        return bar_of(plan, position, side.track, path)
    second = play_second_of(plan, side, position, path)
    return second if isinstance(second, Problem) else side.bar_at(second)


def fit_fraction(leave: float, factor: float) -> float:
    """Fraction of a bar that `enter` must have so that bar lines meet where `leave` has its own.

    `factor` is the number of bars of the incoming track to one of the outgoing.
    """
    return (leave % 1.0) * factor % 1.0


def fractions_meet(leave: float, enter: float, factor: float) -> bool:
    """Whether both tracks' bar lines coincide when these two bars sound together."""
    whole = max(1.0, 1.0 / factor)
    apart = (enter % 1.0) * whole - (leave % 1.0) * factor * whole
    return abs(apart - round(apart)) < 1e-6


def default_leave(outgoing: Side, overlap_bars: float, *, from_bar: float) -> float:
    """Bar at which an overlap begins so as to end at the last leave bar, on a phrase line if one fits.

    `from_bar` is the bar before which the track is not free to leave. Phrase lines are those of the file.
    """
    latest = outgoing.leave_bar - overlap_bars
    phrase = _phrase_line(outgoing, latest)
    return phrase if phrase >= from_bar else latest


def _phrase_line(side: Side, latest: float) -> float:
    """The last phrase line at or before a bar."""
    if not side.order.passages:
        return _phrase_before(latest)
    last = int(_phrase_before(float(side.last_file_bar_line)))
    lines = [bar for line in range(1, last + 1, PHRASE_BARS) for bar in side.passes(line)]
    return max((bar for bar in lines if bar <= latest), default=-math.inf)


def _phrase_before(bar: float) -> float:
    return math.floor((bar - 1.0) / PHRASE_BARS) * PHRASE_BARS + 1.0


def default_overlap(
    outgoing: Side,
    incoming: Side,
    *,
    leave: float | None,
    enter: float,
    from_bar: float,
    factor: float,
) -> float:
    """The longest of the usual lengths, in bars of the outgoing track, that both tracks hold."""
    incoming_bars = max(incoming.leave_bar - enter, 0.0) / factor
    for bars in DEFAULT_OVERLAPS_BARS:
        if leave is None:
            fits = default_leave(outgoing, bars, from_bar=from_bar) >= from_bar
        else:
            fits = leave + bars <= outgoing.end_bars
        if fits and bars <= incoming_bars:
            return float(bars)
    return 0.0


def default_enter(incoming: Side, *, leave: float | None, factor: float) -> float:
    """The first bar of the incoming track worth sounding, with the fraction that `leave` asks for.

    `leave` is a bar of the file.
    """
    bar = float(incoming.enter_bar)
    return bar if leave is None else bar + fit_fraction(leave, factor)


def shortage(
    plan: Plan, outgoing: Side, leave: float, overlap_bars: float, path: tuple[str | int, ...]
) -> Problem:
    """The fault of an overlap that runs beyond the end of the outgoing file."""
    grid = outgoing.grid
    beat = grid.bar_to_beat(leave)
    tempo_bpm = grid.tempo_at(beat)
    starts_s = grid.time_at(beat)
    left_s = outgoing.duration_s - starts_s
    held = max(math.floor(outgoing.end_bars - leave), 0)
    said_s = outgoing.order.source_at(starts_s)
    needs_s = beats_to_seconds(overlap_bars * grid.beats_per_bar, tempo_bpm)
    name = outgoing.track.file.name
    if left_s <= 0:
        message = (
            f"bar {outgoing.file_bar(leave):g} lies beyond the end of '{name}', whose last bar line is "
            f"{outgoing.last_file_bar_line}"
        )
    else:
        message = (
            f"an overlap of {overlap_bars:g} bars needs {needs_s:.1f} s at {tempo_bpm:g} BPM but '{name}' "
            f"has {left_s:.1f} s left after {format_time(said_s)}; use {held} bars or fewer"
        )
    return plan.problem(path, message)
