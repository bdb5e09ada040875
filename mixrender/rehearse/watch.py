"""A plan's files, watched: a change of any of them comes out, however an editor saves it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

from watchfiles import Change, watch

from mixrender.errors import MixrenderError
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan

QUIET_MS, DEBOUNCE_MS = 40, 80
"""A change is told once nothing has changed for QUIET_MS, and after DEBOUNCE_MS at the latest."""

LOOK_MS = 250
"""How often the files are looked at even if the system tells of no change, as on network drives."""

ABSENT_S = 0.5
"""How long a plan may be away: some editors remove a file before they write it again."""

Stamp = tuple[int, int, int]
"""Of a file: inode, size in bytes, time of the last change in ns."""


def files_of(plan_file: Path, plan: Plan | None = None) -> frozenset[Path]:
    """The plan file and every file that it names, there or not; `plan` is what was read of it.

    A plan that cannot be rendered is read as far as it goes; where that is nowhere, the plan file is all.
    """
    if plan is None:
        try:
            plan = parse_plan(plan_file.read_text(encoding="utf-8"), file=plan_file)
        except (MixrenderError, OSError, ValueError):
            return frozenset({plan_file.absolute()})
    named = [sound.path for sound in plan.sounds]
    if plan.cover:
        named.append(plan.folder / plan.cover)
    return frozenset(path.absolute() for path in (plan_file, *named))


def changes(
    files: Callable[[], frozenset[Path]],
    stop: threading.Event,
    *,
    plan_file: Path,
    seen: Mapping[Path, Stamp | None] | None = None,
) -> Iterator[frozenset[Path]]:
    """Yield the files that have changed, as often as any does, until `stop` is set.

    `seen` are the stamps from which on changes count, taken before the files were first read; None: from now.
    `files` says which to watch, and is asked again and again: a plan may come to name others. Their folders
    are watched, so that a file that another one takes the place of is still seen.
    """
    watched = files()
    known = dict(seen or {})
    seen = {path: known[path] if path in known else _stamp(path) for path in watched}
    while not stop.is_set():
        for _ in _wakes(_folders(watched), stop):
            _await_return(plan_file, stop)
            now = stamps(watched)
            changed = frozenset(path for path in watched if now[path] != seen[path])
            seen = now
            if changed:
                yield changed
            if stop.is_set() or files() != watched:
                break
        watched = files()
        seen = {path: seen[path] if path in seen else _stamp(path) for path in watched}


def _wakes(folders: Iterable[Path], stop: threading.Event) -> Iterator[object]:
    """Something for every change in the folders, and every LOOK_MS."""
    try:
        yield from watch(
            *folders,
            watch_filter=_any_change,
            debounce=DEBOUNCE_MS,
            step=QUIET_MS,
            stop_event=stop,
            rust_timeout=LOOK_MS,
            yield_on_timeout=True,
            raise_interrupt=False,
            recursive=False,
        )
    except (OSError, RuntimeError):
        # A folder that has gone, or more folders than the system watches: looking is left.
        stop.wait(LOOK_MS / 1000.0)
        yield None


def _any_change(change: Change, path: str) -> bool:
    return True


def _folders(files: Iterable[Path]) -> set[Path]:
    """The folders of the files, and of what links lead to; of a folder that is missing the one above it."""
    folders = set()
    for file in files:
        for path in {file, file.resolve()}:
            folder = path.parent
            while not folder.is_dir() and folder != folder.parent:
                folder = folder.parent
            folders.add(folder)
    return folders


def stamps(files: Iterable[Path]) -> dict[Path, Stamp | None]:
    """What tells whether files have changed."""
    return {path: _stamp(path) for path in files}


def _stamp(path: Path) -> Stamp | None:
    try:
        stat = path.stat()
    except (OSError, ValueError):
        return None
    return stat.st_ino, stat.st_size, stat.st_mtime_ns


def _await_return(file: Path, stop: threading.Event) -> None:
    """Wait for a file that is just being replaced, or emptied to be written again."""
    until_s = time.monotonic() + ABSENT_S
    while time.monotonic() < until_s and not stop.is_set():
        stamp = _stamp(file)
        if stamp is not None and stamp[1] > 0:
            return
        time.sleep(0.01)
