"""What is known of tracks to tables for people in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table

from mixrender.facts import TrackFacts
from mixrender.report.certainty import by_hand_in_words, parts_in_doubt, sure_in_words
from mixrender.report.tables import NOT_MEASURABLE, new_table, number
from mixrender.units import format_time


def facts_table(tracks: Sequence[tuple[Path, TrackFacts]]) -> Table:
    """What the analysis found, one row per track; `enter` and `leave` are bars."""
    table = new_table(
        "Tracks",
        "track",
        "length",
        "BPM",
        "bar 1 s",
        "grid*",
        "sure*",
        "key*",
        "enter",
        "leave",
        "I LUFS",
        "peak dBTP",
    )
    for file, facts in tracks:
        grid = facts.grid
        table.add_row(
            file.name,
            format_time(facts.duration_s),
            number(grid.tempo_bpm, digits=2),
            number(grid.bar_1_s, digits=3),
            grid.kind,
            _sure(facts),
            facts.key or NOT_MEASURABLE,
            str(facts.first_enter_bar or NOT_MEASURABLE),
            str(facts.last_leave_bar or NOT_MEASURABLE),
            number(facts.loudness.integrated_lufs),
            number(facts.loudness.true_peak_dbtp),
        )
    return table


def _sure(facts: TrackFacts) -> str:
    """Which parts need a look; a grid that was set by hand needs none."""
    parts = parts_in_doubt(facts.grid.kind, facts.confidence, facts.doubts)
    words = sure_in_words(facts.grid.kind, parts)
    hand = by_hand_in_words(is_corrected=bool(facts.corrections), is_locked=facts.locked)
    return f"{words}, {hand}" if hand else words
