"""What analysing a track costs when its file is known, has changed, was moved or got other tags."""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path

import mutagen.flac
import numpy as np
import pytest
import soundfile

from mixrender.analysis import library
from mixrender.analysis import track as track_module
from mixrender.analysis.library import analyze_file, is_known, known, library_of
from mixrender.analysis.store import Edit
from mixrender.audio import sound_hash
from mixrender.audio.cache import Cache
from mixrender.audio.sound_hash import content_hash
from mixrender.errors import AudioError
from mixrender.facts import Grid

RATE_HZ = 44100
BY_HAND = Grid("steady", 126.0, 0.25)


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    return Cache(tmp_path / "cache")


@pytest.fixture
def track(tmp_path: Path) -> Path:
    """A second of noise with a title: facts enough, and quickly found."""
    return write(tmp_path / "music" / "ferry.flac", seed=1)


def write(path: Path, *, seed: int) -> Path:
    path.parent.mkdir(exist_ok=True)
    noise = np.random.default_rng(seed).standard_normal((RATE_HZ, 2)) * 0.1
    soundfile.write(path, noise, RATE_HZ)
    retag(path, title="Ferry")
    return path


def retag(path: Path, **texts: str) -> None:
    file = mutagen.flac.FLAC(path)
    for name, text in texts.items():
        file[name] = text
    file.save()


def forbid(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    for name in names:

        def forbidden(*args: object, name: str = name, **options: object) -> None:
            raise AssertionError(f"{name} was called")

        monkeypatch.setattr(track_module if name == "measure" else library, name, forbidden)


def test_a_file_that_has_not_changed_is_not_opened(track, cache, monkeypatch):
    first = analyze_file(track, cache=cache)
    opened = []
    forbid(monkeypatch, "content_hash", "probe", "measure", "read_tags", "require_file")
    # Python calls this for every file that anything in this process opens; it cannot be taken away again.
    hooks = [opened.append]
    sys.addaudithook(lambda event, args: hooks[0](str(args[0])) if event == "open" and hooks else None)
    second = analyze_file(track, cache=cache)
    hooks.clear()

    assert second == first and first.tags.title == "Ferry"
    assert [name for name in opened if "ferry" in name] == []


def test_known_tells_only_of_files_as_they_are(track, cache, tmp_path):
    assert known(track, cache=cache) is None and not is_known(track, cache=cache)
    facts = analyze_file(track, cache=cache)

    assert known(track, cache=cache) == facts and is_known(track, cache=cache)
    assert known(tmp_path / "music" / ".." / "music" / "ferry.flac", cache=cache) == facts
    os.utime(track, ns=(0, 0))
    assert known(track, cache=cache) is None and not is_known(track, cache=cache)
    assert known(tmp_path / "missing.flac", cache=cache) is None
    assert known(tmp_path, cache=cache) is None


def test_other_sound_of_the_same_size_and_time_is_found_out(track, cache):
    if os.name == "nt":
        pytest.skip("Windows keeps no time of such changes")
    facts, before = analyze_file(track, cache=cache), track.stat()
    data = bytearray(track.read_bytes())
    data[-1] ^= 1
    time.sleep(0.02)  # clocks of file systems tick every few milliseconds
    track.write_bytes(data)
    os.utime(track, ns=(before.st_atime_ns, before.st_mtime_ns))

    assert (track.stat().st_size, track.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert content_hash(track) != facts.content_hash
    assert known(track, cache=cache) is None


@pytest.mark.parametrize("how", ["copied", "renamed", "moved away"])
def test_a_file_at_another_place_is_known_by_its_sound(track, cache, monkeypatch, how, tmp_path):
    first = analyze_file(track, cache=cache)
    forbid(monkeypatch, "measure")
    if how == "copied":
        other = Path(shutil.copy(track, track.with_name("lantern.flac")))
    elif how == "renamed":
        other = track.rename(track.with_name("lantern.flac"))
    else:
        other = track.parent.rename(tmp_path / "elsewhere") / track.name

    assert analyze_file(other, cache=cache) == first
    places = library_of(cache).places(first.content_hash)
    # A folder that is gone may be a drive that is not there today.
    assert places == ([other] if how == "renamed" else sorted([track, other]))


def test_new_tags_are_read_and_the_sound_is_not_measured_again(track, cache, monkeypatch):
    first = analyze_file(track, cache=cache)
    copy = Path(shutil.copy(track, track.with_name("copy.flac")))
    forbid(monkeypatch, "measure")
    retag(track, title="Lantern", artist="Quay", bpm="126", initialkey="Am")
    second = analyze_file(track, cache=cache)

    assert second.content_hash == first.content_hash
    assert (second.tags.title, second.tags.artist) == ("Lantern", "Quay")
    assert (second.tags.tempo_bpm, second.tags.key) == (126.0, "A minor")
    assert analyze_file(copy, cache=cache).tags.title == "Ferry"


def test_a_correction_survives_new_tags(track, cache):
    facts = analyze_file(track, cache=cache)
    library_of(cache).add_edit(facts.content_hash, Edit("tempo 126 BPM", BY_HAND))
    retag(track, title="x" * 100_000)

    corrected = analyze_file(track, cache=cache)
    assert (corrected.grid, corrected.corrections) == (BY_HAND, ("tempo 126 BPM",))


def test_what_another_version_of_the_decoder_found_is_found_anew(track, cache, monkeypatch):
    analyze_file(track, cache=cache)
    monkeypatch.setattr("mixrender.audio.libsndfile.NAME", "libsndfile 9.9.9")

    assert known(track, cache=cache) is None
    assert analyze_file(track, cache=cache).decoder == "libsndfile 9.9.9"


def test_a_file_that_changes_while_it_is_read_is_a_fault_and_is_not_kept(track, cache, monkeypatch):
    measure = track_module.measure

    def slowly(*args, **options):
        retag(track, title="x" * 100_000)
        return measure(*args, **options)

    monkeypatch.setattr(track_module, "measure", slowly)
    with pytest.raises(AudioError, match=r"ferry\.flac: it changed while it was read"):
        analyze_file(track, cache=cache)

    assert library_of(cache).files() == []


def test_a_file_that_is_gone_is_an_audio_error_though_it_was_known(track, cache):
    analyze_file(track, cache=cache)
    track.unlink()

    with pytest.raises(AudioError, match="there is no such file"):
        analyze_file(track, cache=cache)


def test_a_name_that_is_no_text_is_kept(tmp_path, cache):
    if os.name == "nt":
        pytest.skip("names are always text on Windows")
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/f\xe9rry.flac"))
    try:
        shutil.copy(write(tmp_path / "plain.flac", seed=1), path)
    except OSError:
        pytest.skip("this file system takes no such name")
    facts = analyze_file(path, cache=cache)

    assert known(path, cache=cache) == facts
    assert path in dict(library_of(cache).files())


def test_corrections_of_a_version_that_hashed_whole_files_are_found_by_their_sound(track, cache):
    store = library_of(cache)
    old = sound_hash.whole_file_hash(track)
    store.add_edit(old, Edit("grid set by hand", BY_HAND))
    store._run("INSERT INTO whole_file_hashes VALUES (?)", (old,))  # as the migration leaves it

    facts = analyze_file(track, cache=cache)
    assert facts.content_hash != old
    assert facts.grid == BY_HAND
    assert store.edits(old) == [] and not store.knows_whole_files()


# --- where the library lies ------------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path, monkeypatch):
    for name in ("MIXRENDER_CACHE", "MIXRENDER_LIBRARY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("platformdirs.user_data_path", lambda name: tmp_path / "data" / name)
    monkeypatch.setattr("platformdirs.user_cache_path", lambda name: tmp_path / "cache" / name)
    return tmp_path


def test_the_library_is_kept_with_the_user_s_data_and_not_in_a_folder_that_may_be_emptied(home):
    assert library_of(Cache()).path == home / "data" / "mixrender" / "library.sqlite3"


def test_a_cache_folder_that_was_given_holds_its_library(home, monkeypatch):
    assert library_of(Cache(home / "own")).path == home / "own" / "library.sqlite3"
    monkeypatch.setenv("MIXRENDER_CACHE", str(home / "named"))
    assert library_of(Cache()).path == home / "named" / "library.sqlite3"


def test_mixrender_library_names_the_file_whatever_the_folder(home, monkeypatch):
    monkeypatch.setenv("MIXRENDER_LIBRARY", str(home / "mine.db"))
    monkeypatch.setenv("MIXRENDER_CACHE", str(home / "named"))

    assert library_of(Cache()).path == library_of(Cache(home / "own")).path == home / "mine.db"
