"""Writes files all or nothing: a final path goes in, a temporary one to write to comes out."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Iterator
from pathlib import Path

from mixrender.errors import InputError, MachineError


@contextlib.contextmanager
def atomic_path(final: Path) -> Iterator[Path]:
    """A temporary path, `.NAME.partial` in the folder of `final`, that becomes `final` when the context ends.

    The folder is made if it is missing. On any exception, Ctrl-C included, the temporary file is removed and
    `final` stays as it was. Raises InputError if `final` is a folder, MachineError if it cannot be written.
    """
    final = Path(final)
    if final.is_dir():
        raise InputError(f"{final}: a file is to be written there, but it is a folder. Choose another name.")
    part = final.with_name(f".{final.name}.partial")
    with writing(final):
        final.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        part.touch()  # finds out before the work whether the folder can be written
    try:
        yield part
        with writing(final):
            part.replace(final)
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def write_text_atomic(path: Path, text: str) -> None:
    """Write `text` to `path` as UTF-8 with plain line feeds, all or nothing."""
    with atomic_path(path) as part, writing(path):
        part.write_text(text, encoding="utf-8", newline="\n")


@contextlib.contextmanager
def writing(final: Path) -> Iterator[None]:
    """Turn what the system says while `final` is written into a MachineError that names it."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", None)):
            raise MachineError(f"{final}: the disk is full. Free some space and run it again.") from error
        raise MachineError(
            f"{final}: it cannot be written ({error.strerror or error}). "
            f"Choose another folder, or change the permissions of this one."
        ) from error
