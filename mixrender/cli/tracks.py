"""The commands about tracks: what is known of them, kept in the library."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from mixrender import api
from mixrender.analysis.track_warnings import all_warnings
from mixrender.cli import proofs
from mixrender.cli.options import AsCsv, AsJson, AudioFiles, Jobs, Quiet, leave
from mixrender.errors import InputError, MixrenderError
from mixrender.facts import TrackFacts
from mixrender.report import track_columns, track_document, track_list, track_tables
from mixrender.terminal import Terminal

Paths = Annotated[
    list[Path] | None,
    typer.Argument(metavar="[FILE|FOLDER]...", help="Files, or folders, to list.", show_default=False),
]
Sort = Annotated[
    str | None,
    typer.Option(
        "--sort", metavar="COLUMN", help="Sort by a column (unless told: by path).", show_default=False
    ),
]
Reverse = Annotated[bool, typer.Option("--reverse", help="The other way round.")]
Columns = Annotated[
    str | None,
    typer.Option(
        "--columns", metavar="A,B,C", help="The columns to show, in that order.", show_default=False
    ),
]


def analyze(
    files: AudioFiles,
    picture: proofs.Picture = None,
    picture_format: proofs.PictureFormat = proofs.Format.PNG,
    click: proofs.Click = None,
    jobs: Jobs = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Find tempo, beats, bars, key, sections and loudness of tracks.

    What is found is kept, by content: a second run on the same files costs next to nothing.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        proofs.require_apart(files, picture, click)
        found: list[tuple[Path, TrackFacts]] = []
        faults: list[MixrenderError] = []
        for file, result in api.analyze_many(files, progress=terminal.progress(), jobs=jobs):
            if isinstance(result, TrackFacts):
                found.append((file, result))
            else:
                faults.append(result)
                terminal.fault(str(result))
        if found:
            terminal.show(track_tables.facts_table(found))
        for file, facts in found:
            if not as_json:
                terminal.warn([f"{file}: warning: {text}" for text in all_warnings(facts, file=file)])
        documents = [track_document.track_document(file, facts) for file, facts in found]
        pictures = proofs.make_pictures(terminal, found, picture, format=picture_format, faults=faults)
        clicks = proofs.make_clicks(terminal, found, click, faults=faults)
        rows = [a | b | c for a, b, c in zip(documents, pictures, clicks, strict=True)]
        terminal.document({"tracks": rows})
        leave(faults)


def list_command(
    paths: Paths = None,
    sort: Sort = None,
    is_reversed: Reverse = False,
    columns: Columns = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
) -> None:
    """List the tracks that were analysed: all, or these files and those in these folders.

    No file is opened. A table shows the first ten columns, CSV all, unless --columns names some: track,
    artist, title, tempo, key, length, loudness, grid, sure, by-hand, peak, album, genre, date, tag-tempo,
    tag-key, missing, file. By key they are sorted along the circle of fifths.
    """
    terminal = Terminal(as_json=as_json)
    with terminal.reported():
        if as_json and as_csv:
            raise InputError("--json and --csv are two forms of one output; choose one")
        shown = track_columns.columns_named(columns)
        order = track_columns.column_named(sort) if sort else None
        tracks = api.list_tracks(paths or [])
        if order is not None:
            tracks = track_columns.in_order_of(order, tracks, is_reversed=is_reversed)
        elif is_reversed:
            tracks = tracks[::-1]
        if not (tracks or as_json):
            terminal.fault(_nothing(paths or []))
        if as_json:
            terminal.document(track_list.list_document(tracks))
        elif as_csv:
            terminal.data(track_list.list_csv(tracks, shown))
        elif tracks:
            some = shown if columns else shown[: track_columns.SHOWN]
            terminal.show(track_list.list_table(tracks, some))


def _nothing(paths: Sequence[Path]) -> str:
    """What to say, and to do, where the library holds nothing of what was asked for."""
    names = " ".join(shlex.quote(str(path)) for path in paths)
    what = f"nothing of {names} is in the library" if paths else "the library is empty"
    return f"{what}: run `mixrender analyze {names or 'FOLDER'}` first"
