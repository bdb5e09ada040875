"""Where a transition leaves one track and enters the next, and how long it is: written, or by default."""

from __future__ import annotations

import math
from dataclasses import dataclass

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Plan, Position, Track
from mixrender.timing.grids import enter_bar, last_bar_line, leave_bar
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
    """One track as a transition sees it."""

    track: Track
    facts: TrackFacts
    grid: Grid

    @property
    def has_bars(self) -> bool:
        """Whether positions in this track can be bars."""
        return self.grid.kind != "none"

    @property
    def heard_until_s(self) -> float:
        """Second of the last sound; a silent file has none, and plays to its end."""
        return self.facts.last_sound_s or self.facts.duration_s

    @property
    def end_bars(self) -> float:
        """Bar, with its fraction, that the file reaches, with the room a fade needs."""
        return self.grid.beat_to_bar(self.grid.beat_at(self.facts.duration_s) + FADE_ROOM_BEATS)


def bar_of(plan: Plan, position: Position, track: Track, path: tuple[str | int, ...]) -> float | Problem:
    """Bar that a position in bars or with a cue means."""
    if position.cue is None:
        return float(position.bars)
    if position.cue not in track.cues:
        known = ", ".join(track.cues) or "none"
        return plan.problem(path, f"track `{track.name}` has no cue `{position.cue}` (its cues: {known})")
    return float(track.cues[position.cue] + position.bars)


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

    `from_bar` is the bar before which the track is not free to leave.
    """
    latest = leave_bar(outgoing.facts, outgoing.grid) - overlap_bars
    phrase = math.floor((latest - 1.0) / PHRASE_BARS) * PHRASE_BARS + 1.0
    return phrase if phrase >= from_bar else latest


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
    incoming_bars = max(leave_bar(incoming.facts, incoming.grid) - enter, 0.0) / factor
    for bars in DEFAULT_OVERLAPS_BARS:
        if leave is None:
            fits = default_leave(outgoing, bars, from_bar=from_bar) >= from_bar
        else:
            fits = leave + bars <= outgoing.end_bars
        if fits and bars <= incoming_bars:
            return float(bars)
    return 0.0


def default_enter(incoming: Side, *, leave: float | None, factor: float) -> float:
    """The first bar of the incoming track worth sounding, with the fraction that `leave` asks for."""
    bar = float(enter_bar(incoming.facts, incoming.grid))
    return bar if leave is None else bar + fit_fraction(leave, factor)


def shortage(
    plan: Plan, outgoing: Side, leave: float, overlap_bars: float, path: tuple[str | int, ...]
) -> Problem:
    """The fault of an overlap that runs beyond the end of the outgoing file."""
    grid = outgoing.grid
    beat = grid.bar_to_beat(leave)
    tempo_bpm = grid.tempo_at(beat)
    starts_s = grid.time_at(beat)
    left_s = outgoing.facts.duration_s - starts_s
    held = max(math.floor(outgoing.end_bars - leave), 0)
    needs_s = beats_to_seconds(overlap_bars * grid.beats_per_bar, tempo_bpm)
    name = outgoing.track.file.name
    if left_s <= 0:
        message = (
            f"bar {leave:g} lies beyond the end of '{name}', whose last bar line is "
            f"{last_bar_line(outgoing.facts, grid)}"
        )
    else:
        message = (
            f"an overlap of {overlap_bars:g} bars needs {needs_s:.1f} s at {tempo_bpm:g} BPM but '{name}' "
            f"has {left_s:.1f} s left after {format_time(starts_s)}; use {held} bars or fewer"
        )
    return plan.problem(path, message)
