"""The grid of a track and what was changed in it go in; tables and lines for people, and JSON, come out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table

from mixrender.facts import SURE, Grid, TrackFacts
from mixrender.report.document import Document
from mixrender.report.tables import NOT_MEASURABLE, new_table, number
from mixrender.report.track_document import track_document
from mixrender.timing.corrections import Change, doubt_in_words, grid_command

_FAIRLY = 0.5


def grid_table(file: Path, facts: TrackFacts) -> Table:
    """The grid of a track, one row for each part of it, with how sure it is."""
    grid, sure = facts.grid, facts.confidence
    table = new_table(f"Grid of {file.name}", "", "is*", "how sure*")
    if grid.kind == "none":
        table.add_row("beats", "none found", "")
        return table
    by_hand = bool(facts.corrections) or facts.locked
    table.add_row("tempo", f"{number(grid.tempo_bpm, digits=2)} BPM", how_sure(sure.tempo, by_hand=by_hand))
    table.add_row("beats", grid.kind, how_sure(sure.beats, by_hand=by_hand))
    table.add_row("bar 1", f"at {number(grid.bar_1_s, digits=3)} s", how_sure(sure.bar_1, by_hand=by_hand))
    table.add_row("beats per bar", str(grid.beats_per_bar), "")
    return table


def how_sure(probability: float, *, by_hand: bool = False) -> str:
    """A probability, 0 to 1, in words; what was set by hand is not asked again."""
    if by_hand:
        return "set by hand"
    if probability >= SURE:
        return "sure"
    return "fairly sure" if probability >= _FAIRLY else "doubtful"


def grid_lines(file: Path, facts: TrackFacts) -> list[str]:
    """What else is to be said of a grid: doubts with the command that cures each, corrections, the lock."""
    doubts = [doubt for doubt in facts.doubts if doubt.part != "key"]
    lines = [f"{doubt.part}: {doubt_in_words(doubt, file)}" for doubt in doubts]
    if facts.corrections:
        lines.append(f"corrected by hand: {'; '.join(facts.corrections)}")
    if facts.locked:
        lines.append(f"locked; {grid_command(file, '--unlock')} lets it be changed")
    return lines


def changes_table(changes: Sequence[Change]) -> Table:
    """The grid before the first change, and a row for the grid after each."""
    table = new_table("Grid", "", "BPM", "bar 1 s", "beats per bar", "grid*")
    for words, grid in [("before", changes[0].before), *((change.words, change.after) for change in changes)]:
        table.add_row(words, *_figures(grid))
    return table


def _figures(grid: Grid) -> tuple[str, str, str, str]:
    beats_per_bar = str(grid.beats_per_bar) if grid.kind != "none" else NOT_MEASURABLE
    return number(grid.tempo_bpm, digits=2), number(grid.bar_1_s, digits=3), beats_per_bar, grid.kind


def grid_document(file: Path, facts: TrackFacts, changes: Sequence[Change] = ()) -> Document:
    """One JSON document of a track's grid: the fields of `analyze --json`, and what was changed."""
    made = [
        {"words": change.words, "before": _grid_fields(change.before), "after": _grid_fields(change.after)}
        for change in changes
    ]
    return {**track_document(file, facts), "changes": made}


def _grid_fields(grid: Grid) -> Document:
    return {
        "tempo_bpm": grid.tempo_bpm,
        "grid": grid.kind,
        "beats_per_bar": grid.beats_per_bar,
        "first_downbeat_s": grid.bar_1_s,
    }
