"""Tracks and their facts in, what people check the facts by out: pictures, and files with a metronome."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from mixrender.api.files import audio_files
from mixrender.errors import InputError, MixrenderError
from mixrender.facts import TrackFacts
from mixrender.mixdown.click_track import ClickTrack, write_click_track
from mixrender.progress import NoProgress, Progress

if TYPE_CHECKING:
    from mixrender.report.picture_page import PictureFormat

Found = tuple[Path, TrackFacts]

_MOST_BYTES = 180
"""Names of files may have 255 bytes nearly everywhere; the rest is for what is added to a stem."""


def draw_tracks(
    found: Sequence[Found],
    folder: Path,
    *,
    format: PictureFormat = "png",
    progress: Progress | None = None,
) -> Iterator[tuple[Path, Path | MixrenderError]]:
    """Draw each track to `folder`: pairs of its file and the picture, or the fault that was in the way.

    Raises InputError, before anything is drawn, if a track lies in `folder` itself, MachineError if the
    folder cannot be written.
    """
    # What is drawn comes from the analysis, which imports what takes the longest to load.
    from mixrender.report.track_picture import write_track_picture

    outs = proof_paths([file for file, _ in found], folder, suffix=f".{format}")
    for (file, facts), out in zip(found, outs, strict=True):
        try:
            with (progress or NoProgress()).task(f"Drawing {file.name}", total=1.0) as advance:
                write_track_picture(file, facts, out, format=format, advance=advance)
            yield file, out
        except InputError as fault:
            yield file, fault


def click_tracks(
    found: Sequence[Found], folder: Path, *, progress: Progress | None = None
) -> Iterator[tuple[Path, ClickTrack | MixrenderError | None]]:
    """Write each track with a metronome on its beats to `folder`, as FLAC.

    Yields what was written, None for a track without beats, or the fault that was in the way.

    Raises InputError, before anything is written, if a track lies in `folder` itself, MachineError if the
    folder cannot be written.
    """
    outs = proof_paths([file for file, _ in found], folder, suffix="-click.flac")
    for (file, facts), out in zip(found, outs, strict=True):
        try:
            if facts.grid.kind == "none":
                yield file, None
                continue
            yield file, write_click_track(file, facts, out, progress=progress)
        except InputError as fault:
            yield file, fault


def require_apart(files: Sequence[Path], folder: Path) -> None:
    """Raise InputError if one of the files, or of those in the folders among them, lies in `folder` itself.

    What is made there would pass for music the next time.
    """
    for file in audio_files(files):
        if file.resolve().parent == folder.resolve():
            raise InputError(
                f"{folder}: {file.name} is there, and nothing is written beside music. Choose another folder."
            )


def proof_paths(files: Sequence[Path], folder: Path, *, suffix: str) -> list[Path]:
    """Where each file's proof goes: `folder/STEM` and `suffix`, numbered where two would have one name.

    Raises InputError if one of the files lies in `folder`.
    """
    require_apart(files, folder)
    taken: set[str] = set()
    paths = []
    for file in files:
        stem = _legal(file.stem)
        names = (f"{stem}{number}" for number in _numbers())
        name = next(name for name in names if name.casefold() not in taken)
        taken.add(name.casefold())
        paths.append(folder / f"{name}{suffix}")
    return paths


def _numbers() -> Iterator[str]:
    yield ""
    number = 2
    while True:
        yield f"-{number}"
        number += 1


def _legal(stem: str) -> str:
    """A stem that every file system takes: no line breaks, whole characters, not too long."""
    text = "".join(c if c.isprintable() else "_" for c in stem)
    while len(os.fsencode(text)) > _MOST_BYTES:
        text = text[:-1]
    return text.rstrip(" .") or "track"
