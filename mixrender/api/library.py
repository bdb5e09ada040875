"""Files and folders in, what the library holds of them out: nothing is analysed, and no file is opened."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from mixrender.audio.cache import Cache
from mixrender.errors import InputError

if TYPE_CHECKING:
    from mixrender.analysis.store import KeptTrack


def list_tracks(paths: Sequence[Path] = (), *, cache: Cache | None = None) -> list[KeptTrack]:
    """What the library holds of these files and of those in these folders, or of all, in order of paths.

    Raises InputError for a path that neither the library nor the disk knows, MachineError if the library
    cannot be used.
    """
    # Like the analysis itself, it is loaded by those who need it.
    from mixrender.analysis.library import library_of

    library = library_of(cache or Cache())
    kept = library.tracks() if library.path.exists() else []
    chosen = _under(paths, kept) if paths else kept
    # os.path.exists is several times as fast as Path.exists, and there may be thousands.
    return [dataclasses.replace(t, is_missing=not os.path.exists(t.path)) for t in chosen]  # noqa: PTH110


def _under(paths: Sequence[Path], kept: Sequence[KeptTrack]) -> list[KeptTrack]:
    """The tracks that are one of the paths, or lie in one."""
    roots = {os.path.abspath(path): path for path in paths}  # noqa: PTH100 - as the library has them
    places = [str(track.path) for track in kept]
    inside = {root: set(_places_in(root, places)) for root in roots}
    for root, path in roots.items():
        if not inside[root] and not path.exists():
            raise InputError(
                f"{path}: there is no such file or folder, nor was there when tracks were analysed"
            )
    wanted = set[str]().union(*inside.values())
    return [track for track, place in zip(kept, places, strict=True) if place in wanted]


def _places_in(root: str, places: Sequence[str]) -> Iterator[str]:
    folder = root.rstrip(os.sep) + os.sep
    return (place for place in places if place == root or place.startswith(folder))
