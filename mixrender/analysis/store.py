"""Facts of tracks go into one SQLite file under the hash of their sound, and come back from it.

It holds what the analysis found, what the user corrected by hand, and where each file was last seen.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mixrender.analysis import schema
from mixrender.analysis.facts_json import facts_from_json, grid_from_json, tags_from_json, to_json
from mixrender.analysis.summary import TrackSummary, summary_from_json, summary_of
from mixrender.errors import MachineError
from mixrender.facts import FileTags, Grid, TrackFacts

_BUSY_TIMEOUT_S = 20.0


@dataclass(frozen=True)
class Edit:
    """One correction by hand: what was done in words, and what holds from then on.

    `grid` None leaves the grid as it was before, `locked` None the lock. An edit that locks or unlocks is no
    correction: it leaves the grid as it is, or holds it fast.
    """

    words: str
    grid: Grid | None = None
    locked: bool | None = None


@dataclass(frozen=True)
class Stamp:
    """By what a file shows that it was changed: size in bytes, times in ns of its content and its entry."""

    size_bytes: int
    mtime_ns: int
    ctime_ns: int

    @staticmethod
    def of(file: Path) -> Stamp:
        """The stamp of a file now; raises OSError."""
        stat = file.stat()
        return Stamp(stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns)


@dataclass(frozen=True)
class SeenFile:
    """A file as it was last seen: its sound, the programs that read it, its tags.

    `stamp` is None where it must be looked at again.
    """

    path: Path
    content_hash: str
    stamp: Stamp | None = None
    reader: str = ""
    tags: FileTags = field(default_factory=FileTags)


@dataclass(frozen=True)
class KeptTrack:
    """One file of the library with what a list shows of it; `summary` None: to be analysed again.

    `corrections` counts those by hand. Whether a file `is_missing` the library does not know.
    """

    path: Path
    tags: FileTags
    summary: TrackSummary | None
    corrections: int = 0
    locked: bool = False
    is_missing: bool = False


@dataclass(frozen=True)
class FactsStore:
    """The library of analysed tracks in one SQLite file; made when first asked.

    Every call opens the file anew, so that one store serves many threads and processes; a writer waits up to
    20 s for another. All methods raise MachineError when the file cannot be used.
    """

    path: Path

    def get(self, content_hash: str, analysis_version: str) -> TrackFacts | None:
        """What that version of the analysis found in that sound; None when it has not been asked."""
        query = "SELECT facts FROM facts WHERE content_hash = ? AND analysis_version = ?"
        rows = self._run(query, (content_hash, analysis_version))
        return facts_from_json(rows[0][0]) if rows else None

    def has(self, content_hash: str, analysis_version: str) -> bool:
        """Whether facts by that version are there, without reading them."""
        query = "SELECT 1 FROM facts WHERE content_hash = ? AND analysis_version = ?"
        return bool(self._run(query, (content_hash, analysis_version)))

    def put(self, facts: TrackFacts) -> None:
        """Keep facts as they were measured; what was kept for the same sound and version is replaced.

        The first word of a version names the analysis: facts of the same sound by another one are dropped.
        """
        sound, version = facts.content_hash, facts.analysis_version
        values = (sound, version, to_json(summary_of(facts)), to_json(facts))
        with self._writing() as connection:
            connection.execute(
                "DELETE FROM facts WHERE content_hash = ? AND "
                "substr(analysis_version, 1, instr(analysis_version || ' ', ' ') - 1) <> ?",
                (sound, version.split(" ")[0]),
            )
            connection.execute("INSERT OR REPLACE INTO facts VALUES (?, ?, ?, ?)", values)

    def edits(self, content_hash: str) -> list[Edit]:
        """All corrections by hand of that sound, the first made first."""
        query = "SELECT words, grid, locked FROM edits WHERE content_hash = ? ORDER BY id"
        return [_edit(*row) for row in self._run(query, (content_hash,))]

    def add_edit(self, content_hash: str, edit: Edit) -> None:
        """Keep a correction by hand; it outlives new versions of the analysis and new tags."""
        grid = None if edit.grid is None else to_json(edit.grid)
        self._run(
            "INSERT INTO edits (content_hash, made_at, words, grid, locked) VALUES (?, ?, ?, ?, ?)",
            (content_hash, schema.now_text(), edit.words, grid, edit.locked),
        )

    def undo_edit(self, content_hash: str) -> Edit | None:
        """Drop the last correction of that sound and return it; None where there is none."""
        with self._writing() as connection:
            row = connection.execute(_LAST_EDIT, (content_hash,)).fetchone()
            if row is None:
                return None
            connection.execute("DELETE FROM edits WHERE id = ?", row[:1])
            return _edit(*row[1:])

    def saw(self, file: SeenFile) -> None:
        """Remember a file as it is now."""
        stamp = file.stamp or Stamp(-1, -1, -1)
        self._run(
            "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                _path_key(file.path),
                file.content_hash,
                stamp.size_bytes,
                stamp.mtime_ns,
                stamp.ctime_ns,
                file.reader,
                to_json(file.tags),
                schema.now_text(),
            ),
        )

    def seen(self, file: Path) -> SeenFile | None:
        """What is remembered of a file at its place, whatever is there now."""
        query = "SELECT content_hash, size_bytes, mtime_ns, ctime_ns, reader, tags FROM files WHERE path = ?"
        rows = self._run(query, (_path_key(file),))
        if not rows:
            return None
        content_hash, size_bytes, mtime_ns, ctime_ns, reader, tags = rows[0]
        found = tags_from_json(tags or "")
        stamp = Stamp(size_bytes, mtime_ns, ctime_ns) if found and size_bytes not in (None, -1) else None
        return SeenFile(file, content_hash, stamp, reader or "", found or FileTags())

    def files(self) -> list[tuple[Path, str]]:
        """Every file seen, in the order of their paths, with its content hash."""
        rows = self._run("SELECT path, content_hash FROM files ORDER BY path", ())
        return [(_path_from(key), content_hash) for key, content_hash in rows]

    def places(self, content_hash: str) -> list[Path]:
        """Where files with that sound were last seen, in the order of their paths."""
        rows = self._run("SELECT path FROM files WHERE content_hash = ? ORDER BY path", (content_hash,))
        return [_path_from(key) for (key,) in rows]

    def tracks(self) -> list[KeptTrack]:
        """Every file seen, in the order of their paths, with the latest facts and edits of its sound."""
        return [_kept(*row) for row in self._run(_TRACKS, ())]

    def forget(self, file: Path) -> None:
        """Forget a file's place; the facts of its sound stay."""
        self._run("DELETE FROM files WHERE path = ?", (_path_key(file),))

    def knows_whole_files(self) -> bool:
        """Whether corrections wait for their sound under a hash of all bytes of a file: see `adopt`."""
        return bool(self._run("SELECT 1 FROM whole_file_hashes LIMIT 1", ()))

    def adopt(self, whole_file_hash: str, content_hash: str) -> None:
        """Move the corrections that version 1 kept under the hash of a whole file to that of its sound."""
        with self._writing() as connection:
            query = "DELETE FROM whole_file_hashes WHERE content_hash = ?"
            if connection.execute(query, (whole_file_hash,)).rowcount:
                query = "UPDATE edits SET content_hash = ? WHERE content_hash = ?"
                connection.execute(query, (content_hash, whole_file_hash))

    def _run(self, query: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        with self._connection() as connection:
            return connection.execute(query, values).fetchall()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Several statements as one, with no other writer between them."""
        with self._connection() as connection:
            connection.execute("BEGIN IMMEDIATE")
            yield connection

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(self.path, timeout=_BUSY_TIMEOUT_S)) as connection, connection:
                schema.prepare(connection)
                yield connection
        except schema.ForeignFileError as fault:
            raise MachineError(f"{self.path}: {fault}") from fault
        except (OSError, sqlite3.Error) as fault:
            raise MachineError(
                f"{self.path}: the library of tracks cannot be used ({fault}). Check that the folder can be "
                "written, or move the file away to start a new one; MIXRENDER_LIBRARY names another file."
            ) from fault


def held_grid(edits: list[Edit]) -> Grid | None:
    """The grid that holds after these corrections: the last one that was set; None where none was."""
    return next((edit.grid for edit in reversed(edits) if edit.grid is not None), None)


def is_locked(edits: list[Edit]) -> bool:
    """Whether the track is locked after these corrections."""
    return next((edit.locked for edit in reversed(edits) if edit.locked is not None), False)


_LAST_EDIT = "SELECT id, words, grid, locked FROM edits WHERE content_hash = ? ORDER BY id DESC LIMIT 1"
_TRACKS = """
SELECT path, tags,
    (SELECT summary FROM facts WHERE facts.content_hash = files.content_hash ORDER BY rowid DESC LIMIT 1),
    (SELECT grid FROM edits
        WHERE edits.content_hash = files.content_hash AND grid IS NOT NULL ORDER BY id DESC LIMIT 1),
    (SELECT locked FROM edits
        WHERE edits.content_hash = files.content_hash AND locked IS NOT NULL ORDER BY id DESC LIMIT 1),
    (SELECT count(*) FROM edits WHERE edits.content_hash = files.content_hash AND locked IS NULL)
FROM files ORDER BY path
"""


def _kept(
    key: str | bytes, tags: str | None, summary: str | None, grid: str | None, locked: int | None, edits: int
) -> KeptTrack:
    found = summary_from_json(summary) if summary else None
    by_hand = grid_from_json(grid) if grid else None
    return KeptTrack(
        path=_path_from(key),
        tags=tags_from_json(tags or "") or FileTags(),
        summary=found.counted_by(by_hand) if found and by_hand else found,
        corrections=edits,
        locked=bool(locked),
    )


def _edit(words: str, grid: str | None, locked: int | None) -> Edit:
    return Edit(words, grid_from_json(grid) if grid else None, None if locked is None else bool(locked))


def _path_key(path: Path) -> str | bytes:
    """A path as the tables hold it: text, or its bytes where it is no text in this system's encoding."""
    # Not resolved: a link is a place of its own.
    text = os.path.abspath(path)  # noqa: PTH100 - absolute() would leave `..` standing
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return os.fsencode(text)
    return text


def _path_from(key: str | bytes) -> Path:
    return Path(os.fsdecode(key))
