"""Files and folders go in, the audio files among them come out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from mixrender.errors import InputError

AUDIO_SUFFIXES = frozenset(
    [
        ".wav",
        ".wave",
        ".aif",
        ".aiff",
        ".aifc",
        ".flac",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".m4a",
        ".mp4",
        ".aac",
        ".alac",
        ".wma",
        ".caf",
        ".w64",
        ".rf64",
    ]
)
"""What is taken for audio in a folder; a file that is named is tried whatever it is called."""


def audio_files(paths: Sequence[Path]) -> list[Path]:
    """Files as they are given, and the audio files in the folders among them: `find_audio` without faults."""
    return [path for path, fault in find_audio(paths) if fault is None]


def find_audio(paths: Sequence[Path]) -> list[tuple[Path, InputError | None]]:
    """Files as they are given, and those in the folders among them by name; each once, by its full path.

    Hidden files and folders are passed over, links to folders are followed, but no folder is searched twice.
    A folder that cannot be searched, or holds no audio, stands there with its fault.
    """
    found: dict[str, tuple[Path, InputError | None]] = {}
    for path in paths:
        inside = _inside(path) if path.is_dir() else [(path, None)]
        for one in inside or [(path, InputError(f"{path}: no audio file was found in this folder"))]:
            # Not resolved: a link to a file is a file with a name of its own.
            found.setdefault(os.path.abspath(one[0]), one)  # noqa: PTH100 - absolute() keeps `..`
    return list(found.values())


def _inside(root: Path) -> list[tuple[Path, InputError | None]]:
    found: list[tuple[Path, InputError | None]] = []

    def closed(error: OSError) -> None:
        folder = Path(error.filename)
        found.append((folder, InputError(f"{folder}: this folder cannot be searched ({error.strerror})")))

    searched: set[tuple[int, int]] = set()
    for folder, folders, names in os.walk(root, onerror=closed, followlinks=True):
        try:
            stat = os.stat(folder)  # noqa: PTH116 - os.walk gives texts
        except OSError as error:
            closed(error)
            continue
        if (stat.st_dev, stat.st_ino) in searched:  # a link leads back to where the search has been
            folders.clear()
            continue
        searched.add((stat.st_dev, stat.st_ino))
        folders[:] = sorted(name for name in folders if not _is_hidden(name))
        files = (Path(folder, name) for name in names if not _is_hidden(name))
        # Links to nothing and pipes as well: who reads them says what is wrong with them.
        found += [(file, None) for file in files if _is_audio(file)]
    return sorted(found, key=lambda one: one[0])


def _is_audio(file: Path) -> bool:
    return file.suffix.lower() in AUDIO_SUFFIXES


def _is_hidden(name: str) -> bool:
    """Whether a file or folder is hidden, or holds what macOS keeps beside files on foreign drives."""
    return name.startswith(".") or name == "__MACOSX"
