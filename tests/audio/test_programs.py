from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

import pytest

from mixrender.audio import programs
from mixrender.errors import ToolError

unix_only = pytest.mark.skipif(sys.platform == "win32", reason="the stand-in programs are shell scripts")


def script(path: Path, body: str) -> Path:
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return path


def is_alive(pid: int) -> bool:
    """Whether a process runs; one that has ended but is not waited for yet (Z) does not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    return not stat.exists() or stat.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def wait_until_dead(pid: int) -> bool:
    for _ in range(100):
        if not is_alive(pid):
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize("name", ["ffmpeg", "ffprobe", "rubberband"])
def test_a_missing_program_names_install_lines_and_where_it_was_sought(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    for variable in ("MIXRENDER_FFMPEG", "MIXRENDER_FFPROBE", "MIXRENDER_RUBBERBAND"):
        monkeypatch.delenv(variable, raising=False)
    with pytest.raises(ToolError) as caught:
        getattr(programs, name)()
    message = str(caught.value)
    assert caught.value.exit_status == 3
    assert f"The program {name} is not installed" in message
    assert f"MIXRENDER_{name.upper()}" in message
    assert "sudo apt install rubberband-cli ffmpeg" in message
    assert "brew install rubberband ffmpeg" in message
    assert ("rubberband.exe" if name == "rubberband" else "winget install ffmpeg") in message
    assert f"Searched on PATH:\n  {tmp_path}" in message


@unix_only
def test_the_environment_names_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mine = script(tmp_path / "my-ffmpeg", "echo ffmpeg version 9.9-mine")
    monkeypatch.setenv("MIXRENDER_FFMPEG", str(mine))
    assert programs.ffmpeg() == mine
    assert programs.version("ffmpeg", programs.ffmpeg()) == "9.9-mine"
    beside = script(tmp_path / "my-ffprobe", "true")
    monkeypatch.delenv("MIXRENDER_FFPROBE", raising=False)
    assert programs.ffprobe() == beside
    monkeypatch.setenv("MIXRENDER_FFPROBE", str(mine))
    assert programs.ffprobe() == mine


def test_a_wrong_name_in_the_environment_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(tmp_path / "nothing"))
    with pytest.raises(ToolError, match=r"MIXRENDER_RUBBERBAND says '.*nothing', but no program is there"):
        programs.rubberband()


@unix_only
@pytest.mark.parametrize(("said", "is_new_enough"), [("1.9.2", False), ("2.0.0", False), ("3.0.0", True)])
def test_rubberband_must_be_three_or_newer(
    said: str, is_new_enough: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(script(tmp_path / "rubberband", f"echo {said} >&2")))
    if is_new_enough:
        assert programs.rubberband() == tmp_path / "rubberband"
    else:
        with pytest.raises(ToolError, match=rf"is rubberband {said}, but 3\.0 or newer is needed"):
            programs.rubberband()


@unix_only
def test_a_program_that_states_no_version_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(script(tmp_path / "rubberband", "echo hello")))
    with pytest.raises(ToolError, match="states no version"):
        programs.rubberband()


@unix_only
def test_output_comes_back_and_the_input_is_empty(tmp_path: Path) -> None:
    found = programs.run(
        [script(tmp_path / "p", "cat; echo out; echo err >&2; pwd")], timeout_s=10, cwd=tmp_path
    )
    assert found.stdout == f"out\n{tmp_path}\n".encode()
    assert found.stderr == "err\n"


@unix_only
def test_a_failure_quotes_the_last_lines_and_the_command(tmp_path: Path) -> None:
    body = 'for i in 1 2 3 4 5 6 7 8 9; do echo "line $i" >&2; done; exit 7'
    with pytest.raises(ToolError) as caught:
        programs.run([script(tmp_path / "stretcher", body), "-x", "a b.wav"], timeout_s=10)
    message = str(caught.value)
    assert message.startswith("stretcher failed with status 7.")
    assert "line 9" in message
    assert "line 3" not in message
    assert 'stretcher -x "a b.wav"' in message


def test_a_program_that_cannot_start_is_said(tmp_path: Path) -> None:
    with pytest.raises(ToolError, match="cannot be started: No such file"):
        programs.run([tmp_path / "nothing"], timeout_s=1)


@unix_only
def test_time_out_kills_the_program_and_what_it_started(tmp_path: Path) -> None:
    pid_file = tmp_path / "pid"
    program = script(tmp_path / "slow", f"echo thinking >&2; sleep 60 & echo $! > {pid_file}; wait")
    began = time.monotonic()
    with pytest.raises(ToolError, match=r"slow was stopped: it took longer than 0\.5 s(.|\n)*thinking"):
        programs.run([program], timeout_s=0.5)
    assert time.monotonic() - began < 10
    assert wait_until_dead(int(pid_file.read_text()))


@unix_only
def test_an_interrupt_kills_the_program_and_what_it_started(tmp_path: Path) -> None:
    pid_file = tmp_path / "pid"
    program = script(tmp_path / "slow", f"sleep 60 & echo $! > {pid_file}; echo ready; wait")
    with pytest.raises(KeyboardInterrupt), programs.started([program]) as child:
        assert child.process.stdout is not None
        assert child.process.stdout.readline() == b"ready\n"
        raise KeyboardInterrupt
    assert child.process.returncode is not None
    assert wait_until_dead(int(pid_file.read_text()))


@unix_only
def test_running_programs_can_be_ended_from_another_thread(tmp_path: Path) -> None:
    program = script(tmp_path / "slow", f"touch {tmp_path / 'ready'}; sleep 60")
    faults: list[ToolError] = []

    def work() -> None:
        try:
            programs.run([program], timeout_s=60)
        except ToolError as fault:
            faults.append(fault)

    thread = threading.Thread(target=work)
    thread.start()
    while not (tmp_path / "ready").exists():
        time.sleep(0.01)
    programs.kill_running()
    thread.join(timeout=10)
    assert not thread.is_alive()
    assert len(faults) == 1
