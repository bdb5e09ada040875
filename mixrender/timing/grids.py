"""Analysed facts and what the plan says to the grid, and the bars to enter and leave, that a mix goes by."""

from __future__ import annotations

import math

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Plan, Track
from mixrender.timing.corrections import Correction, CorrectionError, corrected, doubt_in_words
from mixrender.units import ratio_to_percent

TEMPO_DOUBT = 0.005
"""A written tempo that differs from the measured one by more than this share is warned of."""


def counting_factor(tempo_bpm: float, against_bpm: float) -> float:
    """2, 1 or 0.5: the factor on `against_bpm` that comes nearest to `tempo_bpm` on a log scale.

    The borders are the square roots of 2 and of 1/2: 170 against 85 counts double, 70 against 140 half.
    """
    ratio = tempo_bpm / against_bpm
    if ratio > math.sqrt(2.0):
        return 2.0
    return 0.5 if ratio < math.sqrt(0.5) else 1.0


def grid_of(plan: Plan, track: Track, facts: TrackFacts) -> tuple[Grid, list[Problem]]:
    """The grid that the mix goes by: the known one, corrected by what the plan's `grid` says.

    A grid that cannot be corrected so is left as it is, with the problem why.
    """
    said, path = track.grid, (*plan.path_of(track), "grid")
    first_s, end_s = facts.first_sound_s, facts.duration_s
    if said is None:
        return facts.grid, []
    wanted = Correction(
        tempo_bpm=said.tempo_bpm,
        count=said.count or "plain",
        shift=said.shift,
        bar_1_s=said.bar_1_s,
        beats_per_bar=said.beats_per_bar,
    )
    try:
        changes = corrected(facts.grid, wanted, first_sound_s=first_s, duration_s=end_s)
    except CorrectionError as fault:
        place = path if fault.missing else (*path, fault.field)
        return facts.grid, [plan.problem(place, _in_words(fault, track))]
    return changes[-1].after if changes else facts.grid, _tempo_doubts(plan, track, facts)


def _in_words(fault: CorrectionError, track: Track) -> str:
    """A fault of a correction, with what to write in a plan."""
    example = {"tempo": "its tempo too: `tempo: 126 BPM`", "bar_1": "`bar_1` too: `bar_1: 0.231 s`"}
    if fault.missing:
        return f"{fault} in {track.file.name}, so `grid` needs {example[fault.missing]}"
    return str(fault)


def _tempo_doubts(plan: Plan, track: Track, facts: TrackFacts) -> list[Problem]:
    """A warning where the written tempo is not the one that is known, half and double allowed."""
    said_bpm, known_bpm = track.grid.tempo_bpm if track.grid else None, facts.grid.tempo_bpm
    if said_bpm is None or known_bpm is None or _agrees(said_bpm, known_bpm):
        return []
    percent = ratio_to_percent(said_bpm / known_bpm)
    known = "corrected" if facts.corrections else "measured"
    message = f"{said_bpm:g} BPM is {percent:+.1f} % off the {known} {known_bpm:.2f} BPM"
    return [plan.problem((*plan.path_of(track), "grid", "tempo"), message, "warning")]


def doubts_of(plan: Plan, track: Track, facts: TrackFacts) -> list[Problem]:
    """What the analysis was not sure of, as warnings, unless the plan says itself where the beats lie.

    Doubts of the key are left to `analyze`: a key is a hint, and nothing is placed by it.
    """
    if track.grid is not None:
        return []
    path = plan.path_of(track)
    grid_doubts = [doubt for doubt in facts.doubts if doubt.part != "key"]
    texts = [f"'{track.file.name}': {doubt_in_words(doubt, track.path)}" for doubt in grid_doubts]
    return [plan.problem(path, text, "warning") for text in texts]


def _agrees(said_bpm: float, measured_bpm: float) -> bool:
    """Whether two tempos agree, a factor of 2 either way allowed."""
    return any(abs(said_bpm / (measured_bpm * factor) - 1.0) <= TEMPO_DOUBT for factor in (0.5, 1.0, 2.0))


def enter_bar(facts: TrackFacts, grid: Grid) -> int:
    """First bar worth sounding, on the grid the mix goes by: a whole bar in which the file has begun."""
    if facts.first_enter_bar is not None and facts.grid.kind != "none":
        wanted_s = facts.grid.time_at(facts.grid.bar_to_beat(facts.first_enter_bar))
    else:
        wanted_s = facts.first_sound_s
    return round(grid.beat_to_bar(grid.beat_at(wanted_s)))


def leave_bar(facts: TrackFacts, grid: Grid) -> int:
    """Bar line by which the track should be gone, on the grid the mix goes by."""
    if facts.last_leave_bar is not None and facts.grid.kind != "none":
        wanted_s = facts.grid.time_at(facts.grid.bar_to_beat(facts.last_leave_bar))
        leave = round(grid.beat_to_bar(grid.beat_at(wanted_s)))
        # A track that sounds through its last whole bar sounds to the line that its file ends just short of.
        if leave < math.floor(grid.beat_to_bar(grid.beat_at(facts.duration_s))):
            return leave
    return last_bar_line(facts.duration_s, grid)


def last_bar_line(duration_s: float, grid: Grid) -> int:
    """Last bar line that sound of this length reaches; what ends up to half a beat early still counts."""
    return math.floor(grid.beat_to_bar(grid.beat_at(duration_s) + 0.5))
