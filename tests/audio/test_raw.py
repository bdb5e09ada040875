from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender.audio import raw as raw_module
from mixrender.audio.cache import Cache
from mixrender.audio.raw import RawAudio, decoded
from mixrender.audio.read import read_blocks
from mixrender.audio.sound_hash import content_hash
from mixrender.errors import AudioError, MachineError

RATE_HZ = 44100


@pytest.fixture
def source(tmp_path: Path) -> Path:
    x = np.random.default_rng(4).standard_normal((30_000, 2)) * 0.1
    soundfile.write(tmp_path / "s.flac", x, RATE_HZ, subtype="PCM_24")
    return tmp_path / "s.flac"


def keep(path: Path, cache: Cache, rate_hz: int = RATE_HZ) -> RawAudio:
    return decoded(path, content_hash=content_hash(path), sample_rate_hz=rate_hz, cache=cache)


def test_the_kept_sound_is_what_the_blocks_say(source: Path, tmp_path: Path) -> None:
    for rate_hz in (RATE_HZ, 48000):
        audio = keep(source, Cache(tmp_path / "c"), rate_hz)
        expected = np.concatenate(list(read_blocks(source, sample_rate_hz=rate_hz)))
        assert (audio.frames, audio.sample_rate_hz) == (len(expected), rate_hz)
        np.testing.assert_array_equal(audio.read(0, audio.frames), expected)


def test_a_file_is_decoded_once_whatever_its_name(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = Cache(tmp_path / "c")
    first = keep(source, cache)
    other = source.rename(tmp_path / "renamed.flac")
    monkeypatch.setattr(raw_module, "read_blocks", lambda *args, **options: pytest.fail("decoded again"))
    assert keep(other, cache) == first


def test_outside_of_the_file_there_are_zeros(source: Path, tmp_path: Path) -> None:
    audio = keep(source, Cache(tmp_path / "c"))
    everything = audio.read(0, audio.frames)
    around = audio.read(-100, audio.frames + 50)
    assert around.dtype == np.float32
    np.testing.assert_array_equal(around[100:-50], everything)
    assert not around[:100].any()
    assert not around[-50:].any()
    assert audio.read(-10, -5).shape == (5, 2)
    assert not audio.read(audio.frames, audio.frames + 7).any()
    assert audio.read(7, 7).shape == (0, 2)
    np.testing.assert_array_equal(audio.read(1234, 1300), everything[1234:1300])


def test_threads_may_read_at_once(source: Path, tmp_path: Path) -> None:
    audio = keep(source, Cache(tmp_path / "c"))
    everything = audio.read(0, audio.frames)
    wrong: list[int] = []

    def read_all(seed: int) -> None:
        for start in np.random.default_rng(seed).integers(0, audio.frames - 500, 200):
            if not np.array_equal(audio.read(start, start + 500), everything[start : start + 500]):
                wrong.append(int(start))

    threads = [threading.Thread(target=read_all, args=(seed,)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_file_that_breaks_off_leaves_nothing_in_the_cache(source: Path, tmp_path: Path) -> None:
    data = source.read_bytes()
    source.write_bytes(data[: len(data) // 2])
    with pytest.raises(AudioError, match="damaged or cut off"):
        keep(source, Cache(tmp_path / "c"))
    assert [path for path in (tmp_path / "c").rglob("*") if path.is_file()] == []


def test_too_little_space_is_said_before_decoding(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache, asked = Cache(tmp_path / "c"), []

    def refuse(n_bytes: int) -> None:
        asked.append(n_bytes)
        raise MachineError("full")

    monkeypatch.setattr(cache, "require_space", refuse)
    with pytest.raises(MachineError):
        keep(source, cache)
    assert asked == [30_000 * 8]


def test_sound_that_is_lost_meanwhile_is_one_clear_message(source: Path, tmp_path: Path) -> None:
    audio = keep(source, Cache(tmp_path / "c"))
    audio.path.write_bytes(audio.path.read_bytes()[:-80])
    with pytest.raises(MachineError, match=r"can no longer be read \(it is shorter"):
        audio.read(0, audio.frames)
    audio.path.unlink()
    with pytest.raises(MachineError, match=r"If the cache was cleared.*run it again"):
        audio.read(0, 10)
