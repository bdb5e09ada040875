from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from mixrender.audio import cache as cache_module
from mixrender.audio.cache import Cache
from mixrender.errors import MachineError

KEY = "ab12cd"
OLD_S = 2 * 86_400.0


def writer(data: bytes = b"kept"):
    return lambda part: part.write_bytes(data) and None


def never(part: Path) -> None:
    raise AssertionError("the file is kept already")


def age(path: Path, seconds: float) -> None:
    then = time.time() - seconds
    os.utime(path, (then, then))


def visible(root: Path) -> list[str]:
    return sorted(path.name for path in root.rglob("*") if path.is_file() and "blake2b" not in path.name)


def test_a_file_is_made_once_and_found_again(tmp_path: Path) -> None:
    path = Cache(tmp_path).make("decoded", KEY, ".f32", writer())
    assert path == tmp_path / "decoded" / "ab" / "ab12cd.f32"
    assert path.read_bytes() == b"kept"
    assert Cache(tmp_path).make("decoded", KEY, ".f32", never) == path
    assert Cache(tmp_path).find("decoded", KEY, ".f32") == path
    assert Cache(tmp_path).find("decoded", "ffff", ".f32") is None


def test_the_folder_comes_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MIXRENDER_CACHE", str(tmp_path / "here"))
    assert Cache().root == tmp_path / "here"
    assert Cache(tmp_path / "there").root == tmp_path / "there"
    monkeypatch.delenv("MIXRENDER_CACHE")
    assert Cache().root.name == "mixrender"


def test_the_temporary_path_keeps_the_suffix(tmp_path: Path) -> None:
    seen: list[str] = []
    Cache(tmp_path).make("strips", KEY, ".wav", lambda part: seen.append(part.suffix))
    assert seen == [".wav"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, RuntimeError, MemoryError])
def test_an_interrupted_maker_leaves_nothing(tmp_path: Path, fault: type[BaseException]) -> None:
    def maker(part: Path) -> None:
        part.write_bytes(b"half")
        raise fault

    cache = Cache(tmp_path)
    with pytest.raises(fault):
        cache.make("decoded", KEY, ".f32", maker)
    assert visible(tmp_path) == []
    assert cache.make("decoded", KEY, ".f32", writer()).read_bytes() == b"kept"


def test_threads_that_ask_for_one_key_make_it_once(tmp_path: Path) -> None:
    cache, made, found = Cache(tmp_path), [], []

    def maker(part: Path) -> None:
        made.append(part)
        time.sleep(0.05)
        part.write_bytes(b"kept")

    def ask() -> None:
        found.append(cache.make("decoded", KEY, ".f32", maker).read_bytes())

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert found == [b"kept"] * 8


def test_two_processes_that_make_one_key_both_end_well(tmp_path: Path) -> None:
    code = (
        "import sys, time, pathlib\n"
        "from mixrender.audio.cache import Cache\n"
        "def maker(part):\n"
        "    time.sleep(0.3); part.write_bytes(b'kept')\n"
        f"print(Cache(pathlib.Path(sys.argv[1])).make('decoded', {KEY!r}, '.f32', maker).read_bytes())\n"
    )
    args = [sys.executable, "-c", code, str(tmp_path)]
    children = [subprocess.Popen(args, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)]
    for child in children:
        out, err = child.communicate(timeout=60)
        assert (child.returncode, out.strip(), err) == (0, b"b'kept'", b"")
    assert visible(tmp_path) == ["ab12cd.f32"]


def test_prune_removes_the_least_recently_used_first(tmp_path: Path) -> None:
    for number, key in enumerate(("aa1", "bb2", "cc3", "dd4")):
        path = Cache(tmp_path).make("decoded", key, ".f32", writer(bytes(100)))
        age(path, OLD_S - 1000 * number)
    cache = Cache(tmp_path)
    assert cache.size_bytes() == 400
    cache.make("decoded", "aa1", ".f32", never)  # used by this run: the newest now
    assert [entry.key for entry in cache.entries()] == ["bb2", "cc3", "dd4", "aa1"]
    assert cache.prune(250) == 200
    assert visible(tmp_path) == ["aa1.f32", "dd4.f32"]
    assert sorted(path.name for path in tmp_path.rglob("*.blake2b")) == [
        ".aa1.f32.blake2b",
        ".dd4.f32.blake2b",
    ]


def test_prune_keeps_what_this_run_or_anyone_lately_used(tmp_path: Path) -> None:
    Cache(tmp_path).make("decoded", "aa1", ".f32", writer(bytes(100)))  # a moment ago, by another
    cache = Cache(tmp_path)
    used = cache.make("decoded", "bb2", ".f32", writer(bytes(100)))
    age(used, OLD_S)
    assert cache.prune(0) == 0
    assert visible(tmp_path) == ["aa1.f32", "bb2.f32"]
    assert cache.clear() == 100
    assert visible(tmp_path) == ["bb2.f32"]


def test_leftovers_of_killed_runs_go_after_a_day(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    kept = cache.make("decoded", KEY, ".f32", writer())
    stale = kept.with_name(".x.f32.1-2.partial.f32")
    fresh = kept.with_name(".y.f32.1-2.partial.f32")
    folder = tmp_path / "scratch" / "run-killed"
    folder.mkdir(parents=True)
    for path in (stale, fresh, folder / "premaster.f32"):
        path.write_bytes(b"half")
    for path in (stale, folder / "premaster.f32", folder):
        age(path, OLD_S)
    cache.prune(10**9)
    assert not stale.exists()
    assert not folder.exists()
    assert fresh.exists()
    assert kept.exists()


def test_verify_finds_the_damaged_file_alone(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.make("decoded", "aa1", ".f32", writer(bytes(100)))
    path = cache.make("decoded", "bb2", ".f32", writer(bytes(100)))
    assert cache.verify() == []
    path.write_bytes(bytes(99) + b"\1")
    assert [entry.key for entry in cache.verify()] == ["bb2"]
    assert cache.remove(cache.verify()) == 100
    assert cache.verify() == []
    assert cache.make("decoded", "bb2", ".f32", writer(b"again")).read_bytes() == b"again"


def test_scratch_is_gone_whatever_happens(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    with pytest.raises(KeyboardInterrupt), cache.scratch() as folder:
        (folder / "premaster.f32").write_bytes(b"x")
        raise KeyboardInterrupt
    assert not folder.exists()
    with pytest.raises(MachineError, match=r"disk is full.*MIXRENDER_CACHE"), cache.scratch():
        raise OSError(errno.ENOSPC, "No space left on device")


def test_too_little_space_is_said_beforehand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = Cache(tmp_path / "not yet made")
    cache.require_space(1000)
    free = SimpleNamespace(free=500_000_000)
    monkeypatch.setattr(cache_module.shutil, "disk_usage", lambda folder: free)
    with pytest.raises(MachineError, match=r"needs 1\.2 GB, but 500 MB are free.*MIXRENDER_CACHE") as caught:
        cache.require_space(1_200_000_000)
    assert caught.value.exit_status == 3
    with pytest.raises(MachineError):
        cache.require_space(499_000_000)  # a little is left for everyone else
    cache.require_space(400_000_000)


def test_a_full_disk_is_one_clear_message(tmp_path: Path) -> None:
    def maker(part: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(MachineError, match=r"disk is full.*`mixrender cache clear`.*MIXRENDER_CACHE"):
        Cache(tmp_path).make("decoded", KEY, ".f32", maker)


def test_a_folder_that_cannot_be_made_is_named_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(
        MachineError, match=r"file/cache: the cache folder cannot be written.*MIXRENDER_CACHE"
    ):
        Cache(tmp_path / "file" / "cache").make("decoded", KEY, ".f32", writer())


@pytest.mark.parametrize("word", ["", "../up", "a/b", ".hidden"])
def test_keys_cannot_leave_the_folder(tmp_path: Path, word: str) -> None:
    with pytest.raises(ValueError, match="cannot name a file of the cache"):
        Cache(tmp_path).make("decoded", word, ".f32", writer())
