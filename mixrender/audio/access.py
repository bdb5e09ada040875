"""A path in; nothing comes out of a file that can be read, an AudioError in plain words of any other."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mixrender.errors import AudioError


def require_file(path: Path) -> None:
    """Raise AudioError unless `path` is a file with something in it that this user may read."""
    if path.is_dir():
        raise AudioError(path, "it is a folder, not an audio file.")
    if path.is_symlink() and not path.exists():
        raise AudioError(path, "it is a link to what is not there, or to itself.")
    if not path.exists():
        raise AudioError(path, f"there is no such file.{_similar(path)}")
    if not path.is_file():
        raise AudioError(path, "it is not a regular file.")
    with faults_named(path):
        size = path.stat().st_size
        os.close(os.open(path, os.O_RDONLY))
    if size == 0:
        raise AudioError(path, "the file is empty (0 bytes).")


@contextmanager
def faults_named(path: Path) -> Iterator[None]:
    """Turn what the system says against reading a file into an AudioError."""
    try:
        yield
    except PermissionError:
        raise AudioError(path, "this user may not read it; its permissions must allow reading.") from None
    except OSError as error:
        raise AudioError(path, f"it cannot be read ({error.strerror}).") from error


def _similar(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f" The folder {path.parent} does not exist either." if not path.parent.exists() else ""
    by_lower = {name.lower(): name for name in names}
    near = difflib.get_close_matches(path.name.lower(), by_lower, n=1, cutoff=0.7)
    near += [name.lower() for name in names if Path(name).stem.lower() == path.stem.lower()]
    return f" Did you mean {by_lower[near[0]]!r}?" if near else ""
