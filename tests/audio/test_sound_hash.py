"""The hash of a file's sound: the same whatever its tags say, another for every other sound."""

from __future__ import annotations

import hashlib
import shutil
import struct
import subprocess
import time
from pathlib import Path
from typing import Any

import mutagen
import mutagen.aiff
import mutagen.apev2
import mutagen.flac
import mutagen.id3
import mutagen.wave
import numpy as np
import pytest
import soundfile

from mixrender.audio import programs
from mixrender.audio.read import read_blocks
from mixrender.audio.sound_hash import content_hash, whole_file_hash
from mixrender.errors import AudioError

RATE_HZ = 44100
KINDS = ["x.mp3", "x.flac", "x.wav", "x.aiff"]
PICTURE = bytes(np.random.default_rng(5).integers(0, 256, 300_000, dtype=np.uint8))


@pytest.fixture(scope="module")
def sounds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the same two seconds of noise in every kind of file."""
    folder = tmp_path_factory.mktemp("sounds")
    noise = np.random.default_rng(1).standard_normal((2 * RATE_HZ, 2)) * 0.1
    soundfile.write(folder / "x.wav", noise, RATE_HZ, subtype="PCM_16")
    soundfile.write(folder / "x.rf64", noise, RATE_HZ, subtype="PCM_16", format="RF64")
    for name in ("x.flac", "x.aiff", "x.mp3", "x.ogg", "x.m4a"):
        args = [str(programs.ffmpeg()), "-v", "error", "-i", str(folder / "x.wav"), str(folder / name)]
        subprocess.run(args, check=True, timeout=60)
    return folder


@pytest.fixture
def copied(sounds: Path, tmp_path: Path) -> Any:
    return lambda name: Path(shutil.copy(sounds / name, tmp_path / name))


def retag(path: Path, *, title: str, picture: bytes | None = None, padding: int = 0) -> None:
    """Write a title, and a picture that moves the sound, as a tagger would."""
    file = mutagen.File(path)
    if isinstance(file, mutagen.flac.FLAC):
        file["title"] = title
        if picture:
            cover = mutagen.flac.Picture()
            cover.data, cover.mime = picture, "image/jpeg"
            file.add_picture(cover)
    else:
        if file.tags is None:
            file.add_tags()
        file.tags.add(mutagen.id3.TIT2(encoding=1, text=title))
        if picture:
            file.tags.add(mutagen.id3.APIC(mime="image/jpeg", type=3, desc="", data=picture))
    file.save(padding=lambda info: padding)


def samples(path: Path) -> np.ndarray:
    return np.concatenate(list(read_blocks(path)))


@pytest.mark.parametrize("name", KINDS)
def test_new_tags_and_a_big_picture_leave_the_hash_and_the_samples(copied, name):
    path = copied(name)
    before, sound = content_hash(path), samples(path)

    for title, picture, padding in (("Ferry", None, 0), ("Lantern", PICTURE, 0), ("Näh", PICTURE, 5000)):
        retag(path, title=title, picture=picture, padding=padding)
        assert content_hash(path) == before
        assert np.array_equal(samples(path), sound)
    assert path.stat().st_size > len(PICTURE)
    assert len(before) == 32 and before != whole_file_hash(path)


@pytest.mark.parametrize("name", KINDS)
def test_a_single_other_byte_of_sound_is_another_hash(copied, name):
    path = copied(name)
    before = content_hash(path)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)

    assert content_hash(path) != before


def test_every_tag_at_the_end_of_an_mp3_is_left_out(copied):
    path = copied("x.mp3")
    before, sound = content_hash(path), samples(path)

    ape = mutagen.apev2.APEv2()
    ape["Title"], ape["Artist"] = "Ferry", "Quay"
    ape.save(path)
    assert b"APETAGEX" in path.read_bytes()
    assert content_hash(path) == before
    # Lyrics3v2 2.00: the size of what stands before it in six digits, then the mark (from memory).
    lyrics = b"LYRICSBEGIN" + b"IND00002" + b"10" + b"ETT00005" + b"Ferry"
    with path.open("ab") as file:
        file.write(lyrics + b"%06d" % len(lyrics) + b"LYRICS200")
        file.write(b"TAG" + b"Ferry".ljust(125, b"\0"))
    assert content_hash(path) == before
    assert np.array_equal(samples(path), sound)


def test_an_appended_id3v2_tag_of_an_mp3_is_left_out(copied):
    path = copied("x.mp3")
    before = content_hash(path)
    body = b"TIT2" + bytes([0, 0, 0, 6]) + b"\0\0" + b"\3Ferry"
    size = bytes([0, 0, 0, len(body)])
    with path.open("ab") as file:
        file.write(b"ID3\4\0\x10" + size + body + b"3DI\4\0\x10" + size)

    assert content_hash(path) == before


def test_a_gain_that_a_tag_asks_for_alters_no_sample(copied):
    path = copied("x.mp3")
    before, sound = content_hash(path), samples(path)
    tags = mutagen.id3.ID3()
    for kind in (1, 2):
        tags.add(mutagen.id3.RVA2(desc=str(kind), channel=kind, gain=-12.0, peak=0.5))
    tags.add(mutagen.id3.TXXX(encoding=3, desc="replaygain_track_gain", text="-12.00 dB"))
    tags.add(mutagen.id3.COMM(encoding=3, lang="eng", desc="iTunSMPB", text=" 00000000 00000400 00000400"))
    tags.save(path)

    assert content_hash(path) == before
    assert np.array_equal(samples(path), sound)


def test_the_info_frame_of_an_mp3_counts(copied):
    path = copied("x.mp3")
    before = content_hash(path)
    data = path.read_bytes()
    at = data.index(b"LAME") if b"LAME" in data else data.index(b"Lavc")
    path.write_bytes(data[: at + 22] + bytes([data[at + 22] ^ 1]) + data[at + 23 :])

    assert content_hash(path) != before


def test_an_rf64_file_is_known_by_its_chunks(copied):
    path = copied("x.rf64")
    before = content_hash(path)
    with path.open("ab") as file:
        file.write(b"LIST" + struct.pack("<I", 4) + b"INFO")

    assert content_hash(path) == before != whole_file_hash(path)


@pytest.mark.parametrize("name", ["x.ogg", "x.m4a"])
def test_of_other_kinds_every_byte_counts(copied, name):
    path = copied(name)

    assert content_hash(path) == whole_file_hash(path) == blake2b(path.read_bytes())


def blake2b(data: bytes) -> str:
    return hashlib.blake2b(data, digest_size=16).hexdigest()


def test_the_hash_of_a_whole_file_is_blake2b(tmp_path):
    (tmp_path / "abc").write_bytes(b"abc")
    # b2sum -l 128 of "abc" (coreutils)
    assert content_hash(tmp_path / "abc") == "cf4ab791c62b8d2b2109c90275287816"


def damages(name: str, data: bytes) -> dict[str, bytes]:
    """Ways in which a file of this kind can be built wrongly."""
    if name == "x.mp3":
        return {
            "a broken size of the tag": b"ID3\4\0\0\xff\xff\xff\xff" + data,
            "a tag and nothing more": b"ID3\4\0\0\0\0\0\5abcde",
            "a tag longer than the file": b"ID3\4\0\0\x7f\x7f\x7f\x7f" + data,
            "junk before the frames": b"ID3\4\0\0\0\0\0\5abcde" + bytes(700) + data[200:],
        }
    if name == "x.flac":
        return {
            "its head alone": data[:30],
            "a size beyond the end": data[:43] + b"\xff\xff\xff" + data[46:],
            "a second STREAMINFO": data[:42] + data[4:42] + data[42:],
            "no frame after the metadata": data[:4] + bytes([data[4] | 0x80]) + data[5:],
        }
    return {
        "cut off": data[: len(data) // 2],
        "its head alone": data[:30],
        "a size beyond the end": data[:16] + b"\x7f\xff\xff\x7f" + data[20:],
        "two chunks of sound": data + {"x.wav": b"data\4\0\0\0", "x.aiff": b"SSND\0\0\0\4"}[name] + bytes(4),
        "no sound": data.replace(b"data", b"junk").replace(b"SSND", b"junk"),
        "junk after the chunks": data + b"abc",
    }


@pytest.mark.parametrize("name", KINDS)
def test_of_a_file_that_is_built_wrongly_every_byte_counts(sounds, tmp_path, name):
    data = (sounds / name).read_bytes()
    for what, broken in damages(name, data).items():
        path = tmp_path / name
        path.write_bytes(broken)

        assert content_hash(path) == blake2b(broken), what


@pytest.mark.parametrize("name", KINDS)
def test_no_bytes_whatever_stop_the_hash(sounds, tmp_path, name):
    rng = np.random.default_rng(3)
    data = (sounds / name).read_bytes()[:6000]
    path = tmp_path / name
    for _ in range(300):
        broken = bytearray(data)
        for at in rng.integers(0, 200, 6):
            broken[at] = rng.integers(0, 256)
        path.write_bytes(broken[: rng.integers(1, len(broken))])
        assert len(content_hash(path)) == 32


@pytest.mark.parametrize("what", ["missing", "empty", "a folder"])
def test_what_cannot_be_read_is_an_audio_error(tmp_path, what):
    path = tmp_path / "x.wav"
    if what == "empty":
        path.touch()
    elif what == "a folder":
        path.mkdir()

    with pytest.raises(AudioError, match=r"x\.wav"):
        content_hash(path)


@pytest.mark.accuracy
def test_hashing_takes_hardly_longer_than_blake2b_over_the_bytes(tmp_path):
    path = tmp_path / "noughts.wav"
    soundfile.write(path, np.zeros((60 * RATE_HZ * 10, 2), dtype=np.int16), RATE_HZ)
    content_hash(path)  # the file is in memory from here on

    def least_s(call: Any) -> float:
        def once() -> float:
            start = time.perf_counter()
            call()
            return time.perf_counter() - start

        return min(once() for _ in range(5))

    plain_s = least_s(lambda: blake2b(path.read_bytes()))
    ours_s = least_s(lambda: content_hash(path))
    print(
        f"{ours_s * 1e3:.0f} ms for {path.stat().st_size / 1e6:.0f} MB (bound {1.3 * plain_s * 1e3:.0f} ms)"
    )
    assert ours_s <= 1.3 * plain_s
