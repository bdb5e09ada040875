"""Facts of tracks go into one SQLite file under the hash of their sound files, and come back from it.

Three tables: what the analysis found, what the user corrected by hand, and where each file was last seen.
"""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from mixrender.errors import MachineError
from mixrender.facts import (
    BarContent,
    Condition,
    Confidence,
    Doubt,
    FileTags,
    Grid,
    Loudness,
    Section,
    TrackFacts,
)

SCHEMA_VERSION = 1
_BUSY_TIMEOUT_S = 10.0
_SCHEMA = """
CREATE TABLE IF NOT EXISTS facts (
    content_hash TEXT NOT NULL, analysis_version TEXT NOT NULL, facts TEXT NOT NULL,
    PRIMARY KEY (content_hash, analysis_version));
CREATE TABLE IF NOT EXISTS corrections (content_hash TEXT PRIMARY KEY, grid TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS files (path TEXT PRIMARY KEY, content_hash TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS files_by_hash ON files (content_hash);
"""


@dataclasses.dataclass(frozen=True)
class FactsStore:
    """The library of analysed tracks in one SQLite file; made when first written to.

    Every call opens the file anew, so that one store serves many threads and processes; a writer waits up to
    10 s for another. All methods raise MachineError when the file cannot be used.
    """

    path: Path

    def get(self, content_hash: str, analysis_version: str) -> TrackFacts | None:
        """What that version of the analysis found in that sound; None when it has not been asked."""
        query = "SELECT facts FROM facts WHERE content_hash = ? AND analysis_version = ?"
        rows = self._run(query, (content_hash, analysis_version))
        return facts_from_json(rows[0][0]) if rows else None

    def put(self, facts: TrackFacts) -> None:
        """Keep facts; whatever was kept for the same sound and version is replaced."""
        values = (facts.content_hash, facts.analysis_version, facts_to_json(facts))
        self._run("INSERT OR REPLACE INTO facts VALUES (?, ?, ?)", values)

    def correction(self, content_hash: str) -> Grid | None:
        """The grid that the user set by hand for that sound, or None."""
        rows = self._run("SELECT grid FROM corrections WHERE content_hash = ?", (content_hash,))
        return _grid_from(json.loads(rows[0][0])) if rows else None

    def correct(self, content_hash: str, grid: Grid | None) -> None:
        """Keep a grid set by hand, which outlives new versions of the analysis; None forgets it."""
        if grid is None:
            self._run("DELETE FROM corrections WHERE content_hash = ?", (content_hash,))
            return
        text = json.dumps(dataclasses.asdict(grid))
        self._run("INSERT OR REPLACE INTO corrections VALUES (?, ?)", (content_hash, text))

    def saw(self, file: Path, content_hash: str) -> None:
        """Remember where a sound was last seen."""
        self._run("INSERT OR REPLACE INTO files VALUES (?, ?)", (str(file.absolute()), content_hash))

    def files(self) -> list[tuple[Path, str]]:
        """Every file seen, in the order of their paths, with its content hash."""
        rows = self._run("SELECT path, content_hash FROM files ORDER BY path", ())
        return [(Path(path), content_hash) for path, content_hash in rows]

    def forget(self, file: Path) -> None:
        """Forget a file's place; the facts of its sound stay."""
        self._run("DELETE FROM files WHERE path = ?", (str(file.absolute()),))

    def _run(self, query: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        with self._connection() as connection:
            return connection.execute(query, values).fetchall()

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(self.path, timeout=_BUSY_TIMEOUT_S)) as connection, connection:
                self._prepare(connection)
                yield connection
        except (OSError, sqlite3.Error) as fault:
            raise MachineError(
                f"{self.path}: the library of tracks cannot be used ({fault}). Check that the folder can be "
                "written, or move the file away to start a new one."
            ) from fault

    def _prepare(self, connection: sqlite3.Connection) -> None:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise MachineError(
                f"{self.path}: this library was written by a newer mixrender (schema {version}, this one "
                f"knows {SCHEMA_VERSION}). Update mixrender, or move the file away to start a new one."
            )
        if version < SCHEMA_VERSION:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.executescript(_SCHEMA)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def facts_to_json(facts: TrackFacts) -> str:
    """Facts as one JSON object; numbers keep all their digits."""
    return json.dumps(dataclasses.asdict(facts), allow_nan=False)


def facts_from_json(text: str) -> TrackFacts:
    """The facts that `facts_to_json` wrote."""
    fields = json.loads(text)
    fields["grid"] = _grid_from(fields["grid"])
    fields["loudness"] = Loudness(**fields["loudness"])
    fields["sections"] = tuple(Section(**section) for section in fields["sections"])
    fields["confidence"] = Confidence(**fields["confidence"])
    fields["bars"] = BarContent(**{name: tuple(values) for name, values in fields["bars"].items()})
    condition = fields["condition"]
    fields["condition"] = Condition(**{**condition, "dc_offset": tuple(condition["dc_offset"])})
    fields["tags"] = FileTags(**fields["tags"])
    fields["doubts"] = tuple(Doubt(**doubt) for doubt in fields["doubts"])
    for name in ("warnings", "corrections"):
        fields[name] = tuple(fields[name])
    return TrackFacts(**fields)


def _grid_from(fields: dict[str, Any]) -> Grid:
    return Grid(**{**fields, "beats_s": tuple(fields["beats_s"])})
