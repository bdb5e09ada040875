"""Keeps what was computed: a kind, a key and a maker go in, the path of the kept file comes out."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from mixrender.errors import MachineError
from mixrender.progress import NoProgress, Progress

STALE_AFTER_S = 86_400.0
"""Age in seconds after which an unfinished file must come from a run that was killed."""

RECENT_S = 3_600.0
"""Files used less than this many seconds ago may be in use by another process, and are not pruned."""

SPARE_BYTES = 64 * 1024 * 1024
"""Room left on the disk beyond what a job asks for."""

_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}  # Windows knows no quota error
_CLOSED = {errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST}
_SCRATCH = "scratch"
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


@dataclass(frozen=True)
class Entry:
    """One kept file: its kind, key, path, size in bytes, and when it was last used (seconds since 1970)."""

    kind: str
    key: str
    path: Path
    size_bytes: int
    used_at_s: float


class Cache:
    """A folder of files that can be made again, laid out as `root/kind/ab/abcdef.suffix`.

    `root` defaults to MIXRENDER_CACHE, else to this user's cache folder. Several threads and several
    processes may use one folder at the same time. `library_path` is where the library of tracks belongs: in
    a folder that was given, so that it holds everything; else, as corrections made by hand cannot be made
    again, not in the cache folder but in the one for this user's data. MIXRENDER_LIBRARY names another file.
    """

    def __init__(self, root: Path | None = None):
        given = os.environ.get("MIXRENDER_CACHE")
        chosen = root or (Path(given) if given else platformdirs.user_cache_path("mixrender"))
        self.root = Path(chosen).expanduser().absolute()
        named = os.environ.get("MIXRENDER_LIBRARY")
        home = self.root if root or given else platformdirs.user_data_path("mixrender")
        self.library_path = Path(named or home / "library.sqlite3").expanduser().absolute()
        self._lock = threading.Lock()
        self._key_locks: dict[Path, threading.Lock] = {}
        self._used: set[Path] = set()

    def make(self, kind: str, key: str, suffix: str, maker: Callable[[Path], None]) -> Path:
        """Path of the file kept under `kind` and `key`; if there is none, `maker` writes it first.

        `maker` gets a temporary path that ends in `suffix`; what it left there is put in place when it
        returns, and removed if it raises. Threads that ask for one key make it once; two processes may both
        make it, and either result stands. Raises MachineError if the folder cannot be written or is full.
        """
        path = self._path(kind, key, suffix)
        with self._lock:
            key_lock = self._key_locks.setdefault(path, threading.Lock())
            self._used.add(path)
        with key_lock:
            if not path.is_file():
                self._make(path, suffix, maker)
            with contextlib.suppress(OSError):  # a folder that may only be read still serves
                os.utime(path)
        return path

    def find(self, kind: str, key: str, suffix: str) -> Path | None:
        """Path of the file kept under `kind` and `key`, or None; counts as a use."""
        path = self._path(kind, key, suffix)
        if not path.is_file():
            return None
        with self._lock:
            self._used.add(path)
        with contextlib.suppress(OSError):
            os.utime(path)
        return path

    @contextlib.contextmanager
    def scratch(self) -> Iterator[Path]:
        """A folder for one run's passing files, removed with them when the context ends.

        A disk that runs full meanwhile is a MachineError. What a killed run leaves is removed a day later.
        """
        with self._faults_named():
            root = self.root / _SCRATCH
            root.mkdir(parents=True, exist_ok=True)
            self._remove_stale()
            folder = Path(tempfile.mkdtemp(prefix="run-", dir=root))
        try:
            with self._faults_named(closed=False):
                yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def require_space(self, n_bytes: int) -> None:
        """Raise MachineError unless the disk of this folder has `n_bytes` bytes free, and some to spare."""
        folder = self.root
        while not folder.exists() and folder != folder.parent:
            folder = folder.parent
        free = shutil.disk_usage(folder).free
        if free < n_bytes + SPARE_BYTES:
            raise MachineError(
                f"{self.root}: the work needs {_size(n_bytes)}, but {_size(free)} are free. Free some space "
                f"(`mixrender cache clear`), or set MIXRENDER_CACHE to a folder on another disk."
            )

    def entries(self) -> list[Entry]:
        """All kept files, the least recently used first."""
        found = [entry for entry in self._walk() if entry is not None]
        return sorted(found, key=lambda entry: (entry.used_at_s, str(entry.path)))

    def size_bytes(self) -> int:
        """How many bytes the kept files take."""
        return sum(entry.size_bytes for entry in self.entries())

    def prune(self, max_bytes: int) -> int:
        """Remove the least recently used files until `max_bytes` bytes are left; returns the bytes freed.

        What this run used, and what anyone used within the last hour, stays. Leftovers of killed runs go.
        """
        self._remove_stale()
        entries, now_s = self.entries(), time.time()
        total = sum(entry.size_bytes for entry in entries)
        freed = 0
        for entry in entries:
            if total - freed <= max_bytes:
                break
            if entry.path not in self._used and now_s - entry.used_at_s > RECENT_S:
                freed += _remove(entry)
        return freed

    def verify(self, *, progress: Progress | None = None) -> list[Entry]:
        """Read every kept file, and return those whose bytes are not the ones that were put there."""
        entries, damaged = self.entries(), []
        total = sum(entry.size_bytes for entry in entries)
        with (progress or NoProgress()).task("Verifying the cache", total=total) as advance:
            for entry in entries:
                with contextlib.suppress(FileNotFoundError):  # another process may prune at the same time
                    if _digest(entry.path) != _sum_of(entry.path).read_text(encoding="ascii"):
                        damaged.append(entry)
                advance(entry.size_bytes)
        return damaged

    def remove(self, entries: Iterable[Entry]) -> int:
        """Remove these files; returns the bytes freed. They are made again when they are next asked for."""
        return sum(_remove(entry) for entry in entries)

    def clear(self) -> int:
        """Remove every kept file that this run did not use; returns the bytes freed."""
        self._remove_stale()
        return self.remove(entry for entry in self.entries() if entry.path not in self._used)

    def _path(self, kind: str, key: str, suffix: str) -> Path:
        for word in (kind, key):
            if not _WORD.fullmatch(word):
                raise ValueError(f"{word!r} cannot name a file of the cache")
        return self.root / kind / key[:2] / f"{key}{suffix}"

    def _make(self, path: Path, suffix: str, maker: Callable[[Path], None]) -> None:
        part = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.partial{suffix}")
        with self._faults_named():
            path.parent.mkdir(parents=True, exist_ok=True)
            part.touch(exist_ok=False)  # finds out before the work whether the folder can be written
        try:
            with self._faults_named():
                maker(part)
                _sum_of(path).write_text(_digest(part), encoding="ascii")
                _put_in_place(part, path)
        finally:
            with contextlib.suppress(OSError):
                part.unlink()

    @contextlib.contextmanager
    def _faults_named(self, *, closed: bool = True) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            if error.errno in _FULL:
                raise MachineError(
                    f"{self.root}: the disk is full. Free some space (`mixrender cache clear`), or set "
                    f"MIXRENDER_CACHE to a folder on another disk."
                ) from error
            if closed and error.errno in _CLOSED:
                raise MachineError(
                    f"{self.root}: the cache folder cannot be written ({error.strerror}). "
                    f"Set MIXRENDER_CACHE to a folder that can."
                ) from error
            raise

    def _walk(self) -> Iterator[Entry | None]:
        for path in self.root.glob("*/??/*"):
            if path.name.startswith("."):
                continue
            with contextlib.suppress(FileNotFoundError):  # another process may prune at the same time
                stat = path.stat()
                kind, key = path.parts[-3], path.name.split(".")[0]
                yield Entry(kind, key, path, stat.st_size, stat.st_mtime)

    def _remove_stale(self) -> None:
        now_s = time.time()
        for path in [*self.root.glob("*/??/.*.partial*"), *self.root.glob(f"{_SCRATCH}/run-*")]:
            with contextlib.suppress(OSError):
                if now_s - _changed_at_s(path) > STALE_AFTER_S:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()


def _put_in_place(part: Path, path: Path) -> None:
    try:
        part.replace(path)
    except PermissionError:
        # Where open files cannot be replaced, another process that made the same file is reading it.
        if not path.is_file():
            raise


def _sum_of(path: Path) -> Path:
    """Where the checksum of a kept file stands: beside it, under a name that is no kept file's."""
    return path.with_name(f".{path.name}.blake2b")


def _digest(path: Path) -> str:
    digest = hashlib.blake2b(digest_size=16)
    with path.open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def _changed_at_s(path: Path) -> float:
    """When a file, or anything in a folder, was last written."""
    return max(found.stat().st_mtime for found in (path, *path.glob("*")))


def _remove(entry: Entry) -> int:
    try:
        entry.path.unlink()
        _sum_of(entry.path).unlink(missing_ok=True)
    except OSError:  # in use, or gone already
        return 0
    return entry.size_bytes


def _size(n_bytes: int) -> str:
    return f"{n_bytes / 1e9:.1f} GB" if n_bytes >= 1e9 else f"{n_bytes / 1e6:.0f} MB"
