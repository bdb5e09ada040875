from __future__ import annotations

import base64
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
from mutagen.flac import Picture
from mutagen.mp4 import Atoms, MP4Cover
from mutagen.ogg import OggPage

from mixrender.audio import write as write_module
from mixrender.audio.file_tags import read_tags
from mixrender.audio.ogg_pages import stamp_serial
from mixrender.audio.read import read_blocks
from mixrender.audio.sinks.base import Wish
from mixrender.audio.sinks.whole_numbers import HEAD_BYTES, Aiff
from mixrender.audio.tags import Chapter, OutputTags
from mixrender.audio.wav import WavFile
from mixrender.audio.write import atomic_path, require_writable, write_audio, write_text_atomic
from mixrender.errors import InputError, MachineError, ToolError
from mixrender.formats import FORMATS

RATE_HZ = 44100
PNG = b"\x89PNG\r\n\x1a\n" + bytes(30)
TAGS = OutputTags(
    title="Nächte",
    artist="Quay Collective",
    date="2024-05-06",
    cover=PNG,
    chapters=(Chapter(0.0, "Ferry"), Chapter(205.4, "Lantern")),
)
ALL = [
    ("wav", "16"),
    ("wav", "24"),
    ("wav", "float"),
    ("aiff", "16"),
    ("aiff", "24"),
    ("flac", "16"),
    ("flac", "24"),
    ("mp3", "24"),
    ("opus", "24"),
    ("ogg", "24"),
    ("m4a", "24"),
]
"""Every kind of file, by its suffix, and of bits; the lossy ones have none of their own."""

FORMATS_BY_SUFFIX = {kind.suffix[1:]: kind for kind in FORMATS.values()}
LOSSY = [kind.suffix[1:] for kind in FORMATS.values() if kind.is_lossy]


def noise(frames: int = 50_000, *, seed: int = 6) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, 2))


def blocks_of(x: np.ndarray, size: int = 8192) -> Iterator[np.ndarray]:
    for start in range(0, len(x), size):
        yield x[start : start + size]


def rate_of(suffix: str) -> int:
    return FORMATS_BY_SUFFIX[suffix].rate_near_hz(RATE_HZ)


def put(path: Path, x: np.ndarray, bits: str = "24", *, size: int = 8192, **options: object):
    kind = FORMATS_BY_SUFFIX[path.suffix[1:]]
    options = {"sample_rate_hz": kind.rate_near_hz(RATE_HZ)} | options
    return write_audio(path, blocks_of(x, size), format=kind.name, bits=bits, **options)


def whole_numbers(path: Path, bits: int) -> np.ndarray:
    return soundfile.read(path, dtype="int32")[0] >> (32 - bits)


@pytest.mark.parametrize("name", ["x.wav", "x.aiff", "x.flac"])
def test_24_bits_are_within_a_step_and_a_half(tmp_path: Path, name: str) -> None:
    """One step of dither and half a step of rounding."""
    x = noise()
    result = put(tmp_path / name, x)
    error_steps = np.abs(whole_numbers(tmp_path / name, 24) - x * 2**23).max()
    print(f"{name}: error {error_steps:.4f} steps (bound 1.5)")
    assert soundfile.info(tmp_path / name).subtype == "PCM_24"
    assert (result.path, result.frames, result.clipped_samples) == (tmp_path / name, len(x), 0)
    assert error_steps <= 1.5


def test_float_wav_keeps_every_sample(tmp_path: Path) -> None:
    x = noise().astype(np.float32) * 1.5
    result = put(tmp_path / "x.wav", x, "float")
    y, rate_hz = soundfile.read(tmp_path / "x.wav", dtype="float32")
    np.testing.assert_array_equal(y, x)
    assert rate_hz == RATE_HZ
    assert result.clipped_samples == np.count_nonzero(np.abs(x) > 1)


@pytest.mark.parametrize("bits", ["16", "24"])
@pytest.mark.parametrize("name", ["x.wav", "x.aiff", "x.flac"])
def test_dither_keeps_the_error_from_following_the_sound(tmp_path: Path, name: str, bits: str) -> None:
    """Mean 0 and variance 1/4 step² at every level: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992."""
    frames = 60_000
    for level_steps in (0.0, 0.25, 0.5, 0.75):
        put(tmp_path / name, np.full((frames, 2), level_steps / 2 ** (int(bits) - 1)), bits)
        error = whole_numbers(tmp_path / name, int(bits)) - level_steps
        # Five standard errors of the mean and of the variance (kurtosis of the error below 3).
        mean_bound, variance_bound = 5 * 0.5 / np.sqrt(2 * frames), 5 * 0.25 * np.sqrt(2 / (2 * frames))
        print(f"{name} at {level_steps} steps: mean {error.mean():+.5f}, variance {error.var():.5f} steps²")
        assert abs(error.mean()) < mean_bound
        assert abs(error.var() - 0.25) < variance_bound
        assert abs(np.corrcoef(error.T)[0, 1]) < 5 / np.sqrt(frames)  # left and right apart


@pytest.mark.parametrize("bits", ["16", "24"])
def test_the_seed_chooses_the_dither(tmp_path: Path, bits: str) -> None:
    x = noise()
    for name, seed in (("a.flac", 1), ("b.flac", 1), ("c.flac", 2)):
        put(tmp_path / name, x, bits, dither_seed=seed)
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
    if kind not in LOSSY:
        y = soundfile.read(tmp_path / f"x.{kind}")[0]
        assert y[5000:5003, 0].min() > 0.9999
        assert y[7000, 1] < -0.9999


def test_mp3_has_320_kbit_s_and_an_info_tag_with_delay_and_padding(tmp_path: Path) -> None:
    """The tag counts frames, and states delay and padding in 12 bits each: LAME's info tag, revision 1."""
    x = noise(RATE_HZ * 2 + 123)
    put(tmp_path / "x.mp3", x, tags=TAGS)
    info = mutagen.File(tmp_path / "x.mp3").info
    data = (tmp_path / "x.mp3").read_bytes()
    at = data.index(b"Info", 10 + len(PNG))
    frames = struct.unpack_from(">I", data, at + 8)[0]
    ends = int.from_bytes(data[at + 141 : at + 144], "big")
    print(f"{info.bitrate} bit/s; {frames} frames, delay {ends >> 12}, padding {ends & 0xFFF}")
    assert abs(info.bitrate - 320_000) < 100
    assert frames * 1152 - (ends >> 12) - (ends & 0xFFF) == len(x)


def music(rate_hz: int, frames: int) -> np.ndarray:
    """Chords that change every half second, each note with its harmonics: what an encoder is made for."""
    t = np.arange(frames) / rate_hz
    chord = np.array([[220.0, 277.2, 329.6], [196.0, 246.9, 293.7]])[(t * 2).astype(int) % 2]
    held = np.minimum((t * 2 % 1) * 40, 1) * np.minimum((1 - t * 2 % 1) * 40, 1)
    notes = sum(np.sin(2 * np.pi * chord[:, n] * h * t + h) / h for n in range(3) for h in range(1, 9))
    left = 0.12 * held * notes
    return np.stack([left, np.roll(left, 7) * 0.8], axis=1)


def lag_frames(x: np.ndarray, y: np.ndarray) -> int:
    """By how many frames y comes later than x: the peak of their cross-correlation."""
    size = 1 << (2 * len(x) - 1).bit_length()
    found = np.fft.irfft(np.fft.rfft(y, size) * np.conj(np.fft.rfft(x, size)), size)
    lag = int(np.argmax(found))
    return lag if lag < size // 2 else lag - size


@pytest.mark.parametrize(("kind", "bits"), ALL)
def test_what_is_read_back_has_the_length_the_place_and_the_level_of_what_was_written(
    tmp_path: Path, kind: str, bits: str
) -> None:
    rate_hz = rate_of(kind)
    x = music(rate_hz, 4 * rate_hz + 1234)
    put(tmp_path / f"x.{kind}", x, bits)
    y = np.concatenate(list(read_blocks(tmp_path / f"x.{kind}")))
    extra, y = len(y) - len(x), y[: len(x)]
    lag = lag_frames(x[:, 0], y[:, 0])
    level_db = 20 * np.log10(np.sqrt(np.mean(np.square(y)) / np.mean(np.square(x))))
    print(
        f"{kind} {bits}: {extra} frames more (bound 0), lag {lag} (bound 0), level {level_db:+.4f} dB (0.1)"
    )
    assert lag == 0
    assert abs(level_db) < 0.1
    if kind == "m4a":  # packets of 1024 frames: ffmpeg, when reading, keeps what fills the last one
        assert 0 <= extra < 1024
        assert edited_frames(tmp_path / "x.m4a") == (1024, len(x))
    else:
        assert extra == 0


def edited_frames(path: Path) -> tuple[int, int]:
    """The first frame and the number of frames that the edit list plays (ISO/IEC 14496-12, 8.6.6)."""
    with path.open("rb") as file:
        _, data = Atoms(file).path(b"moov", b"trak", b"edts")[-1].read(file)
    assert data[4:8] == b"elst"
    version, count = data[8], struct.unpack_from(">I", data, 12)[0]
    duration, start = struct.unpack_from(">Qq" if version == 1 else ">Ii", data, 16)
    assert count == 1
    return start, duration


@pytest.mark.parametrize("kind", sorted({kind for kind, _ in ALL}))
def test_tags_cover_and_chapters_are_written(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"x.{kind}"
    put(path, noise(), tags=TAGS)
    found = mutagen.File(path)
    told = read_tags(path)
    assert (told.title, told.artist, told.date) == (TAGS.title, TAGS.artist, TAGS.date)
    if kind in ("flac", "opus", "ogg"):
        assert found["date"] == ["2024-05-06"]
        assert found["chapter001"] == ["00:03:25.400"]
        assert found["chapter001name"] == ["Lantern"]
        pictures = [Picture(base64.b64decode(text)) for text in found.get("metadata_block_picture", [])]
        (picture,) = getattr(found, "pictures", pictures)
        assert (picture.data, picture.mime, picture.type) == (PNG, "image/png", 3)
    elif kind == "m4a":
        assert found["\xa9day"] == ["2024-05-06"]
        assert (bytes(found["covr"][0]), found["covr"][0].imageformat) == (PNG, MP4Cover.FORMAT_PNG)
    else:
        assert found["TIT2"].text == [TAGS.title]
        assert str(found["TDRC"].text[0]) == "2024-05-06"
        assert found["APIC:"].data == PNG
        assert found["CHAP:chp1"].start_time == 205_400
        assert found["CHAP:chp0"].end_time == 205_400
        assert str(found["CHAP:chp1"].sub_frames["TIT2"]) == "Lantern"
        assert found["CTOC:toc"].child_element_ids == ["chp0", "chp1"]


@pytest.mark.parametrize("kind", sorted({kind for kind, _ in ALL}))
def test_tags_leave_the_sound_as_it_is(tmp_path: Path, kind: str) -> None:
    """A cover that fills many pages of Ogg must not move what comes after it."""
    cover = PNG + np.random.default_rng(4).bytes(300_000)
    put(tmp_path / f"plain.{kind}", noise())
    put(tmp_path / f"told.{kind}", noise(), tags=OutputTags(title="x", cover=cover))
    plain, told = (np.concatenate(list(read_blocks(tmp_path / f"{n}.{kind}"))) for n in ("plain", "told"))
    np.testing.assert_array_equal(plain, told)


@pytest.mark.parametrize(
    ("kind", "kbit_s", "bound_percent"),
    # MP3 has a constant rate. The others' follows the sound; noise takes the most that they give.
    [
        ("mp3", 128, 2),
        ("mp3", 192, 2),
        ("opus", 96, 15),
        ("opus", 256, 15),
        ("ogg", 128, 15),
        ("m4a", 128, 15),
    ],
)
def test_the_bit_rate_is_the_one_asked_for(
    tmp_path: Path, kind: str, kbit_s: int, bound_percent: int
) -> None:
    x = music(rate_of(kind), 10 * rate_of(kind)) + 0.05 * noise(10 * rate_of(kind))
    put(tmp_path / f"x.{kind}", x, kbit_s=kbit_s)
    found = (tmp_path / f"x.{kind}").stat().st_size * 8 / 10 / 1000
    print(f"{kind}: {found:.1f} kbit/s instead of {kbit_s} (bound {bound_percent} %)")
    assert abs(found / kbit_s - 1) < bound_percent / 100


@pytest.mark.parametrize("kind", ["opus", "ogg"])
def test_an_ogg_stream_is_numbered_by_its_content(tmp_path: Path, kind: str) -> None:
    """Pages carry one serial number and a right checksum (RFC 3533, 6), which mutagen works out by itself."""
    serials = []
    for name, seed in (("a", 1), ("b", 2)):
        put(tmp_path / f"{name}.{kind}", noise(seed=seed), tags=TAGS)
        with (tmp_path / f"{name}.{kind}").open("rb") as file:
            data, pages = file.read(), []
            file.seek(0)
            while file.tell() < len(data):
                pages.append(OggPage(file))
        assert len({page.serial for page in pages}) == 1
        assert b"".join(page.write() for page in pages) == data
        serials.append(pages[0].serial)
    assert serials[0] != serials[1]


def test_an_ogg_file_without_its_end_is_not_delivered(tmp_path: Path) -> None:
    put(tmp_path / "x.ogg", noise())
    data = (tmp_path / "x.ogg").read_bytes()
    (tmp_path / "x.ogg").write_bytes(data[:-100])
    with pytest.raises(OSError):
        stamp_serial(tmp_path / "x.ogg")
    (tmp_path / "x.ogg").write_bytes(b"")
    with pytest.raises(OSError):
        stamp_serial(tmp_path / "x.ogg")


@pytest.mark.accuracy
@pytest.mark.parametrize("kind", ["opus", "ogg"])
def test_ten_minutes_in_one_block_are_encoded(tmp_path: Path, kind: str) -> None:
    """In one piece they crash libsndfile."""
    x = np.zeros((600 * rate_of(kind), 2), dtype=np.float32)
    x[::100] = 0.1
    put(tmp_path / f"x.{kind}", x, size=len(x))
    assert soundfile.info(tmp_path / f"x.{kind}").frames == len(x)


def test_an_aiff_that_would_pass_4_gib_is_refused(tmp_path: Path) -> None:
    """Its chunks state their size in 32 bits (AIFF 1.3, Apple, 1989); here the limit is set low."""
    hours = {"sample_rate_hz": 96_000, "format": "aiff", "bits": "24"}
    require_writable(**hours, frames=96_000 * 3600 * 2)
    with pytest.raises(InputError, match=r"AIFF ends at 4 GiB.*write `format: wav`"):
        require_writable(**hours, frames=96_000 * 3600 * 3)
    wish = Wish(tmp_path / "x.aiff", RATE_HZ, "24", 0)
    with (
        Aiff(wish, largest_bytes=HEAD_BYTES + 6000) as sink,
        pytest.raises(InputError, match="AIFF ends at 4 GiB"),
    ):
        sink.write(np.zeros((1000, 2), dtype=np.int32))
        sink.write(np.zeros((1, 2), dtype=np.int32))


def test_m4a_needs_an_ffmpeg_that_encodes_aac(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MIXRENDER_FFMPEG", "/nonexistent/ffmpeg")
    with pytest.raises(ToolError, match=r"MIXRENDER_FFMPEG(.|\n)*apt install"):
        require_writable(sample_rate_hz=RATE_HZ, format="m4a", bits="24")
    poor = tmp_path / "ffmpeg"
    poor.write_text("#!/bin/sh\necho ' A....D mp2   MP2 (MPEG audio layer 2)'\n")
    poor.chmod(0o755)
    monkeypatch.setenv("MIXRENDER_FFMPEG", str(poor))
    with pytest.raises(ToolError, match=r"no encoder for AAC(.|\n)*apt install") as caught:
        put(tmp_path / "x.m4a", noise())
    assert caught.value.exit_status == 3
    assert [path.name for path in tmp_path.iterdir()] == ["ffmpeg"]


@pytest.mark.parametrize(
    ("words", "kind", "message"),
    [
        ("no luck", ToolError, r"could not encode the M4A(.|\n)*no luck"),
        ("Error writing trailer: No space left on device", MachineError, "the disk is full"),
    ],
)
def test_an_ffmpeg_that_fails_is_a_fault_with_its_last_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, kind: type[Exception], message: str
) -> None:
    broken = tmp_path / "ffmpeg"
    broken.write_text(
        f"#!/bin/sh\n[ $2 = -encoders ] && echo ' A....D aac  AAC' && exit\necho {words} >&2; exit 1\n"
    )
    broken.chmod(0o755)
    monkeypatch.setenv("MIXRENDER_FFMPEG", str(broken))
    with pytest.raises(kind, match=message):
        put(tmp_path / "x.m4a", noise(500_000))
    assert [path.name for path in tmp_path.iterdir()] == ["ffmpeg"]


def test_id3_has_at_most_255_chapters(tmp_path: Path) -> None:
    """CTOC counts its entries in 8 bits: ID3v2 Chapter Frame Addendum 1.0."""
    chapters = tuple(Chapter(0.001 * number, str(number)) for number in range(300))
    put(tmp_path / "x.mp3", noise(), tags=OutputTags(chapters=chapters))
    assert len(mutagen.File(tmp_path / "x.mp3")["CTOC:toc"].child_element_ids) == 255


def test_what_a_format_cannot_hold_is_said_before_anything_is_written(tmp_path: Path) -> None:
    for kind in ("flac", "aiff"):
        with pytest.raises(InputError, match=f"{kind.upper()} holds whole numbers only; write `bits: 24`"):
            put(tmp_path / f"x.{kind}", noise(), "float")
    with pytest.raises(InputError, match="MP3 cannot have 96000 Hz; write 32000, 44100 or 48000"):
        require_writable(sample_rate_hz=96000, format="mp3", bits="24")
    with pytest.raises(InputError, match="Opus cannot have 44100 Hz; write 48000"):
        require_writable(sample_rate_hz=44100, format="opus", bits="24")
    with pytest.raises(InputError, match=r"MP3 cannot have 200 kbit/s; write 64, 80, .* or 320"):
        require_writable(sample_rate_hz=44100, format="mp3", bits="24", kbit_s=200)
    with pytest.raises(InputError, match="M4A cannot have 512 kbit/s; write a bit rate from 64 to 320"):
        require_writable(sample_rate_hz=44100, format="m4a", bits="24", kbit_s=512)
    with pytest.raises(InputError, match="FLAC has no bit rate to choose"):
        require_writable(sample_rate_hz=44100, format="flac", bits="24", kbit_s=256)
    with pytest.raises(InputError, match="format 'ogg' is unknown"):
        require_writable(sample_rate_hz=44100, format="ogg", bits="24")
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
        write_audio(
            path,
            blocks(),
            sample_rate_hz=rate_of(kind),
            format=FORMATS_BY_SUFFIX[kind].name,
            bits=bits,
        )
    assert seen == [[f".mix.{kind}.partial", f"mix.{kind}"]]
    assert [found.name for found in tmp_path.iterdir()] == [path.name]
    assert path.read_bytes() == b"yesterday"


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
        "try: write_audio(pathlib.Path(sys.argv[1]), [x, x, x], sample_rate_hz=int(sys.argv[4]),\n"
        "                 format=sys.argv[2], bits=sys.argv[3])\n"
        "except MachineError as error: print(error)\n"
    )
    args = [sys.executable, "-c", code, str(tmp_path / f"x.{kind}"), FORMATS_BY_SUFFIX[kind].name, bits]
    args += [str(rate_of(kind))]
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
