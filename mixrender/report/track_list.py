"""Tracks of the library in, the list of them out: as a table for people, as CSV, as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table

from mixrender.analysis.store import KeptTrack
from mixrender.report.certainty import parts_in_doubt
from mixrender.report.csv_text import csv_text
from mixrender.report.document import Document
from mixrender.report.tables import new_table
from mixrender.report.track_columns import COLUMNS, Column


def list_table(tracks: Sequence[KeptTrack], columns: Sequence[Column]) -> Table:
    """One row for each track."""
    table = new_table("Library", *(column.header for column in columns))
    for track in tracks:
        table.add_row(*(_shown(track, column) for column in columns))
    return table


def _shown(track: KeptTrack, column: Column) -> str:
    text = column.text(column.value(track))
    return f"{text} (missing)" if track.is_missing and column.name in ("track", "file") else text


def list_csv(tracks: Sequence[KeptTrack], columns: Sequence[Column]) -> str:
    """CSV (RFC 4180): a line of names with their units, and one for each track; empty where not known."""
    rows = ([column.value(track) for column in columns] for track in tracks)
    return csv_text([column.field for column in columns], rows)


def list_document(tracks: Sequence[KeptTrack]) -> Document:
    """All columns of all tracks under their names with units, and what is in doubt; null: not known."""
    return {"tracks": [_track_document(track) for track in tracks]}


def _track_document(track: KeptTrack) -> Document:
    found = track.summary
    fields = {column.field: column.value(track) for column in COLUMNS}
    in_doubt = parts_in_doubt(found.grid, found.confidence, found.doubts) if found else ()
    return {
        "file": fields.pop("file"),
        **fields,
        "in_doubt": list(in_doubt),
        "doubts": [doubt.words for doubt in found.doubts] if found else [],
        "corrections": track.corrections,
        "locked": track.locked,
    }
