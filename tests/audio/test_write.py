from __future__ import annotations

import os
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import mutagen
import numpy as np
import pytest
import soundfile

from mixrender.audio import write as write_module
from mixrender.audio.file_tags import read_tags
from mixrender.audio.read import read_blocks
from mixrender.audio.tags import Chapter, OutputTags
from mixrender.audio.wav import WavFile
from mixrender.audio.write import atomic_path, require_writable, write_audio, write_text_atomic
from mixrender.errors import InputError, MachineError
from mixrender.facts import FileTags

RATE_HZ = 44100
PNG = b"\x89PNG\r\n\x1a\n" + bytes(30)
TAGS = OutputTags(
    title="Nächte",
    artist="Quay Collective",
    date="2024-05-06",
    cover=PNG,
    chapters=(Chapter(0.0, "Ferry"), Chapter(205.4, "Lantern")),
)
ALL = [("wav", "16"), ("wav", "24"), ("wav", "float"), ("flac", "16"), ("flac", "24"), ("mp3", "24")]


def noise(frames: int = 50_000, *, seed: int = 6) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, 2))


def blocks_of(x: np.ndarray, size: int = 8192) -> Iterator[np.ndarray]:
    for start in range(0, len(x), size):
        yield x[start : start + size]


def put(path: Path, x: np.ndarray, bits: str = "24", *, size: int = 8192, **options: object):
    return write_audio(
        path, blocks_of(x, size), sample_rate_hz=RATE_HZ, format=path.suffix[1:], bits=bits, **options
    )


def whole_numbers(path: Path, bits: int) -> np.ndarray:
    return soundfile.read(path, dtype="int32")[0] >> (32 - bits)


@pytest.mark.parametrize("name", ["x.wav", "x.flac"])
def test_24_bits_are_rounded_to_half_a_step(tmp_path: Path, name: str) -> None:
    x = noise()
    result = put(tmp_path / name, x)
    error_steps = np.abs(whole_numbers(tmp_path / name, 24) - x * 2**23).max()
    print(f"{name}: error {error_steps:.4f} steps (bound 0.5)")
    assert soundfile.info(tmp_path / name).subtype == "PCM_24"
    assert (result.path, result.frames, result.clipped_samples) == (tmp_path / name, len(x), 0)
    assert error_steps <= 0.5


def test_float_wav_keeps_every_sample(tmp_path: Path) -> None:
    x = noise().astype(np.float32) * 1.5
    result = put(tmp_path / "x.wav", x, "float")
    y, rate_hz = soundfile.read(tmp_path / "x.wav", dtype="float32")
    np.testing.assert_array_equal(y, x)
    assert rate_hz == RATE_HZ
    assert result.clipped_samples == np.count_nonzero(np.abs(x) > 1)


@pytest.mark.parametrize("name", ["x.wav", "x.flac"])
def test_16_bits_have_dither_whose_error_does_not_follow_the_sound(tmp_path: Path, name: str) -> None:
    """Mean 0 and variance 1/4 step² at every level: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992."""
    frames = 60_000
    for level_steps in (0.0, 0.25, 0.5, 0.75):
        put(tmp_path / name, np.full((frames, 2), level_steps / 2**15), "16")
        error = whole_numbers(tmp_path / name, 16) - level_steps
        # Five standard errors of the mean and of the variance (kurtosis of the error below 3).
        mean_bound, variance_bound = 5 * 0.5 / np.sqrt(2 * frames), 5 * 0.25 * np.sqrt(2 / (2 * frames))
        print(f"{name} at {level_steps} steps: mean {error.mean():+.5f}, variance {error.var():.5f} steps²")
        assert abs(error.mean()) < mean_bound
        assert abs(error.var() - 0.25) < variance_bound
        assert abs(np.corrcoef(error.T)[0, 1]) < 5 / np.sqrt(frames)  # left and right apart


def test_the_seed_chooses_the_dither(tmp_path: Path) -> None:
    x = noise()
    for name, seed in (("a.flac", 1), ("b.flac", 1), ("c.flac", 2)):
        put(tmp_path / name, x, "16", dither_seed=seed)
    assert (tmp_path / "a.flac").read_bytes() == (tmp_path / "b.flac").read_bytes()
    assert (tmp_path / "a.flac").read_bytes() != (tmp_path / "c.flac").read_bytes()


@pytest.fixture(scope="module")
def a_second_apart(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two folders with the same sound in every format, written in different seconds and blocks."""
    first, second = (tmp_path_factory.mktemp(name) for name in ("first", "second"))
    for folder, size in ((first, 8192), (second, 777)):
        for kind, bits in ALL:
            (folder / bits).mkdir(exist_ok=True)
            put(folder / bits / f"x.{kind}", noise(), bits, tags=TAGS, size=size)
        now = int(time.time())
        while int(time.time()) == now:  # a stamp of the time would differ in the next second
            time.sleep(0.02)
    return first, second


@pytest.mark.parametrize(("kind", "bits"), ALL)
def test_bytes_repeat_at_any_time_and_for_any_blocks(
    a_second_apart: tuple[Path, Path], kind: str, bits: str
) -> None:
    first, second = ((folder / bits / f"x.{kind}").read_bytes() for folder in a_second_apart)
    assert first == second


@pytest.mark.parametrize(("kind", "bits"), ALL)
def test_samples_beyond_full_scale_are_counted_and_never_wrap(tmp_path: Path, kind: str, bits: str) -> None:
    x = np.zeros((20_000, 2))
    x[5000:5003, 0], x[7000, 1] = 1.2, -1.3
    result = put(tmp_path / f"x.{kind}", x, bits)
    assert result.clipped_samples == 4
    if kind != "mp3":
        y = soundfile.read(tmp_path / f"x.{kind}")[0]
        assert y[5000:5003, 0].min() > 0.9999
        assert y[7000, 1] < -0.9999


def test_mp3_has_320_kbit_s_and_the_sound_stands_in_place(tmp_path: Path) -> None:
    x = np.zeros((RATE_HZ * 2, 2))
    window = np.hanning(401)[:, None] * np.cos(2 * np.pi * 1000 * (np.arange(401) - 200) / RATE_HZ)[:, None]
    x[40_000 - 200 : 40_000 + 201] += 0.7 * window
    put(tmp_path / "x.mp3", x, tags=TAGS)
    info = mutagen.File(tmp_path / "x.mp3").info
    y = np.concatenate(list(read_blocks(tmp_path / "x.mp3")))
    error_db = 20 * np.log10(np.abs(y - x).max())
    print(f"{info.bitrate} bit/s, peak at {np.argmax(y[:, 0])}, error {error_db:.1f} dBFS (bound -50 dBFS)")
    assert abs(info.bitrate - 320_000) < 100
    assert len(y) == len(x)
    assert np.argmax(y[:, 0]) == 40_000
    assert error_db < -50


@pytest.mark.parametrize("kind", ["wav", "flac", "mp3"])
def test_tags_cover_and_chapters_are_written(tmp_path: Path, kind: str) -> None:
    put(tmp_path / f"x.{kind}", noise(), tags=TAGS)
    found = mutagen.File(tmp_path / f"x.{kind}")
    if kind == "flac":
        assert read_tags(tmp_path / "x.flac") == FileTags(
            title=TAGS.title, artist=TAGS.artist, date=TAGS.date
        )
        assert found["date"] == ["2024-05-06"]
        assert found["chapter001"] == ["00:03:25.400"]
        assert found["chapter001name"] == ["Lantern"]
        assert (found.pictures[0].data, found.pictures[0].mime) == (PNG, "image/png")
        return
    assert found["TIT2"].text == [TAGS.title]
    assert found["TPE1"].text == [TAGS.artist]
    assert str(found["TDRC"].text[0]) == "2024-05-06"
    assert found["APIC:"].data == PNG
    assert found["CHAP:chp1"].start_time == 205_400
    assert found["CHAP:chp0"].end_time == 205_400
    assert str(found["CHAP:chp1"].sub_frames["TIT2"]) == "Lantern"
    assert found["CTOC:toc"].child_element_ids == ["chp0", "chp1"]


def test_id3_has_at_most_255_chapters(tmp_path: Path) -> None:
    """CTOC counts its entries in 8 bits: ID3v2 Chapter Frame Addendum 1.0."""
    chapters = tuple(Chapter(0.001 * number, str(number)) for number in range(300))
    put(tmp_path / "x.mp3", noise(), tags=OutputTags(chapters=chapters))
    assert len(mutagen.File(tmp_path / "x.mp3")["CTOC:toc"].child_element_ids) == 255


def test_what_a_format_cannot_hold_is_said_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="FLAC holds whole numbers only: take bits 24"):
        put(tmp_path / "x.flac", noise(), "float")
    with pytest.raises(InputError, match="MP3 of 320 kbit/s cannot have a rate of 96000 Hz: take 44100"):
        require_writable(sample_rate_hz=96000, format="mp3", bits="24")
    with pytest.raises(InputError, match="format 'ogg' is unknown"):
        put(tmp_path / "x.ogg", noise())
    with pytest.raises(InputError, match="cannot have '8' bits"):
        put(tmp_path / "x.wav", noise(), "8")
    with pytest.raises(InputError, match="neither a JPEG nor a PNG"):
        put(tmp_path / "x.flac", noise(), tags=OutputTags(cover=b"GIF89a"))
    with pytest.raises(InputError, match="no sound to write"):
        put(tmp_path / "x.flac", np.zeros((0, 2)))
    with pytest.raises(InputError, match="it is a folder"):
        write_audio(tmp_path, [noise()], sample_rate_hz=RATE_HZ, format="flac")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "bad", [np.full((9, 2), np.nan), np.full((9, 2), np.inf), np.zeros(9), np.zeros((9, 1))]
)
def test_blocks_that_are_no_stereo_sound_are_a_fault_of_the_caller(tmp_path: Path, bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="a block"):
        write_audio(tmp_path / "x.wav", [noise(), bad], sample_rate_hz=RATE_HZ, format="wav")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("kind", "bits"), ALL)
@pytest.mark.parametrize("fault", [KeyboardInterrupt, RuntimeError, OSError])
def test_an_interrupted_file_leaves_the_old_one_and_nothing_else(
    tmp_path: Path, kind: str, bits: str, fault: type[BaseException]
) -> None:
    path = tmp_path / f"mix.{kind}"
    path.write_bytes(b"yesterday")
    seen: list[list[str]] = []

    def blocks() -> Iterator[np.ndarray]:
        yield noise()
        seen.append(sorted(found.name for found in tmp_path.iterdir()))
        raise fault("stop")

    with pytest.raises(fault, match="stop"):
        write_audio(path, blocks(), sample_rate_hz=RATE_HZ, format=kind, bits=bits)
    assert seen == [[f".mix.{kind}.partial", f"mix.{kind}"]]
    assert [found.name for found in tmp_path.iterdir()] == [path.name]
    assert path.read_bytes() == b"yesterday"


def test_finish_works_on_the_file_before_it_has_its_name(tmp_path: Path) -> None:
    seen: list[bool] = []
    put(tmp_path / "x.flac", noise(), finish=lambda part: seen.append((tmp_path / "x.flac").exists()))
    assert seen == [False]
    assert (tmp_path / "x.flac").exists()


def test_a_leftover_of_a_killed_run_is_written_over(tmp_path: Path) -> None:
    (tmp_path / ".x.flac.partial").write_bytes(b"half of yesterday's")
    put(tmp_path / "x.flac", noise())
    assert [found.name for found in tmp_path.iterdir()] == ["x.flac"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
@pytest.mark.parametrize(("kind", "bits"), ALL)
def test_a_disk_that_runs_full_is_one_clear_message(tmp_path: Path, kind: str, bits: str) -> None:
    code = (
        "import resource, signal, sys, pathlib, numpy as np\n"
        "from mixrender.audio.write import write_audio\n"
        "from mixrender.errors import MachineError\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "x = np.random.default_rng(1).uniform(-.5, .5, (44100, 2))\n"
        "try: write_audio(pathlib.Path(sys.argv[1]), [x, x, x], sample_rate_hz=44100, format=sys.argv[2],\n"
        "                 bits=sys.argv[3])\n"
        "except MachineError as error: print(error)\n"
    )
    args = [sys.executable, "-c", code, str(tmp_path / f"x.{kind}"), kind, bits]
    done = subprocess.run(args, capture_output=True, text=True, timeout=60, check=False)
    assert f"x.{kind}: it cannot be written (" in done.stdout
    assert done.stderr == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_a_full_disk_is_named_as_such(tmp_path: Path) -> None:
    with (
        pytest.raises(MachineError, match=r"mix\.txt: the disk is full"),
        write_module.writing(tmp_path / "mix.txt"),
    ):
        Path("/dev/full").write_bytes(b"x")


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(MachineError, match=r"x\.flac: it cannot be written \(.*Choose another folder"):
        put(tmp_path / "file" / "x.flac", noise())


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_long_wavs_become_rf64_with_the_same_samples(tmp_path: Path, bits: int) -> None:
    """EBU Tech 3306: `ds64` first, with the sizes that 32 bits cannot hold; here the limit is set low."""
    samples = np.random.default_rng(3).bytes(bits // 4 * 10_001)
    for name, limit in (("short.wav", 0xFFFF_FFFF), ("long.wav", 1000)):
        wav = WavFile(tmp_path / name, sample_rate_hz=RATE_HZ, bits=bits, riff_limit_bytes=limit)
        wav.write(samples)
        wav.close(id3=b"ID3odd!")
    short, long = (soundfile.SoundFile(tmp_path / name) for name in ("short.wav", "long.wav"))
    with short, long:
        assert (short.format, long.format) == ("WAV", "RF64")
        assert short.frames == long.frames == 10_001
        np.testing.assert_array_equal(short.read(dtype="float32"), long.read(dtype="float32"))
    data = (tmp_path / "long.wav").read_bytes()
    assert data[:8] == b"RF64\xff\xff\xff\xff"
    assert data[8:16] == b"WAVEds64"
    assert struct.unpack_from("<QQQ", data, 20) == (len(data) - 8, len(samples), 10_001)
    assert len(data) % 2 == 0


def test_a_wav_over_4_gib_states_its_length(tmp_path: Path) -> None:
    """The gap is a hole in the file, which takes no room on the disk."""
    path = tmp_path / "hours.wav"
    wav = WavFile(path, sample_rate_hz=RATE_HZ, bits=24)
    wav.write(bytes(6))
    wav._file.seek(6 * 750_000_000 - 6, os.SEEK_CUR)
    wav._data_bytes += 6 * 750_000_000 - 6
    wav.write(b"\1\0\0\2\0\0")
    wav.close()
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.frames) == ("RF64", 750_000_001)
        file.seek(750_000_000)
        assert (file.read(dtype="int32") >> 8).tolist() == [[1, 2]]
    path.unlink()


def test_text_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    write_text_atomic(tmp_path / "new" / "a.json", "é\n")
    assert (tmp_path / "new" / "a.json").read_bytes() == "é\n".encode()
    with pytest.raises(KeyboardInterrupt), atomic_path(tmp_path / "new" / "a.json") as part:
        part.write_text("half")
        raise KeyboardInterrupt
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["a.json"]
    assert (tmp_path / "new" / "a.json").read_text(encoding="utf-8") == "é\n"
