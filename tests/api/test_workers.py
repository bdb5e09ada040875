"""Processes that answer lines: in any number, in any order, until they die or are no longer wanted."""

from __future__ import annotations

import os
import time
from contextlib import closing
from pathlib import Path

import pytest

from mixrender.api import workers
from mixrender.api.workers import Answer, answers
from mixrender.errors import MachineError

PROGRAM = """
import os, sys, time
print("ready", flush=True)
for line in sys.stdin:
    word = line.strip()
    if word == "abort":
        os.abort()
    if word == "always" or (word == "broken" and "-compiled-" not in os.environ.get("NUMBA_CACHE_DIR", "")):
        os.kill(os.getpid(), 11)
    if word == "leave":
        sys.exit(3)
    if word == "sleep":
        open(os.environ["PIDS"] + f"/{os.getpid()}", "w").close()
        time.sleep(60)
    time.sleep(0.02 if word == "who" else 0.0)
    print(word if word != "who" else os.getpid(), flush=True)
"""
ENDS_WITHIN_S = 3.0
"""What people take for at once after Ctrl-C (common practice, no source), on a busy machine."""


@pytest.fixture
def ask(tmp_path, monkeypatch):
    """Have lines answered by PROGRAM."""
    (tmp_path / "echoing.py").write_text(PROGRAM)
    (tmp_path / "pids").mkdir()
    monkeypatch.syspath_prepend(tmp_path)

    def ask(*lines: str, processes: int = 2, module: str = "echoing"):
        environment = {"PIDS": str(tmp_path / "pids")}
        return answers(module, lines, processes=processes, environment=environment)

    return ask


def pids(folder: Path) -> list[int]:
    return [int(path.name) for path in (folder / "pids").iterdir()]


def wait_until(holds, *, timeout_s: float = 20.0) -> float:
    start = time.monotonic()
    while not holds():
        assert time.monotonic() - start < timeout_s
        time.sleep(0.02)
    return time.monotonic() - start


def is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_every_line_is_answered_once(ask):
    lines = [f"line-{number}" for number in range(50)]
    found = sorted(ask(*lines, processes=3), key=lambda answer: answer.index)

    assert found == [Answer(index, line) for index, line in enumerate(lines)]


def test_no_lines_need_no_process(ask):
    assert list(ask()) == []


def test_several_processes_are_at_work(ask):
    found = {answer.line for answer in ask(*["who"] * 40, processes=2)}

    assert len(found) == 2


def test_a_process_is_replaced_after_its_share(ask, monkeypatch):
    monkeypatch.setattr(workers, "LINES_PER_PROCESS", 4)
    found = [answer.line for answer in ask(*["who"] * 12, processes=1)]

    assert [found.count(pid) for pid in dict.fromkeys(found)] == [4, 4, 4]


@pytest.mark.skipif(os.name == "nt", reason="there are no signals on Windows")
def test_a_process_that_dies_takes_its_own_line_with_it(ask):
    found = sorted(ask("a", "abort", "b", "leave", "c", "d"), key=lambda answer: answer.index)

    assert [answer.line for answer in found] == ["a", "", "b", "", "c", "d"]
    # SIGABRT is 6 on Linux and macOS.
    assert [answer.died for answer in found] == [None, "signal 6", None, "status 3", None, None]


@pytest.mark.skipif(os.name == "nt", reason="there are no signals on Windows")
def test_a_line_whose_process_ran_broken_code_is_tried_once_more_without_what_was_kept(ask):
    found = sorted(ask("a", "broken", "always", "b", processes=1), key=lambda answer: answer.index)

    assert [answer.line for answer in found] == ["a", "broken", "", "b"]
    assert [answer.died for answer in found] == [None, None, "signal 11", None]


def test_a_program_that_cannot_be_started_is_told_with_what_it_said(ask):
    with pytest.raises(MachineError, match=r"cannot be started(.|\n)*No module named not_there"):
        list(ask("a", module="not_there"))


@pytest.mark.skipif(os.name == "nt", reason="asks for processes as POSIX does")
def test_all_processes_end_at_once_when_the_answers_are_no_longer_wanted(ask, tmp_path):
    with closing(ask("a", "sleep", "sleep", "b")) as found:
        assert next(found).line == "a"
        wait_until(lambda: len(pids(tmp_path)) == 2)
        start = time.monotonic()
    took_s = time.monotonic() - start

    print(f"ended within {took_s:.2f} s (bound {ENDS_WITHIN_S} s)")
    assert took_s < ENDS_WITHIN_S
    assert not any(is_running(pid) for pid in pids(tmp_path))
