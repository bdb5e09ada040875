"""`mixrender list` as a user meets it, and the table of `analyze`."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender.analysis.library import library_of
from mixrender.analysis.store import Edit, SeenFile
from mixrender.audio.cache import Cache
from mixrender.facts import Confidence, FileTags, Grid, TrackFacts

RATE_HZ = 44100


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def run(cache, tmp_path):
    def run(*args: object) -> subprocess.CompletedProcess[bytes]:
        environment = os.environ | {"MIXRENDER_CACHE": str(cache.root)}
        environment.pop("MIXRENDER_LIBRARY", None)
        command = [sys.executable, "-m", "mixrender", *map(str, args)]
        return subprocess.run(command, env=environment, capture_output=True, cwd=tmp_path, timeout=60)

    return run


def keep(cache: Cache, path: Path, *, tempo_bpm: float, key: str, title: str | None = None) -> TrackFacts:
    facts = TrackFacts(
        content_hash=path.name,
        duration_s=200.0,
        sample_rate_hz=RATE_HZ,
        channels=2,
        decoder="libsndfile",
        grid=Grid("steady", tempo_bpm, 0.1),
        confidence=Confidence(0.95, 0.95, 0.95, 0.95),
        key=key,
        analysis_version="1",
    )
    library_of(cache).put(facts)
    library_of(cache).saw(SeenFile(path, path.name, tags=FileTags(title=title)))
    return facts


@pytest.fixture
def music(cache, tmp_path):
    folder = tmp_path / "music"
    folder.mkdir()
    keep(cache, folder / "a.flac", tempo_bpm=124.0, key="E minor", title="Näh [dub]")
    keep(cache, folder / "b.flac", tempo_bpm=174.0, key="C major")
    keep(cache, tmp_path / "c.flac", tempo_bpm=90.0, key="D minor")
    for name in ("music/a.flac", "music/b.flac"):
        (tmp_path / name).touch()
    return folder


def tracks_in(done: subprocess.CompletedProcess[bytes]) -> list[str]:
    assert (done.returncode, done.stderr) == (0, b"")
    return [track["name"] for track in json.loads(done.stdout)["tracks"]]


def test_all_tracks_are_listed_sorted_turned_round_and_under_a_folder(run, music):
    assert tracks_in(run("list", "--json")) == ["c.flac", "a.flac", "b.flac"]
    assert tracks_in(run("list", "--json", "--sort", "tempo")) == ["c.flac", "a.flac", "b.flac"]
    assert tracks_in(run("list", "--json", "--sort", "key", "--reverse")) == ["c.flac", "a.flac", "b.flac"]
    assert tracks_in(run("list", "--json", "--reverse", "music")) == ["b.flac", "a.flac"]


def test_a_table_shows_the_columns_that_are_asked_for(run, music):
    done = run("list", "--columns", "track,title,tempo")

    lines = [line.split() for line in done.stdout.decode().splitlines()]
    assert [line for line in lines if line and "─" not in line[0]] == [
        ["Library"],
        ["track", "title", "BPM"],
        ["c.flac", "(missing)", "90.00"],
        ["a.flac", "Näh", "[dub]", "124.00"],
        ["b.flac", "174.00"],
    ]


def test_csv_is_printed_with_its_own_ends_of_lines(run, music):
    done = run("list", "music", "--csv", "--columns", "track,title,tempo")

    assert done.stdout == "name,title,tempo_bpm\r\na.flac,Näh [dub],124.0\r\nb.flac,,174.0\r\n".encode()


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--columns", "track,tempi"], "there is no column 'tempi'; the columns are: track, artist"),
        (["--sort", "bpm"], "there is no column 'bpm'; the columns are:"),
        (["--json", "--csv"], "choose one"),
        (["nowhere"], "nowhere: there is no such file or folder"),
    ],
)
def test_what_cannot_be_listed_is_status_2_in_one_line(run, music, args, said):
    done = run("list", *args)

    assert (done.returncode, done.stdout) == (2, b"")
    assert said in done.stderr.decode() and done.stderr.count(b"\n") == 1


def test_an_empty_library_says_what_to_run(run, tmp_path):
    done = run("list")
    assert (done.returncode, done.stdout) == (0, b"")
    assert done.stderr.decode() == "the library is empty: run `mixrender analyze FOLDER` first\n"

    (tmp_path / "new music").mkdir()
    said = run("list", "new music").stderr.decode()
    assert said == "nothing of 'new music' is in the library: run `mixrender analyze 'new music'` first\n"
    assert json.loads(run("list", "--json").stdout) == {"tracks": []}


def test_corrections_and_locks_are_listed(run, music, cache):
    library_of(cache).add_edit("a.flac", Edit("tempo doubled", Grid("steady", 248.0, 0.1)))
    library_of(cache).add_edit("b.flac", Edit("locked", Grid("steady", 174.0, 0.1), locked=True))
    rows = json.loads(run("list", "music", "--json").stdout)["tracks"]

    assert [(row["tempo_bpm"], row["by_hand"], row["corrections"], row["locked"]) for row in rows] == [
        (248.0, "corrected", 1, False),
        (174.0, "locked", 0, True),
    ]


def test_a_track_is_listed_once_it_was_analysed_with_what_is_in_doubt(run, tmp_path):
    soundfile.write(tmp_path / "noise.wav", np.random.default_rng(1).normal(size=(RATE_HZ, 2)) * 0.1, RATE_HZ)
    analysed = run("analyze", "noise.wav").stdout.decode()
    listed = run("list").stdout.decode()

    assert "no beat" in analysed and "sure" in analysed
    assert "noise.wav" in listed and "no beat" in listed
