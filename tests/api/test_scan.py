"""Analysing many files: in their order, in parallel, whatever becomes of one of them, and on from a break."""

from __future__ import annotations

import dataclasses
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender import api
from mixrender.analysis.library import known, library_of
from mixrender.api import fault_lines, scan
from mixrender.audio.cache import Cache
from mixrender.errors import AudioError, InputError, MachineError, ToolError
from mixrender.facts import Grid, TrackFacts
from mixrender.progress import Advance

RATE_HZ = 44100
FACTS = TrackFacts("", 1.0, RATE_HZ, 2, "libsndfile", Grid("none"))

QUICK = """
import os, sys, time, types

from mixrender.errors import ToolError
from mixrender.facts import Grid, TrackFacts


def measure(info, *, advance):
    name = info.path.name
    with open(os.environ["HEARD"], "a") as file:
        file.write(f"{name} {os.getpid()}\\n")
    if "crash" in name:
        os.abort()
    if "bug" in name:
        raise ValueError("the unexpected")
    if "tool" in name:
        raise ToolError("no program for it")
    if "slow" in name:
        time.sleep(60)
    return TrackFacts("", 1.0, info.sample_rate_hz, info.channels, info.decoder, Grid("none"), key="A minor")


sys.modules["mixrender.analysis.track"] = types.SimpleNamespace(measure=measure)

if __name__ == "__main__":
    from mixrender.api.analysis_worker import main

    main()
"""
"""The worker with an analysis that takes no time, and fails as the names of files say."""

QUICK_PROGRAM = """
import sys
import quick
from mixrender.api import scan
scan._WORKER = "quick"
from mixrender.__main__ import main
sys.argv[0] = "mixrender"
main()
"""

ENDS_WITHIN_S = 5.0
"""What people take for at once after Ctrl-C (common practice, no source), on a busy machine."""


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def heard(tmp_path, monkeypatch):
    """Have files analysed by the quick worker; returns the names that were heard so far, with the process."""
    (tmp_path / "modules").mkdir()
    (tmp_path / "modules" / "quick.py").write_text(QUICK)
    log = tmp_path / "heard.txt"
    log.touch()
    monkeypatch.setenv("HEARD", str(log))
    monkeypatch.syspath_prepend(tmp_path / "modules")
    monkeypatch.setattr(scan, "_WORKER", "quick")
    return lambda: [tuple(line.split()) for line in log.read_text().splitlines()]


def noise(folder: Path, *names: str) -> list[Path]:
    """Short files of noise, each another."""
    folder.mkdir(exist_ok=True)
    for seed, name in enumerate(names):
        x = np.random.default_rng([seed, len(name)]).standard_normal((4410, 2)) * 0.1
        soundfile.write(folder / name, x, RATE_HZ)
    return [folder / name for name in names]


def names(heard_lines: list[tuple[str, ...]]) -> list[str]:
    return sorted(name for name, _ in heard_lines)


def test_every_file_has_its_outcome_in_order_whatever_became_of_the_others(tmp_path, cache, heard):
    wanted = ["c.wav", "crash.wav", "a.wav", "gone.wav", "bug.wav", "tool.wav", "text.wav", "b.wav"]
    files = noise(tmp_path / "music", *wanted)
    (tmp_path / "music" / "gone.wav").unlink()
    (tmp_path / "music" / "text.wav").write_text("no sound at all")
    found = list(api.analyze_many(files, cache=cache, jobs=2))

    assert [file for file, _ in found] == files
    outcomes = {file.name: outcome for file, outcome in found}
    for name in ("a.wav", "b.wav", "c.wav"):
        assert isinstance(outcomes[name], TrackFacts) and outcomes[name].key == "A minor"
    messages = {
        name: str(outcome) for name, outcome in outcomes.items() if not isinstance(outcome, TrackFacts)
    }
    assert messages["crash.wav"].startswith(f"{files[1]}: the analysis crashed on it (signal 6)")
    assert messages["gone.wav"].startswith(f"{files[3]}: there is no such file.")
    assert "a fault of mixrender itself: ValueError: the unexpected; details in " in messages["bug.wav"]
    Path(messages["bug.wav"].split("details in ")[1]).unlink()
    assert messages["tool.wav"] == "no program for it" and isinstance(outcomes["tool.wav"], ToolError)
    assert "text.wav: it is not an audio file" in messages["text.wav"]
    assert isinstance(outcomes["text.wav"], AudioError) and outcomes["text.wav"].file == files[6]
    assert len({process for _, process in heard()}) >= 2


def test_what_is_known_needs_no_process(tmp_path, cache, heard, monkeypatch):
    files = noise(tmp_path / "music", "a.wav", "b.wav", "c.wav")
    first = list(api.analyze_many(files, cache=cache))
    monkeypatch.setattr(scan, "_WORKER", "no.such.module")

    assert list(api.analyze_many(files, cache=cache)) == first
    assert len(heard()) == 3


def test_one_file_alone_is_analysed_in_this_process(tmp_path, cache, monkeypatch):
    monkeypatch.setattr(scan, "_WORKER", "no.such.module")
    heard = []
    monkeypatch.setattr("mixrender.analysis.track.measure", lambda info, advance: heard.append(info) or FACTS)
    files = noise(tmp_path / "music", "a.wav")

    ((file, facts),) = api.analyze_many([*files, *files, tmp_path / "music"], cache=cache)
    assert file == files[0] and isinstance(facts, TrackFacts)
    assert len(heard) == 1


def test_a_file_that_comes_twice_is_analysed_once_and_given_twice(tmp_path, cache, heard):
    a, b = noise(tmp_path / "music", "a.wav", "b.wav")
    found = list(scan.analyze_all([a, b, a], cache=cache, progress=Counting()))

    assert [file for file, _ in found] == [a, b, a]
    assert found[0][1] == found[2][1]
    assert names(heard()) == ["a.wav", "b.wav"]


def test_two_files_with_one_sound_have_the_same_facts(tmp_path, cache, heard):
    a, b = noise(tmp_path / "music", "a.wav", "b.wav")
    b.write_bytes(a.read_bytes())
    (_, first), (_, second) = api.analyze_many([a, b], cache=cache)

    assert first == second
    assert library_of(cache).places(first.content_hash) == [a, b]


class Counting:
    """Notes the tasks that are shown."""

    def __init__(self) -> None:
        self.tasks: list[tuple[str, float, bool]] = []
        self.done = 0.0

    @contextmanager
    def task(self, label: str, total: float, *, counted: bool = False) -> Iterator[Advance]:
        self.tasks.append((label, total, counted))
        yield self.add

    def add(self, amount: float) -> None:
        self.done += amount


def test_progress_counts_the_files_that_are_not_known(tmp_path, cache, heard):
    files = noise(tmp_path / "music", "a.wav", "b.wav", "c.wav", "crash.wav")
    list(api.analyze_many(files[:2], cache=cache))
    progress = Counting()
    list(api.analyze_many(files, cache=cache, progress=progress))

    assert progress.tasks == [("Analysing 2 tracks", 2, True)]
    assert progress.done == 2.0


def test_a_library_that_cannot_be_used_ends_the_search(tmp_path, heard):
    (tmp_path / "taken").write_text("a file")
    files = noise(tmp_path / "music", "a.wav", "b.wav")

    with pytest.raises(MachineError, match="the library of tracks cannot be used"):
        list(api.analyze_many(files, cache=Cache(tmp_path / "taken")))


def test_folders_that_hold_nothing_are_faults_between_the_others(tmp_path, cache, heard):
    files = noise(tmp_path / "music", "a.wav", "b.wav")
    (tmp_path / "empty").mkdir()
    found = list(api.analyze_many([tmp_path / "empty", tmp_path / "music"], cache=cache))

    assert [file for file, _ in found] == [tmp_path / "empty", *files]
    assert isinstance(found[0][1], InputError)


@pytest.mark.parametrize(
    "fault", [None, AudioError(Path("a: b.wav"), "it: is"), InputError("ü\nnew line"), ToolError("none")]
)
def test_a_fault_goes_through_a_line_of_ascii(fault):
    line = fault_lines.to_line(fault)
    back = fault_lines.from_line(line)

    assert line.isascii() and "\n" not in line
    assert type(back) is type(fault) and str(back) == str(fault)
    assert getattr(back, "file", None) == getattr(fault, "file", None)


def test_as_many_processes_as_there_are_processors_but_not_more_than_8():
    assert 1 <= scan.usual_jobs() <= min(os.cpu_count() or 1, 8)


# --- interruption ----------------------------------------------------------------------------------------


def wait_until(holds, *, timeout_s: float = 30.0) -> float:
    start = time.monotonic()
    while not holds():
        assert time.monotonic() - start < timeout_s
        time.sleep(0.05)
    return time.monotonic() - start


def is_running(pid: str) -> bool:
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    return not is_zombie(pid)


def is_zombie(pid: str) -> bool:
    """Whether a process has ended, but nobody has asked how; for an orphan, that may take a while."""
    status = Path("/proc") / pid / "stat"
    return status.exists() and ") Z" in status.read_text()


@pytest.mark.skipif(os.name == "nt", reason="there are no such signals on Windows")
@pytest.mark.parametrize(
    ("sent", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGKILL, -signal.SIGKILL)]
)
def test_a_search_that_is_ended_ends_at_once_and_goes_on_where_it_stopped(
    tmp_path, cache, heard, sent, status
):
    files = noise(tmp_path / "music", "a.wav", "b.wav", "slow.wav", "z.wav")
    command = [sys.executable, "-c", QUICK_PROGRAM, "analyze", "--jobs", "1", str(tmp_path / "music")]
    environment = os.environ | {"MIXRENDER_CACHE": str(cache.root), "PYTHONPATH": str(tmp_path / "modules")}
    environment.pop("MIXRENDER_LIBRARY", None)
    running = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_until(lambda: len(heard()) == 3)
    running.send_signal(sent)
    start = time.monotonic()
    out, err = running.communicate(timeout=30)
    workers = [process for _, process in heard()]
    wait_until(lambda: not any(is_running(pid) for pid in workers))
    took_s = time.monotonic() - start

    print(f"ended within {took_s:.2f} s (bound {ENDS_WITHIN_S} s)")
    assert took_s < ENDS_WITHIN_S
    assert running.returncode == status
    assert out == b"" and b"Traceback" not in err
    assert [known(file, cache=cache) is not None for file in files] == [True, True, False, False]
    files[2].rename(files[2].with_name("quick.wav"))
    list(api.analyze_many([tmp_path / "music"], cache=cache, jobs=2))
    assert names(heard()) == ["a.wav", "b.wav", "quick.wav", "slow.wav", "z.wav"]


@pytest.mark.accuracy
def test_a_track_has_the_same_facts_from_this_process_and_from_others(tmp_path):
    rng = np.random.default_rng(1)
    click = rng.standard_normal((400, 1)) * np.exp(-np.arange(400) / 80)[:, None] * 0.5
    for number, tempo_bpm in enumerate((120.0, 128.0)):
        x = rng.standard_normal((20 * RATE_HZ, 2)) * 0.001
        for beat in range(int(20 * tempo_bpm / 60) - 1):
            at = round(beat * 60 / tempo_bpm * RATE_HZ)
            x[at : at + 400] += click
        soundfile.write(tmp_path / f"{number}.flac", x, RATE_HZ)

    files = sorted(tmp_path.glob("*.flac"))
    apart = [facts for _, facts in api.analyze_many(files, cache=Cache(tmp_path / "apart"))]
    here = [api.analyze(file, cache=Cache(tmp_path / "here")) for file in files]
    assert [dataclasses.asdict(facts) for facts in apart] == [dataclasses.asdict(facts) for facts in here]
    assert [facts.grid.kind for facts in here] == ["steady", "steady"]
