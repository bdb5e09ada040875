"""Changes of a plan's files are told, however they are saved, and only then."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from mixrender.rehearse.watch import changes, files_of, stamps

Seen = Callable[[float], "frozenset[Path] | None"]


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    file = tmp_path / "night.yaml"
    file.write_text("tracks: [a.wav, music/b.wav]\n", encoding="utf-8")
    (tmp_path / "a.wav").write_bytes(b"a")
    return file


@pytest.fixture
def seen(plan_file: Path) -> Iterator[Seen]:
    """Waits so many seconds at most for a change; None if there was none."""
    found: queue.Queue[frozenset[Path]] = queue.Queue()
    stop, begun = threading.Event(), threading.Event()

    def watch() -> None:
        def files() -> frozenset[Path]:
            begun.set()
            return files_of(plan_file)

        for changed in changes(files, stop, plan_file=plan_file):
            found.put(changed)

    thread = threading.Thread(target=watch)
    thread.start()
    begun.wait(5.0)
    time.sleep(0.1)

    def next_change(seconds: float) -> frozenset[Path] | None:
        try:
            return found.get(timeout=seconds)
        except queue.Empty:
            return None

    yield next_change
    stop.set()
    thread.join(10.0)
    assert not thread.is_alive()


def test_a_plan_names_itself_its_tracks_and_its_cover(tmp_path):
    file = tmp_path / "night.yaml"
    file.write_text("cover: art/front.png\ntracks: [a.wav, {file: b.wav}]\n", encoding="utf-8")

    assert files_of(file) == {file, tmp_path / "art/front.png", tmp_path / "a.wav", tmp_path / "b.wav"}


def test_of_a_plan_that_cannot_be_read_the_file_itself_is_watched(tmp_path):
    file = tmp_path / "night.yaml"
    file.write_text("tracks: [a.wav", encoding="utf-8")

    assert files_of(file) == {file}
    assert files_of(tmp_path / "missing.yaml") == {tmp_path / "missing.yaml"}


def test_a_change_in_place_is_seen(plan_file, seen):
    plan_file.write_text("tracks: [a.wav, music/b.wav]\ntitle: Ferry\n", encoding="utf-8")

    assert seen(10.0) == {plan_file}


def test_a_save_by_rename_is_seen_each_time(plan_file, seen):
    for title in ("One", "Two", "Three"):
        fresh = plan_file.with_name("night.yaml.new")
        fresh.write_text(f"title: {title}\ntracks: [a.wav, music/b.wav]\n", encoding="utf-8")
        fresh.replace(plan_file)

        assert seen(10.0) == {plan_file}, title


def test_a_plan_that_is_away_for_a_moment_is_seen_once_it_is_back(plan_file, seen):
    backup = plan_file.with_name("night.yaml~")
    plan_file.rename(backup)
    time.sleep(0.2)
    plan_file.write_text("title: Back\ntracks: [a.wav, music/b.wav]\n", encoding="utf-8")

    assert seen(10.0) == {plan_file}
    assert plan_file.read_text(encoding="utf-8").startswith("title: Back")
    assert seen(0.7) is None


def test_a_burst_of_writes_is_one_change(plan_file, seen):
    for k in range(5):
        plan_file.write_text(f"title: Ferry {k}\ntracks: [a.wav, music/b.wav]\n", encoding="utf-8")

    assert seen(10.0) == {plan_file}
    assert seen(0.7) is None


def test_a_track_that_is_written_again_is_seen(plan_file, seen):
    (plan_file.parent / "a.wav").write_bytes(b"another sound")

    assert seen(10.0) == {plan_file.parent / "a.wav"}


def test_a_track_that_comes_into_a_folder_that_was_not_there_is_seen(plan_file, seen):
    track = plan_file.parent / "music" / "b.wav"
    track.parent.mkdir()
    track.write_bytes(b"b")

    assert seen(10.0) == {track}


def test_a_track_that_the_plan_names_only_now_is_watched(plan_file, seen):
    plan_file.write_text("tracks: [a.wav, c.wav]\n", encoding="utf-8")
    assert seen(10.0) == {plan_file}
    time.sleep(0.6)

    (plan_file.parent / "c.wav").write_bytes(b"c")

    assert seen(10.0) == {plan_file.parent / "c.wav"}


def test_what_a_link_leads_to_is_watched(tmp_path):
    real = tmp_path / "real" / "night.yaml"
    real.parent.mkdir()
    real.write_text("tracks: [a.wav]\n", encoding="utf-8")
    link = tmp_path / "night.yaml"
    try:
        link.symlink_to(real)
    except OSError:
        pytest.skip("this system makes no links here")
    stop = threading.Event()
    found = changes(lambda: frozenset({link}), stop, plan_file=link)
    timer = threading.Timer(0.3, real.write_text, args=("tracks: [b.wav]\n",))
    timer.start()

    assert next(found) == {link}
    stop.set()
    timer.join()
    found.close()


def test_other_files_and_a_second_save_of_the_same_stamp_are_no_change(plan_file, seen):
    (plan_file.parent / "other.txt").write_text("x")
    stat = plan_file.stat()
    os.utime(plan_file, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    assert seen(0.7) is None


def test_a_change_between_the_first_reading_and_the_watch_is_not_missed(tmp_path):
    file = tmp_path / "night.yaml"
    file.write_text("tracks: [a.wav]\n", encoding="utf-8")
    stop, files = threading.Event(), frozenset({file})
    seen = stamps(files)
    file.write_text("tracks: [a.wav, b.wav]\n", encoding="utf-8")  # saved before anybody watches

    found = changes(lambda: files, stop, plan_file=file, seen=seen)

    assert next(found) == files
    stop.set()
