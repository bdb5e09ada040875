"""The tracks as files: format, tags, the same bytes each time, whole or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender.demo import tracks
from mixrender.demo.score import shortened
from mixrender.demo.tracks import SCORES, make_tracks, track_path
from mixrender.errors import MachineError, MixrenderError
from mixrender.progress import Advance

SHORT = tuple(shortened(score, section_bars=1) for score in SCORES[2:4])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    make_tracks(folder, scores=SHORT)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "demo"))


def test_the_paths_come_in_the_order_of_the_mix(folder: Path) -> None:
    assert make_tracks(folder, scores=SHORT) == [track_path(folder, score) for score in SHORT]
    assert sorted(p.name for p in (folder / "tracks").iterdir()) == sorted(f"{s.name}.flac" for s in SHORT)


@pytest.mark.parametrize("score", SHORT, ids=lambda score: score.name)
def test_a_file_has_the_score_s_format_length_and_tags(made: Path, score: tracks.Score) -> None:
    with soundfile.SoundFile(track_path(made, score)) as file:
        assert (file.format, file.subtype, file.channels) == ("FLAC", "PCM_24", 2)
        assert file.samplerate == score.sample_rate_hz
        assert (file.title, file.artist) == (score.title, score.artist)
        bars_s = score.bars * 4 * 60.0 / score.tempo_bpm
        assert file.frames / file.samplerate == pytest.approx(score.bar_1_s + bars_s + score.tail_s, abs=1e-4)


def test_two_folders_get_the_same_bytes(made: Path, tmp_path: Path) -> None:
    make_tracks(tmp_path, scores=SHORT)

    for score in SHORT:
        assert track_path(tmp_path, score).read_bytes() == track_path(made, score).read_bytes()


def test_a_whole_file_is_not_made_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(score: tracks.Score) -> None:
        raise AssertionError(f"{score.name} is made again")

    monkeypatch.setattr(tracks, "render", refuse)

    make_tracks(folder, scores=SHORT)


@pytest.mark.parametrize("damage", ["cut short", "one byte", "empty", "other sound", "no tags"])
def test_a_damaged_file_is_made_again(folder: Path, damage: str) -> None:
    path = track_path(folder, SHORT[0])
    good = path.read_bytes()
    if damage == "cut short":
        path.write_bytes(good[: len(good) // 2])
    elif damage == "one byte":
        middle = len(good) // 2
        path.write_bytes(good[:middle] + bytes([good[middle] ^ 0x10]) + good[middle + 1 :])
    elif damage == "empty":
        path.write_bytes(b"")
    elif damage == "other sound":
        with soundfile.SoundFile(path) as file:
            comment, sound = file.comment, file.read(dtype="int32")
        with soundfile.SoundFile(path, "w", SHORT[0].sample_rate_hz, 2, "PCM_24", format="FLAC") as file:
            file.comment = comment
            file.write(sound[::-1])
    else:
        soundfile.write(path, np.zeros((100, 2)), 44100, subtype="PCM_24")

    make_tracks(folder, scores=SHORT)

    assert path.read_bytes() == good


def test_a_track_from_another_score_is_made_again(folder: Path) -> None:
    changed = replace(SHORT[0], seed=99)
    before = track_path(folder, changed).read_bytes()

    make_tracks(folder, scores=[changed])

    assert track_path(folder, changed).read_bytes() != before


@pytest.mark.parametrize("fault", [KeyboardInterrupt, MemoryError])
def test_nothing_half_written_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: type[BaseException]
) -> None:
    def write_half(path: Path, score: tracks.Score, pcm: object) -> None:
        path.write_bytes(b"fLaC")
        raise fault

    monkeypatch.setattr(tracks, "_write_flac", write_half)
    with pytest.raises(fault):
        make_tracks(tmp_path, scores=SHORT[:1])

    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_failing_writer_is_told_in_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(path: Path, score: tracks.Score, pcm: object) -> None:
        raise soundfile.LibsndfileError(2)

    monkeypatch.setattr(tracks, "_write_flac", fail)
    with pytest.raises(MachineError, match=r"hollow-engine\.flac: cannot be written"):
        make_tracks(tmp_path, scores=SHORT[:1])


def test_a_folder_that_is_a_file_is_told_in_one_message(tmp_path: Path) -> None:
    (tmp_path / "tracks").write_text("in the way")

    with pytest.raises(MixrenderError, match="tracks"):
        make_tracks(tmp_path, scores=SHORT[:1])


def test_progress_counts_the_seconds_of_all_tracks(folder: Path) -> None:
    class Counting:
        total = done = 0.0

        @contextmanager
        def task(self, label: str, total: float) -> Iterator[Advance]:
            self.total = total
            yield self.add

        def add(self, amount: float) -> None:
            self.done += amount

    progress = Counting()
    make_tracks(folder, scores=SHORT, progress=progress)

    assert progress.total == pytest.approx(sum(score.duration_s for score in SHORT))
    assert progress.done == pytest.approx(progress.total)
