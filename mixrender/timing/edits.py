"""A track's edits, grid and length to the order in which its file sounds and the grid of what then plays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Edit, Length, Plan, PlanPath, Track
from mixrender.timing.play_order import SLACK_S, Passage, PlayOrder, Skip
from mixrender.timing.positions import bar_of

SHORTEST_BEATS, LONGEST_BARS = 1.0 / 32.0, 32.0
"""Lengths of a repeat where there are beats."""

SHORTEST_S, LONGEST_S = 0.010, 120.0
"""Lengths of a repeat in a file without a beat."""

ON_BEAT = 1e-3
"""Parts of a beat by which a shift may miss whole beats: half a millisecond at 120 BPM."""

ROOM_BEATS = 0.5
"""A stretch may reach this far beyond either end of the file, which then is silence."""

MOST_TIMES = 64
"""No larger number of `times` is proposed."""


@dataclass(frozen=True)
class _Cut:
    """One edit, resolved: a stretch of the file, in seconds and, with a grid, beats sounds `times` times."""

    number: int
    edit: Edit
    start_s: float
    end_s: float
    start_beat: float
    end_beat: float
    times: int

    @property
    def beats(self) -> float:
        """Length in beats of the file."""
        return self.end_beat - self.start_beat

    @property
    def shift_beats(self) -> float:
        """How much later everything behind it plays, in beats."""
        return (self.times - 1) * self.beats


def play_order(
    plan: Plan, track: Track, facts: TrackFacts, grid: Grid
) -> tuple[PlayOrder, Grid, list[Problem]]:
    """The order in which a file sounds whose grid is `grid`, the grid of what then plays, and the problems.

    Where an edit is at fault none of them counts.
    """
    if not track.edits:
        return PlayOrder(), grid, []
    path = (*plan.path_of(track), "edits")
    problems: list[Problem] = []
    cuts = []
    for number, edit in enumerate(track.edits):
        cut = _resolved(plan, track, facts, grid, edit, number, (*path, number))
        if isinstance(cut, Problem):
            problems.append(cut)
        else:
            cuts.append(cut)
    cuts.sort(key=lambda cut: cut.start_s)
    problems += _overlaps(plan, cuts, path)
    if not problems and grid.kind != "none":
        problems += _shifts(plan, cuts, grid, path)
    if any(problem.severity == "error" for problem in problems):
        return PlayOrder(), grid, problems
    order = PlayOrder(_passages(cuts, facts), _skips(cuts), grid)
    return order, _play_grid(order, cuts, grid), problems


# --- one edit --------------------------------------------------------------------------------------------


def _resolved(
    plan: Plan, track: Track, facts: TrackFacts, grid: Grid, edit: Edit, number: int, path: PlanPath
) -> _Cut | Problem:
    at, length = edit.at, edit.length
    counted = grid.kind != "none"
    if at.pass_number is not None:
        return plan.problem(path, "edits count in bars of the file, which have no passes; take `pass` away")
    if not counted and (at.seconds is None or length.seconds is None):
        text = f"no beat is known of `{track.name}`: write the place and the length of an edit in seconds"
        return plan.problem(path, text)
    if not counted:
        start_s = at.seconds or 0.0
        end_s = start_s + (length.seconds or 0.0)
        cut = _Cut(number, edit, start_s, end_s, start_s, end_s, _times(edit))
    else:
        bar = bar_of(plan, at, track, path)
        if isinstance(bar, Problem):
            return bar
        start_beat = grid.bar_to_beat(bar) if at.seconds is None else grid.beat_at(at.seconds)
        end_beat = _beat_after(start_beat, length, grid)
        times_s = grid.time_at(start_beat), grid.time_at(end_beat)
        cut = _Cut(number, edit, *times_s, start_beat, end_beat, _times(edit))
    fault = _length_fault(cut, grid) or _place_fault(cut, track, facts, grid)
    return plan.problem(path, fault) if fault else cut


def _times(edit: Edit) -> int:
    if edit.skip is not None:
        return 0
    return 2 if edit.times is None else edit.times


def _beat_after(start_beat: float, length: Length, grid: Grid) -> float:
    """The beat at which a length from a beat on is over."""
    if length.bars is not None:
        return start_beat + length.bars * grid.beats_per_bar
    if length.beats is not None:
        return start_beat + length.beats
    assert length.seconds is not None
    return grid.beat_at(grid.time_at(start_beat) + length.seconds)


def _length_fault(cut: _Cut, grid: Grid) -> str | None:
    length = cut.edit.length
    if cut.end_s - cut.start_s <= 0.0:
        return "its length is 0; write one such as `4 bars`"
    if cut.edit.skip is not None:
        return None
    if grid.kind == "none":
        fits = SHORTEST_S <= length.seconds <= LONGEST_S if length.seconds is not None else True
        return None if fits else f"what is repeated lasts {SHORTEST_S * 1000:g} ms to {LONGEST_S:g} s"
    if SHORTEST_BEATS - 1e-9 <= cut.beats <= LONGEST_BARS * grid.beats_per_bar + 1e-9:
        return None
    return f"what is repeated lasts 1/32 beat to {LONGEST_BARS:g} bars, not {length}"


def _place_fault(cut: _Cut, track: Track, facts: TrackFacts, grid: Grid) -> str | None:
    name = track.file.name
    if grid.kind == "none":
        low, high = 0.0, facts.duration_s
    else:
        low = grid.time_at(grid.beat_at(0.0) - ROOM_BEATS)
        high = grid.time_at(grid.beat_at(facts.duration_s) + ROOM_BEATS)
    if cut.start_s < low - SLACK_S:
        return f"`{cut.edit.at}` lies before the beginning of '{name}'"
    if cut.end_s > high + SLACK_S or cut.start_s >= facts.duration_s:
        end = f"{facts.duration_s:.1f} s"
        if grid.kind != "none":
            end = f"bar {grid.beat_to_bar(grid.beat_at(facts.duration_s)):.4g}"
        return f"{cut.edit.length} from `{cut.edit.at}` on reach beyond the end of '{name}', at {end}"
    if cut.edit.skip is not None and cut.end_s > facts.duration_s - SHORTEST_S:
        return f"nothing is left of '{name}' after it; leave the track at `{cut.edit.at}` instead"
    return None


# --- all of them -----------------------------------------------------------------------------------------


def _overlaps(plan: Plan, cuts: Sequence[_Cut], path: PlanPath) -> list[Problem]:
    return [
        plan.problem(
            (*path, cut.number),
            f"overlaps edits[{before.number + 1}], {_named(before)}; let one end before the other begins",
        )
        for before, cut in pairwise(cuts)
        if cut.start_s < before.end_s - SLACK_S
    ]


def _named(cut: _Cut) -> str:
    return f"`{cut.edit.word}: {cut.edit.at}` of {cut.edit.length}"


def _shifts(plan: Plan, cuts: Sequence[_Cut], grid: Grid, path: PlanPath) -> list[Problem]:
    """Edits that leave the track off the beat for a beat or more, and a warning of bars that are shifted."""
    problems: list[Problem] = []
    shift = off_beats = 0.0
    odd_before = 0
    for cut, following in zip(cuts, [*cuts[1:], None], strict=True):
        before, shift = shift, shift + cut.shift_beats
        room_beats = math.inf if following is None else following.start_beat - cut.end_beat
        if not _is_whole(shift):
            off_beats += room_beats
            if off_beats >= 1.0 - 1e-6:
                problems.append(plan.problem((*path, cut.number), _off_beat(cut, before, shift)))
                return problems
            continue
        off_beats = 0.0
        odd = round(shift) % grid.beats_per_bar
        if odd not in (0, odd_before) and room_beats >= grid.beats_per_bar:
            beats = "1 beat" if odd == 1 else f"{odd} beats"
            text = f"behind it bar lines come {beats} later than whole bars would bring them"
            problems.append(plan.problem((*path, cut.number), text, "warning"))
        odd_before = odd
    return problems


def _is_whole(beats: float) -> bool:
    return abs(beats - round(beats)) <= ON_BEAT


def _off_beat(cut: _Cut, before: float, shift: float) -> str:
    """What is wrong with an edit after which beats fall between beats, and what would do."""
    text = f"behind it the track plays {_in_beats(shift % 1.0)} off its beats; "
    if cut.times:
        for times in sorted(range(2, MOST_TIMES + 1), key=lambda n: (abs(n - cut.times), n)):
            if _is_whole(before + (times - 1) * cut.beats):
                rest = _in_beats(shift % 1.0)
                return text + f"`times: {times}` would do, or a `skip` of {rest} right after it"
        whole = max(round(cut.shift_beats), 1) / (cut.times - 1)
        return text + f"`length: {_in_beats(whole)}` would do"
    whole = round(cut.beats - before)
    length = before + (whole if before + whole > ON_BEAT else whole + 1)
    return text + f"`length: {_in_beats(length)}` would do"


def _in_beats(beats: float) -> str:
    """A number of beats as the language writes it, in 32nds where it is one."""
    for parts in (1, 2, 3, 4, 6, 8, 16, 32):
        over = round(beats * parts)
        if over and abs(over / parts - beats) <= ON_BEAT / 4:
            unit = "beat" if over <= parts else "beats"
            return f"{over} {unit}" if parts == 1 else f"{over}/{parts} {unit}"
    return f"{beats:.4g} beats"


def _skips(cuts: Sequence[_Cut]) -> tuple[Skip, ...]:
    return tuple(Skip(cut.number, cut.start_s, cut.end_s) for cut in cuts if cut.times == 0)


def _passages(cuts: Sequence[_Cut], facts: TrackFacts) -> tuple[Passage, ...]:
    # Both count seconds alike up to the first edit, which may lie a little ahead of the file.
    at_s = play_s = min(0.0, cuts[0].start_s)
    found: list[Passage] = []

    def add(start_s: float, end_s: float) -> None:
        nonlocal play_s
        if end_s > start_s + SLACK_S:
            found.append(Passage(play_s, start_s, end_s - start_s))
            play_s += end_s - start_s

    for cut in cuts:
        add(at_s, cut.end_s if cut.times else cut.start_s)
        for _ in range(cut.times - 1):
            add(cut.start_s, cut.end_s)
        at_s = cut.end_s
    add(at_s, facts.duration_s)
    return tuple(found)


def _play_grid(order: PlayOrder, cuts: Sequence[_Cut], grid: Grid) -> Grid:
    """The grid of the track as it plays: whole beats come and go, so a steady one stays as it is."""
    if grid.kind != "drifting":
        return grid
    first = grid.first_beat
    last = first + len(grid.beats_s) - 1
    # Beats of the track as it plays at which its passages begin, and those of the file.
    starts = [(p.play_s, grid.beat_at(p.source_s)) for p in order.passages]
    play_beats = [starts[0][1]]
    for passage, (_, source_beat) in zip(order.passages, starts, strict=True):
        ends = grid.beat_at(passage.source_s + passage.length_s)
        play_beats.append(play_beats[-1] + ends - source_beat)
    shift = sum(cut.shift_beats for cut in cuts)
    end = max(last + round(shift), math.ceil(play_beats[-2]) + 1, first + 1)
    beats_s = []
    index = 0
    for beat in range(first, end + 1):
        while index + 1 < len(starts) and beat >= play_beats[index + 1] - ON_BEAT:
            index += 1
        play_s, source_beat = starts[index]
        passage = order.passages[index]
        within = grid.time_at(source_beat + beat - play_beats[index]) - passage.source_s
        beats_s.append(play_s + within)
    return replace(grid, beats_s=tuple(beats_s))
