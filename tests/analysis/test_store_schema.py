"""Libraries by other versions of the program, and by none."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from mixrender.analysis.facts_json import to_json
from mixrender.analysis.schema import SCHEMA_VERSION
from mixrender.analysis.store import Edit, FactsStore, SeenFile
from mixrender.errors import MachineError
from mixrender.facts import Doubt, Grid, Loudness, TrackFacts

GRID = Grid("drifting", 120.3, 0.1 + 0.2, 4, (0.1, 0.6, 1.1000000000000003), -1)
FACTS = TrackFacts(
    content_hash="ab" * 16,
    duration_s=312.25,
    sample_rate_hz=44100,
    channels=2,
    decoder="libsndfile 1.2.2",
    grid=Grid("steady", 124.0, 0.12),
    key="A minor",
    loudness=Loudness(duration_s=312.25, integrated_lufs=-8.5),
    doubts=(Doubt("tempo", "the tempo may also be 62", "--half"),),
    analysis_version="1 libsndfile 1.2.2",
)

VERSION_1 = """
CREATE TABLE facts (
    content_hash TEXT NOT NULL, analysis_version TEXT NOT NULL, facts TEXT NOT NULL,
    PRIMARY KEY (content_hash, analysis_version));
CREATE TABLE corrections (content_hash TEXT PRIMARY KEY, grid TEXT NOT NULL);
CREATE TABLE files (path TEXT PRIMARY KEY, content_hash TEXT NOT NULL);
CREATE INDEX files_by_hash ON files (content_hash);
PRAGMA user_version = 1;
"""


@pytest.fixture
def old(tmp_path: Path) -> FactsStore:
    """A library as version 1 wrote it: facts that can be read and that cannot, a correction, two places."""
    path = tmp_path / "library.sqlite3"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(VERSION_1)
    unknown = json.dumps({"content_hash": "cd", "tempo": 128.0})
    rows = [
        (FACTS.content_hash, FACTS.analysis_version, to_json(FACTS)),
        ("cd", "1", unknown),
        ("ef", "1", "{"),
    ]
    connection.executemany("INSERT INTO facts VALUES (?, ?, ?)", rows)
    connection.execute("INSERT INTO corrections VALUES (?, ?)", ("cd", to_json(GRID)))
    connection.executemany(
        "INSERT INTO files VALUES (?, ?)", [("/music/a.mp3", FACTS.content_hash), ("/b", "cd")]
    )
    connection.commit()
    connection.close()
    return FactsStore(path)


def test_corrections_facts_and_places_of_version_1_are_kept(old):
    assert old.edits("cd") == [Edit("grid set by hand", GRID)]
    assert old.get(FACTS.content_hash, FACTS.analysis_version) == FACTS
    assert old.files() == [(Path("/b"), "cd"), (Path("/music/a.mp3"), FACTS.content_hash)]


def test_facts_of_version_1_that_no_longer_fit_are_dropped(old):
    assert old.get("cd", "1") is None
    assert old.get("ef", "1") is None


def test_a_file_seen_by_version_1_is_looked_at_again(old):
    assert old.seen(Path("/music/a.mp3")) == SeenFile(Path("/music/a.mp3"), FACTS.content_hash)


def test_a_list_of_a_library_of_version_1_shows_what_it_knows(old):
    nothing, known = old.tracks()

    assert (nothing.summary, nothing.corrections) == (None, 1)
    assert known.summary is not None and known.summary.tempo_bpm == 124.0
    assert known.summary.doubts == FACTS.doubts


def test_a_library_of_version_1_is_brought_up_to_date_once(old):
    old.files()
    connection = sqlite3.connect(old.path)

    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,) == (2,)
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert names >= {"facts", "edits", "files"} and not names & {"corrections", "facts_1", "files_1"}
    connection.close()
    assert old.edits("cd") == [Edit("grid set by hand", GRID)]


def test_a_fault_on_the_way_leaves_the_old_library_as_it_was(old, monkeypatch):
    def broken(facts: TrackFacts) -> None:
        raise sqlite3.OperationalError("the disk is full")

    monkeypatch.setattr("mixrender.analysis.schema.summary_of", broken)
    with pytest.raises(MachineError, match="the disk is full"):
        old.files()

    connection = sqlite3.connect(old.path)
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert connection.execute("SELECT count(*) FROM corrections").fetchone() == (1,)
    assert connection.execute("SELECT count(*) FROM facts").fetchone() == (3,)
    connection.close()


def test_a_database_of_another_program_is_refused_untouched(tmp_path):
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE bookmarks (place TEXT)")
    connection.close()
    before = path.read_bytes()

    with pytest.raises(MachineError, match=r"other\.db.*another program.*MIXRENDER_LIBRARY"):
        FactsStore(path).put(FACTS)
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_library(tmp_path):
    path = tmp_path / "library.sqlite3"
    path.touch()
    FactsStore(path).put(FACTS)

    assert FactsStore(path).get(FACTS.content_hash, FACTS.analysis_version) == FACTS


WRITER = """
import sys
from pathlib import Path
from mixrender.analysis.store import Edit, FactsStore
for number in range(20):
    FactsStore(Path(sys.argv[1])).add_edit(sys.argv[2], Edit(f"edit {number}"))
"""


@pytest.mark.parametrize("start", ["anew", "from version 1"])
def test_processes_that_open_a_library_at_the_same_moment_all_write_to_it(old, tmp_path, start):
    path = old.path if start == "from version 1" else tmp_path / "new" / "library.sqlite3"
    args = [sys.executable, "-c", WRITER, str(path)]
    running = [subprocess.Popen([*args, str(number)], stderr=subprocess.PIPE) for number in range(4)]
    said = [process.communicate(timeout=60)[1] for process in running]

    assert said == [b""] * 4
    kept = [len(FactsStore(path).edits(str(number))) for number in range(4)]
    print(f"{kept} of 20 edits by each of 4 processes kept")
    assert kept == [20] * 4
