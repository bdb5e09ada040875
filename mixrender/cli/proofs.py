"""The options of `analyze` that make pictures and files with a metronome, and what is said of them."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from mixrender import api
from mixrender.errors import MixrenderError
from mixrender.facts import TrackFacts
from mixrender.report.cautions import LOUD
from mixrender.terminal import Terminal


class Format(StrEnum):
    """Formats of pictures, as words on the command line."""

    PNG = "png"
    SVG = "svg"


Picture = Annotated[
    Path | None,
    typer.Option(
        "--picture",
        metavar="DIR",
        help="Draw a page for each track into DIR, to see whether its beats and bars are right.",
        show_default=False,
    ),
]
PictureFormat = Annotated[Format, typer.Option("--picture-format", help="Format of the pictures.")]
Click = Annotated[
    Path | None,
    typer.Option(
        "--click",
        metavar="DIR",
        help="Write each track with a click on its beats into DIR, to hear whether they are right.",
        show_default=False,
    ),
]
Found = Sequence[tuple[Path, TrackFacts]]


def require_apart(files: Sequence[Path], *folders: Path | None) -> None:
    """Find out before the work whether a folder to write to holds music."""
    for folder in folders:
        if folder is not None:
            api.require_apart(files, folder)


def make_pictures(
    terminal: Terminal, found: Found, folder: Path | None, *, format: Format, faults: list[MixrenderError]
) -> list[dict[str, Any]]:
    """Draw every track; returns what each one's JSON gets, and appends what went wrong to `faults`."""
    if folder is None:
        return [{} for _ in found]
    documents: list[dict[str, Any]] = []
    for _, made in api.draw_tracks(found, folder, format=format.value, progress=terminal.progress()):
        if isinstance(made, MixrenderError):
            faults.append(made)
            terminal.fault(str(made))
        documents.append({"picture": None if isinstance(made, MixrenderError) else str(made)})
    drawn = sum(document["picture"] is not None for document in documents)
    terminal.say(f"Pictures in {folder}: {drawn}.")
    return documents


def make_clicks(
    terminal: Terminal, found: Found, folder: Path | None, *, faults: list[MixrenderError]
) -> list[dict[str, Any]]:
    """Write every track that has beats with clicks on them; otherwise as `make_pictures`."""
    if folder is None:
        return [{} for _ in found]
    documents: list[dict[str, Any]] = []
    for file, made in api.click_tracks(found, folder, progress=terminal.progress()):
        if made is None:
            terminal.warn([f"{file}: warning: no beat was found in it, so there is nothing to click on"])
        elif isinstance(made, MixrenderError):
            faults.append(made)
            terminal.fault(str(made))
        else:
            terminal.say(f"{made.file}: the track is {-made.gain_db:.1f} dB lower than in its own file")
            documents.append({"click": {"file": str(made.file), "gain_db": made.gain_db}})
            continue
        documents.append({"click": None})
    if any(document["click"] for document in documents):
        terminal.say(LOUD)
    return documents
