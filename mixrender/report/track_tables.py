"""What is known of tracks to tables for people in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table

from mixrender.facts import TrackFacts
from mixrender.report.tables import NOT_MEASURABLE, new_table, number
from mixrender.units import format_time


def facts_table(tracks: Sequence[tuple[Path, TrackFacts]]) -> Table:
    """What the analysis found, one row per track."""
    table = new_table(
        "Tracks",
        "track",
        "length",
        "BPM",
        "bar 1 s",
        "grid*",
        "key*",
        "enter bar",
        "leave bar",
        "I LUFS",
        "true peak dBTP",
    )
    for file, facts in tracks:
        grid = facts.grid
        table.add_row(
            file.name,
            format_time(facts.duration_s),
            number(grid.tempo_bpm, digits=2),
            number(grid.bar_1_s, digits=3),
            f"{grid.kind}, corrected by hand" if facts.corrections else grid.kind,
            facts.key or NOT_MEASURABLE,
            str(facts.first_enter_bar or NOT_MEASURABLE),
            str(facts.last_leave_bar or NOT_MEASURABLE),
            number(facts.loudness.integrated_lufs),
            number(facts.loudness.true_peak_dbtp),
        )
    return table
