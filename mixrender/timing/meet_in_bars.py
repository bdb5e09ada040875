"""Two tracks whose beats are matched to where they meet: positions in bars, checked."""

from __future__ import annotations

from typing import Literal

from mixrender.errors import Problem
from mixrender.facts import Grid
from mixrender.plan.model import PlanPath, Position, Transition
from mixrender.timing import positions
from mixrender.timing.placement import Joint, Placed, Placement, bars_of
from mixrender.timing.positions import Side
from mixrender.timing.spans import mix_beat_of_beat, open_beats


def meet_in_bars(
    placement: Placement,
    before: Placed,
    side: Side,
    transition: Transition,
    entry: int | None,
    path: PlanPath,
) -> Joint | None:
    """Place the incoming track so that bar lines meet; None, and a problem noted, where that cannot be."""
    grid, out = side.grid, before.side
    factor = placement.count(before, side, transition)
    rate = before.rate * factor
    leave = _written_bar(placement, transition.leave, out, (*path, "leave"))
    enter = _written_bar(placement, transition.enter, side, (*path, "enter"))
    if leave == "fault" or enter == "fault":
        return None
    # Bars of the incoming track to one of the outgoing, where their bars hold different numbers of beats.
    bar_factor = factor * out.grid.beats_per_bar / grid.beats_per_bar
    if enter is None:
        said = None if leave is None else out.file_bar(leave)
        enter = positions.default_enter(side, leave=said, factor=factor)
    from_bar = placement.free_from_bar(before)
    length = transition.overlap or transition.gap
    if length is not None and length.seconds is not None:
        field_name = "overlap" if transition.overlap else "gap"
        message = "beats that meet are counted in bars: write `16 bars`, or `beatmatch: false`"
        placement.problem((*path, field_name), message)
        return None
    gap_bars = bars_of(transition.gap, out.grid) if transition.gap else 0.0
    if transition.overlap:
        overlap = bars_of(transition.overlap, out.grid)
    elif transition.gap:
        overlap = 0.0
    else:
        overlap = positions.default_overlap(
            out, side, leave=leave, enter=enter, from_bar=from_bar, factor=bar_factor
        )
    if leave is None:
        leave = positions.default_leave(out, overlap, from_bar=from_bar)
        leave += positions.fit_fraction(side.file_bar(enter), 1.0 / factor)
    if not _bars_fit(placement, before, side, leave, enter, overlap, factor, path):
        return None
    bar_beats = out.grid.beats_per_bar / before.rate
    start = mix_beat_of_beat(before.spans, out.grid.bar_to_beat(leave))
    enter_beat = start + gap_bars * bar_beats
    end = start + overlap * bar_beats
    placed = Placed(side, rate, [open_beats(enter_beat, grid.bar_to_beat(enter), rate)], enter_beat)
    placed.shift_s = before.shift_s + transition.nudge_s
    placed.entered_beat = max(end, enter_beat)
    placement.tracks.append(placed)
    _odd_bars(placement, out.grid, grid, path)
    return Joint(transition, entry, start, end, enter_beat, overlap, bar_beats, True)


def _bars_fit(
    placement: Placement,
    before: Placed,
    side: Side,
    leave: float,
    enter: float,
    overlap: float,
    factor: float,
    path: PlanPath,
) -> bool:
    out = before.side
    # Bar lines are those of the files, wherever edits have moved them.
    said_leave, said_enter = out.file_bar(leave), side.file_bar(enter)
    if out.grid.beats_per_bar == side.grid.beats_per_bar and not positions.fractions_meet(
        said_leave, said_enter, factor
    ):
        fits = int(said_enter // 1) + positions.fit_fraction(said_leave, factor)
        message = (
            f"bar {said_enter:g} does not lie on the bar lines of `{out.track.name}` at bar {said_leave:g}; "
        )
        placement.problem((*path, "enter"), message + f"{fits:g} or {fits + 1:g} would")
        return False
    if leave + overlap > out.end_bars:
        field = "leave" if leave >= out.end_bars else "overlap"
        shortage = positions.shortage(placement.plan, out, leave, overlap, (*path, field))
        placement.problem((*path, field), shortage.message)
        return False
    enter_s = side.grid.time_at(side.grid.bar_to_beat(enter))
    if enter > side.end_bars or enter_s < -60.0:
        last = side.last_file_bar_line
        message = f"bar {said_enter:g} lies outside '{side.track.file.name}', which has bars up to {last}"
        placement.problem((*path, "enter"), message)
        return False
    needed = overlap * out.grid.beats_per_bar / before.rate * before.rate * factor / side.grid.beats_per_bar
    if enter + needed > side.end_bars:
        held = max(int((side.end_bars - enter) // factor), 0)
        message = (
            f"an overlap of {overlap:g} bars is longer than what '{side.track.file.name}' holds after "
            f"bar {said_enter:g}; use {held} bars or fewer"
        )
        placement.problem((*path, "overlap"), message)
        return False
    return True


def _written_bar(
    placement: Placement, position: Position | None, side: Side, path: PlanPath
) -> float | Literal["fault"] | None:
    if position is None:
        return None
    if position.seconds is not None:
        message = "beats that meet are counted in bars: write a bar or a cue, or `beatmatch: false`"
        placement.problem(path, message)
        return "fault"
    bar = positions.play_bar_of(placement.plan, side, position, path)
    if isinstance(bar, Problem):
        placement.problems.append(bar)
        return "fault"
    return bar


def _odd_bars(placement: Placement, out: Grid, grid: Grid, path: PlanPath) -> None:
    if out.beats_per_bar != grid.beats_per_bar:
        message = (
            f"bars of {out.beats_per_bar} and of {grid.beats_per_bar} beats meet: the first bar lines "
            "fall together, after that only the beats do"
        )
        placement.problem(path, message, "warning")
