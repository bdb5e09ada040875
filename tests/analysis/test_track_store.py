"""The library of tracks keeps what the analysis found."""

import sqlite3
import threading

import pytest

from mixrender.analysis.facts_json import facts_from_json, to_json
from mixrender.analysis.store import Edit, FactsStore, SeenFile
from mixrender.errors import MachineError
from mixrender.facts import Confidence, Grid, Loudness, Section, TrackFacts

DRIFTING = Grid("drifting", 120.3, 0.1 + 0.2, 4, (0.1, 0.6, 1.1000000000000003), -1)
FACTS = TrackFacts(
    content_hash="ab" * 16,
    duration_s=312.123456789012,
    sample_rate_hz=44100,
    channels=2,
    decoder="libsndfile 1.2.2",
    grid=DRIFTING,
    confidence=Confidence(tempo=0.42, key=0.5),
    key="F# minor",
    tuning_cents=-3.2,
    sections=(Section(1, 0.3), Section(9, 16.3)),
    first_enter_bar=1,
    last_leave_bar=150,
    first_sound_s=0.01,
    last_sound_s=311.9,
    loudness=Loudness(duration_s=312.1, integrated_lufs=-8.1234567890123),
    warnings=("bar 1 may be 2 beats off",),
    analysis_version="1",
)


@pytest.fixture
def store(tmp_path):
    return FactsStore(tmp_path / "folder" / "library.sqlite3")


def test_facts_come_back_from_json_to_the_last_digit():
    assert facts_from_json(to_json(FACTS)) == FACTS


def test_facts_come_back_from_the_library_to_the_last_digit(store):
    store.put(FACTS)

    assert store.get(FACTS.content_hash, "1") == FACTS


def test_what_was_never_put_is_none(store):
    assert store.get("00", "1") is None


def test_facts_of_another_version_are_not_given(store):
    store.put(FACTS)

    assert store.get(FACTS.content_hash, "2") is None


def test_facts_put_again_replace_the_old_ones(store):
    store.put(FACTS)
    changed = TrackFacts(**{**FACTS.__dict__, "key": "A minor"})
    store.put(changed)

    assert store.get(FACTS.content_hash, "1") == changed


def test_corrections_are_kept_in_their_order_and_undone_from_the_last(store):
    doubled, locked = Edit("tempo doubled", DRIFTING), Edit("locked", locked=True)
    assert store.edits("ab") == [] and store.undo_edit("ab") is None

    store.add_edit("ab", doubled)
    store.add_edit("cd", Edit("bar 1 moved", Grid("steady", 128.0, 0.25)))
    store.add_edit("ab", locked)

    assert store.edits("ab") == [doubled, locked]
    assert store.undo_edit("ab") == locked
    assert store.edits("ab") == [doubled]
    assert store.undo_edit("ab") == doubled
    assert store.edits("ab") == [] and len(store.edits("cd")) == 1


def test_files_are_listed_by_path_with_their_sound(store, tmp_path):
    store.saw(SeenFile(tmp_path / "b.flac", "22"))
    store.saw(SeenFile(tmp_path / "a.flac", "11"))
    store.saw(SeenFile(tmp_path / "a.flac", "33"))
    assert store.files() == [(tmp_path / "a.flac", "33"), (tmp_path / "b.flac", "22")]

    store.forget(tmp_path / "a.flac")
    assert store.files() == [(tmp_path / "b.flac", "22")]


def test_the_file_carries_its_schema_version_and_a_write_ahead_log(store):
    store.put(FACTS)
    connection = sqlite3.connect(store.path)

    assert connection.execute("PRAGMA user_version").fetchone() == (2,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_a_library_by_a_newer_program_is_refused_untouched(store):
    store.put(FACTS)
    connection = sqlite3.connect(store.path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()

    with pytest.raises(MachineError, match=r"library\.sqlite3.*schema 99.*Update mixrender"):
        store.get(FACTS.content_hash, "1")


def test_a_file_that_is_no_library_is_refused_with_what_to_do(store):
    store.path.parent.mkdir(parents=True)
    store.path.write_bytes(b"this is not a database, whatever its name says" * 30)

    with pytest.raises(MachineError, match=r"library\.sqlite3.*cannot be used.*move the file away"):
        store.put(FACTS)


def test_a_library_where_a_file_blocks_the_folder_is_refused(tmp_path):
    (tmp_path / "taken").write_text("a file")

    with pytest.raises(MachineError, match="cannot be used"):
        FactsStore(tmp_path / "taken" / "library.sqlite3").put(FACTS)


def test_many_threads_write_at_once_and_nothing_is_lost(store):
    def write(number: int) -> None:
        for i in range(10):
            store.put(TrackFacts(**{**FACTS.__dict__, "content_hash": f"{number}-{i}"}))

    threads = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    found = [store.get(f"{number}-{i}", "1") for number in range(6) for i in range(10)]
    print(f"{len(found) - found.count(None)} of {len(found)} kept (bound 60)")
    assert None not in found
