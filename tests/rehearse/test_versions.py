"""Versions of clips: two per pair of tracks, named by their bytes."""

from __future__ import annotations

from pathlib import Path

import pytest

from mixrender.rehearse.versions import Version, Versions

PAIR = ("a", "b", 0)


@pytest.fixture
def versions(tmp_path: Path) -> Versions:
    (tmp_path / "kept").mkdir()
    return Versions(tmp_path / "kept")


def made(versions: Versions, folder: Path, content: bytes) -> Version:
    file = folder / "01-a-b.flac"
    file.write_bytes(content)
    kept = versions.take(file)
    assert not file.exists()
    return Version(kept.name, kept, -14.0, {"index": 1})


def test_a_name_is_that_of_the_bytes(versions, tmp_path):
    one, same, other = (made(versions, tmp_path, content) for content in (b"1", b"1", b"2"))

    assert one.name == same.name != other.name
    assert one.name.endswith(".flac")


def test_the_same_sound_again_is_no_new_version(versions, tmp_path):
    assert versions.put(PAIR, made(versions, tmp_path, b"1")) is True
    assert versions.put(PAIR, made(versions, tmp_path, b"1")) is False
    assert len(versions.of(PAIR)) == 1


def test_going_back_to_the_version_before_changes_the_two_about(versions, tmp_path):
    first, second = made(versions, tmp_path, b"1"), made(versions, tmp_path, b"2")
    versions.put(PAIR, first)
    versions.put(PAIR, made(versions, tmp_path, b"2"))

    assert versions.put(PAIR, made(versions, tmp_path, b"1")) is True
    assert [kept.name for kept in versions.of(PAIR)] == [second.name, first.name]


def test_a_third_version_takes_the_place_of_the_first_whose_file_goes(versions, tmp_path):
    names = []
    for content in (b"1", b"2", b"3"):
        version = made(versions, tmp_path, content)
        versions.put(PAIR, version)
        names.append(version.name)

    assert [kept.name for kept in versions.of(PAIR)] == names[1:]
    assert sorted(path.name for path in (tmp_path / "kept").iterdir()) == sorted(names[1:])
    assert versions.file_named(names[0]) is None
    assert versions.file_named(names[2]) == tmp_path / "kept" / names[2]


def test_pairs_that_the_plan_no_longer_has_are_forgotten(versions, tmp_path):
    version = made(versions, tmp_path, b"1")
    versions.put(PAIR, version)

    versions.keep_only([("b", "c", 0)])

    assert versions.of(PAIR) == ()
    assert not version.path.exists()


@pytest.mark.parametrize("name", ["", ".", "..", "../kept", "/etc/passwd", "01-a-b.flac", "x\0"])
def test_no_other_text_names_a_file(versions, tmp_path, name):
    versions.put(PAIR, made(versions, tmp_path, b"1"))

    assert versions.file_named(name) is None
