"""What the library holds: all of it, in one query, under the folders that are asked for."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import pytest

from mixrender.analysis import store as store_module
from mixrender.analysis.library import library_of
from mixrender.analysis.store import Edit, SeenFile
from mixrender.api import list_tracks
from mixrender.audio.cache import Cache
from mixrender.errors import InputError
from mixrender.facts import BarContent, FileTags, Grid, Loudness, Section, TrackFacts

MANY = 2000
LIST_BOUND_S = 0.5
"""A quarter of the second that 10,000 tracks may take would be 0.2 s; the rest is for a busy machine."""


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


def facts(sound: str, *, tempo_bpm: float = 124.0) -> TrackFacts:
    """Facts of the usual size: of a track of five minutes."""
    return TrackFacts(
        content_hash=sound,
        duration_s=310.0,
        sample_rate_hz=44100,
        channels=2,
        decoder="libsndfile 1.2.2",
        grid=Grid("steady", tempo_bpm, 0.1),
        key="A minor",
        sections=tuple(Section(8 * i + 1, 15.5 * i) for i in range(20)),
        bars=BarContent(level_lufs=(-10.125,) * 160, kick=(0.5,) * 160, bass=(0.25,) * 160),
        loudness=Loudness(duration_s=310.0, integrated_lufs=-9.5),
        analysis_version="1 libsndfile 1.2.2",
    )


def test_a_list_of_thousands_takes_one_query_and_reads_no_full_facts(cache, monkeypatch):
    library = library_of(cache)
    library.put(facts("0"))
    with library._writing() as connection:
        (row,) = connection.execute("SELECT * FROM facts").fetchall()
        connection.executemany(
            "INSERT INTO facts VALUES (?, ?, ?, ?)", [(str(n), *row[1:]) for n in range(1, MANY)]
        )
        connection.executemany(
            "INSERT INTO files (path, content_hash, seen_at) VALUES (?, ?, '')",
            [(f"/music/{number}.flac", str(number)) for number in range(MANY)],
        )
    asked: list[str] = []
    connect = sqlite3.connect

    def traced(*args, **options):
        connection = connect(*args, **options)
        connection.set_trace_callback(asked.append)
        return connection

    monkeypatch.setattr(sqlite3, "connect", traced)
    monkeypatch.setattr(store_module, "facts_from_json", None)
    start = time.perf_counter()
    tracks = list_tracks(cache=cache)
    took_s = time.perf_counter() - start

    queries = [query for query in asked if "SELECT" in query]
    print(f"{len(queries)} query, {took_s:.3f} s for {MANY} tracks (bound 1, {LIST_BOUND_S} s)")
    assert len(tracks) == MANY
    assert len(queries) == 1
    assert took_s <= LIST_BOUND_S


def test_a_track_shows_its_latest_facts_with_what_was_corrected_and_its_tags(cache):
    library = library_of(cache)
    library.put(facts("ab", tempo_bpm=62.0))
    library.put(facts("ab", tempo_bpm=124.0))
    library.add_edit("ab", Edit("tempo 126 BPM", Grid("steady", 126.0, 0.2)))
    library.add_edit("ab", Edit("locked", Grid("steady", 126.0, 0.2), locked=True))
    library.saw(SeenFile(Path("/music/a.flac"), "ab", tags=FileTags(title="Ferry", artist="Quay")))
    (track,) = list_tracks(cache=cache)

    assert (track.tags.title, track.tags.artist) == ("Ferry", "Quay")
    assert track.summary.tempo_bpm == 126.0
    assert track.summary.confidence.placed == 1.0
    assert (track.corrections, track.locked, track.is_missing) == (1, True, True)
    assert (track.summary.key, track.summary.integrated_lufs) == ("A minor", -9.5)


def test_what_is_missing_is_marked(cache, tmp_path):
    library = library_of(cache)
    (tmp_path / "here.flac").touch()
    for name in ("gone.flac", "here.flac"):
        library.saw(SeenFile(tmp_path / name, name))

    assert [(t.path.name, t.is_missing) for t in list_tracks(cache=cache)] == [
        ("gone.flac", True),
        ("here.flac", False),
    ]


def test_files_and_folders_choose_what_is_listed(cache, tmp_path, monkeypatch):
    library = library_of(cache)
    for name in ("a/1.flac", "a/b/2.flac", "ab/3.flac", "c.flac"):
        library.saw(SeenFile(tmp_path / name, name))
    monkeypatch.chdir(tmp_path)

    def listed(*paths: str) -> list[str]:
        found = list_tracks([Path(path) for path in paths], cache=cache)
        return [str(track.path.relative_to(tmp_path)) for track in found]

    assert listed("a") == ["a/1.flac", "a/b/2.flac"]
    assert listed("a/", "c.flac") == ["a/1.flac", "a/b/2.flac", "c.flac"]
    assert listed("a/../ab", "a/b/2.flac", "a/b") == ["a/b/2.flac", "ab/3.flac"]
    assert listed(".") == listed("/") == listed() == ["a/1.flac", "a/b/2.flac", "ab/3.flac", "c.flac"]


def test_a_folder_without_known_tracks_is_empty_and_one_that_is_not_there_a_fault(cache, tmp_path):
    assert list_tracks([tmp_path], cache=cache) == []
    with pytest.raises(InputError, match="nowhere: there is no such file or folder"):
        list_tracks([tmp_path / "nowhere"], cache=cache)


def test_listing_makes_no_library(cache):
    assert list_tracks(cache=cache) == []
    assert not library_of(cache).path.exists()
