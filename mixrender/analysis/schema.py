"""The tables of the library: a connection to an SQLite file in, the same at the present version out.

A new file gets the tables; one by an older version of the program is brought up to date in one transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime

from mixrender.analysis.facts_json import facts_from_json, grid_from_json, to_json
from mixrender.analysis.summary import summary_of

SCHEMA_VERSION = 2

_TABLES = (
    # The light summary stands before the facts, so that a list need not turn their pages.
    """CREATE TABLE facts (
        content_hash TEXT NOT NULL, analysis_version TEXT NOT NULL,
        summary TEXT NOT NULL, facts TEXT NOT NULL,
        PRIMARY KEY (content_hash, analysis_version))""",
    """CREATE TABLE edits (
        id INTEGER PRIMARY KEY AUTOINCREMENT, content_hash TEXT NOT NULL, made_at TEXT NOT NULL,
        words TEXT NOT NULL, grid TEXT, locked INTEGER)""",
    "CREATE INDEX edits_by_hash ON edits (content_hash)",
    # A path that is no text in this system's encoding is kept as its bytes.
    """CREATE TABLE files (
        path PRIMARY KEY, content_hash TEXT NOT NULL, size_bytes INTEGER, mtime_ns INTEGER, ctime_ns INTEGER,
        reader TEXT, tags TEXT, seen_at TEXT NOT NULL)""",
    "CREATE INDEX files_by_hash ON files (content_hash)",
    # Version 1 knew tracks by all bytes of their files. What it kept of a track is found under those
    # hashes, until the file is seen again.
    "CREATE TABLE whole_file_hashes (content_hash TEXT PRIMARY KEY)",
)


class ForeignFileError(Exception):
    """The file is no library that this program can use; the message says why, and what to do."""


def now_text() -> str:
    """The time now, as the tables hold it: ISO 8601, UTC, whole seconds."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def prepare(connection: sqlite3.Connection) -> None:
    """Bring the tables to SCHEMA_VERSION; raises ForeignFileError for files by others, left untouched."""
    if _version(connection) == SCHEMA_VERSION:
        return
    _require_known(connection)
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have done the work while this one waited for its turn.
        version = _version(connection)
        if version < SCHEMA_VERSION:
            _STEPS[version](connection)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    except BaseException:
        connection.rollback()
        raise
    connection.commit()


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _require_known(connection: sqlite3.Connection) -> None:
    version = _version(connection)
    if version > SCHEMA_VERSION:
        raise ForeignFileError(
            f"this library was written by a newer mixrender (schema {version}, this one knows "
            f"{SCHEMA_VERSION}). Update mixrender, or move the file away to start a new one."
        )
    # Read in one statement: another process may be making the tables just now.
    query = "SELECT count(*) FROM sqlite_master WHERE (SELECT user_version FROM pragma_user_version) = 0"
    if version not in _STEPS or connection.execute(query).fetchone()[0]:
        raise ForeignFileError(
            "this is a database of another program. Name another file in MIXRENDER_LIBRARY."
        )


def _create(connection: sqlite3.Connection) -> None:
    for statement in _TABLES:
        connection.execute(statement)


def _from_version_1(connection: sqlite3.Connection) -> None:
    for name in ("facts", "files"):
        connection.execute(f"ALTER TABLE {name} RENAME TO {name}_1")
    connection.execute("DROP INDEX IF EXISTS files_by_hash")
    _create(connection)
    _keep_facts(connection)
    _keep_corrections(connection)
    connection.execute(
        "INSERT INTO files (path, content_hash, seen_at) SELECT path, content_hash, ? FROM files_1",
        (now_text(),),
    )
    for name in ("facts_1", "files_1", "corrections"):
        connection.execute(f"DROP TABLE {name}")


def _keep_facts(connection: sqlite3.Connection) -> None:
    """Take over the facts that can still be read; the others are found anew when they are asked for."""
    for content_hash, version, text in connection.execute("SELECT * FROM facts_1").fetchall():
        facts = facts_from_json(text)
        if facts is not None:
            row = (content_hash, version, to_json(summary_of(facts)), text)
            connection.execute("INSERT INTO facts VALUES (?, ?, ?, ?)", row)


def _keep_corrections(connection: sqlite3.Connection) -> None:
    for content_hash, text in connection.execute("SELECT content_hash, grid FROM corrections").fetchall():
        if grid_from_json(text) is None:
            continue
        connection.execute(
            "INSERT INTO edits (content_hash, made_at, words, grid) VALUES (?, ?, 'grid set by hand', ?)",
            (content_hash, now_text(), text),
        )
        connection.execute("INSERT INTO whole_file_hashes VALUES (?)", (content_hash,))


_STEPS: dict[int, Callable[[sqlite3.Connection], None]] = {0: _create, 1: _from_version_1}
