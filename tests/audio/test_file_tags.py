"""What files say of themselves, in every kind of tag."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path
from typing import Any

import mutagen
import mutagen.asf
import mutagen.id3
import mutagen.mp4
import numpy as np
import pytest
import soundfile

from mixrender.audio import programs
from mixrender.audio.file_tags import key_in_words, read_tags
from mixrender.facts import FileTags

FULL = FileTags("Ferry né", "Quay", "Night", "House", "2024-05-06", 124.5, "F# minor")
KINDS = ["x.mp3", "x.wav", "x.aiff", "x.flac", "x.ogg", "x.opus", "x.m4a", "x.wma"]


@pytest.fixture
def silent(tmp_path: Path) -> Any:
    """Make a file of a tenth of a second of any kind."""

    def silent(name: str) -> Path:
        soundfile.write(tmp_path / "silent.wav", np.zeros((4800, 2)), 48000)
        args = [str(programs.ffmpeg()), "-v", "error", "-i", str(tmp_path / "silent.wav"), "-map_metadata"]
        subprocess.run([*args, "-1", str(tmp_path / name)], check=True, timeout=60)
        return tmp_path / name

    return silent


def tag(path: Path, *, tempo: str, key: str) -> None:
    """Write all that is read, as taggers do, under the names that each kind of file has for it."""
    file = mutagen.File(path)
    if file.tags is None:
        file.add_tags()
    if isinstance(file, mutagen.mp4.MP4):
        file["\xa9nam"], file["\xa9ART"], file["\xa9alb"] = FULL.title, FULL.artist, FULL.album
        file["\xa9gen"], file["\xa9day"] = FULL.genre, FULL.date
        file["----:com.apple.iTunes:BPM"] = tempo.encode()
        file["----:com.apple.iTunes:initialkey"] = key.encode()
    elif isinstance(file, mutagen.asf.ASF):
        file["Title"], file["Author"], file["WM/AlbumTitle"] = FULL.title, FULL.artist, FULL.album
        file["WM/Genre"], file["WM/Year"] = FULL.genre, FULL.date
        file["WM/BeatsPerMinute"], file["WM/InitialKey"] = tempo, key
    elif isinstance(file.tags, mutagen.id3.ID3):
        texts = {
            "TIT2": FULL.title, "TPE1": FULL.artist, "TALB": FULL.album, "TCON": FULL.genre,
            "TDRC": FULL.date, "TBPM": tempo, "TKEY": key,
        }  # fmt: skip
        for name, text in texts.items():
            file.tags.add(getattr(mutagen.id3, name)(encoding=1, text=text))
    else:
        file["TITLE"], file["ARTIST"], file["ALBUM"] = FULL.title, FULL.artist, FULL.album
        file["GENRE"], file["DATE"], file["BPM"], file["INITIALKEY"] = FULL.genre, FULL.date, tempo, key
    file.save()


@pytest.mark.parametrize("name", KINDS)
def test_all_that_a_file_says_is_read(silent, name):
    path = silent(name)
    assert read_tags(path) == FileTags()
    tag(path, tempo="124.5", key="F#m")

    assert read_tags(path) == FULL


def test_the_whole_number_that_mp4_has_for_a_tempo_is_read(silent):
    path = silent("x.m4a")
    file = mutagen.mp4.MP4(path)
    file["tmpo"] = [128]
    file.save()

    assert read_tags(path).tempo_bpm == 128.0


@pytest.mark.parametrize("tempo", ["0", "-3", "fast", "nan", "inf", "1e9", ""])
@pytest.mark.parametrize("name", ["x.mp3", "x.flac"])
def test_a_tempo_that_cannot_be_is_none(silent, name, tempo):
    path = silent(name)
    tag(path, tempo=tempo, key="o")

    assert read_tags(path).tempo_bpm is None
    assert read_tags(path).key is None
    assert read_tags(path).title == FULL.title


def test_the_number_of_a_genre_becomes_its_word_and_the_first_of_several_artists_counts(silent):
    path = silent("x.mp3")
    tags = mutagen.id3.ID3()
    tags.add(mutagen.id3.TCON(encoding=3, text="(18)"))
    tags.add(mutagen.id3.TPE1(encoding=3, text=["Quay", "Wharf"]))
    tags.add(mutagen.id3.TIT2(encoding=3, text="  "))
    tags.save(path)

    # 18 is Techno in the list of ID3v1 genres.
    assert read_tags(path) == FileTags(genre="Techno", artist="Quay")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Am", "A minor"),
        ("F#m", "F# minor"),
        ("Bbm", "Bb minor"),
        ("C", "C major"),
        ("am", "A minor"),
        ("Dbmaj", "Db major"),
        ("E♭ min", "Eb minor"),
        ("CM", "C major"),
        ("A minor", "A minor"),
        ("G sharp minor", "G# minor"),
        ("g flat major", "F# major"),
        *((text, None) for text in ("", "o", "8A", "a", "bb", "H", "Am/C", "A dorian", "minor", "11", "Cbb")),
    ],
)
def test_keys_are_read_in_short_and_in_full_and_nothing_else_is_one(text, key):
    assert key_in_words(text) == key


def test_tags_of_odd_files_are_empty(tmp_path):
    (tmp_path / "x.mp3").write_bytes(b"ID3\x04\0\0\xff\xff" + struct.pack("<I", 7))

    assert read_tags(tmp_path / "x.mp3") == FileTags()
    assert read_tags(tmp_path / "missing.flac") == FileTags()
