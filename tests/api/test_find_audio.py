"""Which files are taken for audio in a folder, and what cannot be searched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mixrender.api import audio_files
from mixrender.api.files import find_audio


def touched(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    return folder


def names_in(folder: Path, found: list[Path]) -> list[str]:
    return [str(path.relative_to(folder)) for path in found]


def test_audio_is_found_by_its_ending_in_every_folder_in_order_of_names(tmp_path):
    touched(tmp_path, "b.flac", "a/z.MP3", "a/y.Wav", "c/deep/er/x.m4a", "cover.jpg", "a/notes.txt", "flac")

    assert names_in(tmp_path, audio_files([tmp_path])) == ["a/y.Wav", "a/z.MP3", "b.flac", "c/deep/er/x.m4a"]


def test_what_is_hidden_is_passed_over_unless_it_is_named(tmp_path):
    hidden = "._a.mp3", ".b.mp3", ".Trash/c.mp3", "__MACOSX/d.mp3"
    touched(tmp_path, "a.mp3", *hidden)

    assert names_in(tmp_path, audio_files([tmp_path])) == ["a.mp3"]
    assert audio_files([tmp_path / "._a.mp3"]) == [tmp_path / "._a.mp3"]
    assert names_in(tmp_path, audio_files([tmp_path / ".Trash"])) == [".Trash/c.mp3"]


def test_a_file_that_is_given_twice_is_found_once_where_it_came_first(tmp_path, monkeypatch):
    touched(tmp_path, "b.mp3", "a.mp3")
    monkeypatch.chdir(tmp_path)
    given = [tmp_path / "b.mp3", Path(), Path("b.mp3"), tmp_path / "x" / ".." / "a.mp3"]

    assert audio_files(given) == [tmp_path / "b.mp3", Path("a.mp3")]


def test_a_file_that_is_not_there_is_left_to_whoever_reads_it(tmp_path):
    assert find_audio([tmp_path / "gone.mp3"]) == [(tmp_path / "gone.mp3", None)]


def test_an_empty_folder_is_a_fault_of_its_own(tmp_path):
    touched(tmp_path, "full/a.mp3", "empty/notes.txt")
    (first, fault), (second, none) = find_audio([tmp_path / "empty", tmp_path / "full"])

    assert str(fault) == f"{tmp_path / 'empty'}: no audio file was found in this folder"
    assert (first, second, none) == (tmp_path / "empty", tmp_path / "full" / "a.mp3", None)


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_links_are_followed_and_loops_of_them_end(tmp_path):
    touched(tmp_path, "music/a.mp3", "elsewhere/b.mp3")
    (tmp_path / "music" / "linked").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "elsewhere" / "back").symlink_to(tmp_path / "music")
    (tmp_path / "music" / "self").symlink_to(tmp_path / "music")

    found = audio_files([tmp_path / "music"])
    assert names_in(tmp_path, found) == ["music/a.mp3", "music/linked/b.mp3"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_a_link_to_nothing_is_left_to_be_told_by_who_reads_it(tmp_path):
    touched(tmp_path, "music/a.mp3")
    (tmp_path / "music" / "nowhere.mp3").symlink_to(tmp_path / "gone.mp3")

    found = audio_files([tmp_path / "music"])
    assert names_in(tmp_path, found) == ["music/a.mp3", "music/nowhere.mp3"]


def test_a_folder_that_cannot_be_searched_is_told_and_the_others_are_searched(tmp_path, monkeypatch):
    touched(tmp_path, "open/a.mp3", "shut/b.mp3")
    scandir = os.scandir

    def guarded(path: str) -> object:
        if Path(path).name == "shut":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", guarded)
    (first, none), (second, fault) = find_audio([tmp_path])

    assert (first, none) == (tmp_path / "open" / "a.mp3", None)
    assert second == tmp_path / "shut"
    assert str(fault) == f"{tmp_path / 'shut'}: this folder cannot be searched (Permission denied)"
