"""Results to tables for people in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich import box
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from mixrender.facts import Loudness
from mixrender.report.document import key_relation
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import format_time

NOT_MEASURABLE = "–"


def number(value: float | None, *, digits: int = 1, sign: bool = False) -> str:
    """A figure for people, at most `digits` decimals; a dash where it could not be measured."""
    if value is None:
        return NOT_MEASURABLE
    # Adding 0 after rounding takes the sign from a zero.
    return f"{round(value, digits) + 0.0:{'+' if sign else ''}.{digits}f}"


def new_table(title: str, *columns: str) -> Table:
    """A table whose first column is words and whose others are figures, named with their units."""
    table = Table(
        title=title,
        title_justify="left",
        title_style="bold",
        header_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
    )
    for i, column in enumerate(columns):
        words = i == 0 or column.endswith("*")
        table.add_column(column.rstrip("*"), justify="left" if words else "right", overflow="fold")
    return table


def time_told(time_s: float | None) -> str:
    """A time in minutes and seconds; a dash where there is none."""
    return NOT_MEASURABLE if time_s is None else format_time(time_s)


def range_told(loudness: Loudness) -> str:
    """A loudness range, with a mark where it is not stable."""
    return number(loudness.loudness_range_lu) + ("*" if _is_unstable(loudness) else "")


def mark_unstable(table: Table, told: Sequence[Loudness]) -> None:
    """Say below a table what the mark of `range_told` means, if one of them has it."""
    if any(map(_is_unstable, told)):
        table.caption = "* the loudness range of less than a minute of sound is not stable (EBU Tech 3341)"
        table.caption_justify = "left"


def _is_unstable(loudness: Loudness) -> bool:
    return loudness.loudness_range_lu is not None and loudness.duration_s < 60.0


def move_tables(lines: Sequence[tuple[str, str, str]]) -> list[Padding]:
    """What is done to the tracks: a row for each line of (transition, what, words); none without lines.

    The words go on below each other where a terminal is narrow.
    """
    if not lines:
        return []
    table = new_table("Moves", "", "what*", "what is done to it*")
    for column in table.columns[:2]:
        column.no_wrap = True
    for where, what, words in lines:
        table.add_row(where, what, Text(words))
    return [Padding(table, 0, expand=False)]


def timeline_tables(timeline: Timeline) -> list[Table]:
    """The resolved timeline: a row per track and a row per transition."""
    told = [_grid_told(track) for track in timeline.tracks]
    column = ["grid*"] if any(told) else []
    tracks = new_table("Tracks", "track", "from", "to", "BPM", "speed %", "key*", *column)
    for track, grid_told in zip(timeline.tracks, told, strict=True):
        changes = [
            change
            for t in timeline.transitions
            for name, change in t.tempo_change_percent.items()
            if name == track.name
        ]
        low = min((c.min for c in changes), default=0.0)
        high = max((c.max for c in changes), default=0.0)
        tracks.add_row(
            track.name,
            format_time(track.start_s),
            format_time(track.end_s),
            number(track.grid.tempo_bpm, digits=2),
            _range(low, high),
            track.key or NOT_MEASURABLE,
            *([grid_told] if column else []),
        )
    transitions = new_table(
        "Transitions",
        "",
        "from → to*",
        "at",
        "until",
        "bars",
        "leave",
        "enter",
        "BPM",
        "stretch %",
        "recipe*",
        "keys*",
    )
    for t in timeline.transitions:
        transitions.add_row(
            str(t.index),
            f"{timeline.tracks[t.outgoing].name} → {timeline.tracks[t.incoming].name}",
            format_time(t.start_s),
            format_time(t.end_s),
            f"{t.overlap_bars:g}",
            _bar(t.leave_bar, t.leave_s),
            _bar(t.enter_bar, t.enter_s),
            _tempos(t),
            _stretches(timeline, t),
            t.recipe,
            keys_told(timeline, t),
        )
    return [tracks, transitions] if timeline.transitions else [tracks]


def _grid_told(track: TrackPlacement) -> str:
    """Who says where the beats of a track lie, if it is not the analysis."""
    if track.file_grid != track.facts.grid:
        return "as the plan says"
    return "corrected by hand" if track.facts.corrections else ""


def _range(low: float, high: float) -> str:
    if abs(high - low) < 0.05:
        return number(low, sign=True) if abs(low) >= 0.05 else "0"
    return f"{number(low, sign=True)} to {number(high, sign=True)}"


def _bar(bar: float | None, second: float) -> str:
    return f"{bar:g}" if bar is not None else f"{second:.1f} s"


def _tempos(t: TransitionPlacement) -> str:
    return f"{number(t.from_tempo_bpm, digits=2)} → {number(t.to_tempo_bpm, digits=2)}"


def _stretches(timeline: Timeline, t: TransitionPlacement) -> str:
    """By how much each of the two tracks is sped up or slowed down in a transition."""
    names = timeline.tracks[t.outgoing].name, timeline.tracks[t.incoming].name
    changes = [t.tempo_change_percent[name] for name in names]
    return " / ".join(_range(change.min, change.max) for change in changes)


def keys_told(timeline: Timeline, t: TransitionPlacement) -> str:
    """How the keys of a transition's two tracks lie to each other, in words."""
    relation = key_relation(timeline.tracks[t.outgoing].key, timeline.tracks[t.incoming].key)
    return relation or NOT_MEASURABLE


def cache_table(held: dict[str, Any]) -> Table:
    """What the cache holds, one row per kind."""
    table = new_table(f"Cache: {held['folder']}", "kind", "files", "MB")
    for kind in held["kinds"]:
        table.add_row(kind["kind"], str(kind["files"]), number(kind["bytes"] / 1e6))
    table.add_row("all", str(held["files"]), number(held["bytes"] / 1e6))
    return table
