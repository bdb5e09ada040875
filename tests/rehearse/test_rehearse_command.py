"""`mixrender rehearse` as a user meets it: its address, its end, and what is said where it cannot begin."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from served import PATIENCE_S, ask

from mixrender.errors import MachineError
from mixrender.rehearse import extra

COMMAND = [sys.executable, "-m", "mixrender", "rehearse"]


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return os.environ | {"MIXRENDER_CACHE": str(tmp_path / "cache"), "PYTHONWARNINGS": "ignore"}


@pytest.fixture
def faulty_plan(tmp_path: Path) -> Path:
    """A plan that needs no work: the page shows its fault."""
    file = tmp_path / "night.yaml"
    file.write_text("tracks: [missing.wav, gone.wav]\n", encoding="utf-8")
    return file


@pytest.fixture
def running(faulty_plan: Path, environment: dict[str, str]) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [*COMMAND, str(faulty_plan)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    yield process
    process.kill()
    process.communicate()


def address(process: subprocess.Popen[str]) -> tuple[int, str]:
    assert process.stdout is not None
    line = process.stdout.readline()
    found = re.search(r"at http://127\.0\.0\.1:(\d+)(/[\w-]{12}/)$", line)
    assert found, line
    return int(found[1]), found[2]


@pytest.mark.skipif(os.name != "posix", reason="other systems interrupt in other ways")
@pytest.mark.parametrize(("sent", "status"), [(signal.SIGINT, 0), (signal.SIGTERM, 143)])
def test_it_prints_its_address_and_ends_at_once_when_told_to(running, environment, sent, status):
    port, root = address(running)
    page = ask(port, root)
    # A page that is open must not hold up the end.
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as open_page:
        open_page.sendall(f"GET {root}events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert open_page.recv(4096).startswith(b"HTTP/1.1 200")

        begun_s = time.monotonic()
        running.send_signal(sent)
        out, err = running.communicate(timeout=PATIENCE_S)

    took_s = time.monotonic() - begun_s
    print(f"ended {took_s:.2f} s after signal {sent}, bound 5 s")
    assert page.status == 200
    assert running.returncode == status
    assert took_s < 5.0
    assert ("The rehearsal is over." in out) == (status == 0)
    assert "Traceback" not in out + err
    assert "missing.wav" in err
    assert not list(Path(environment["MIXRENDER_CACHE"], "scratch").iterdir())


def test_a_plan_that_is_not_there_is_said_at_once(tmp_path, environment):
    run = subprocess.run(
        [*COMMAND, str(tmp_path / "none.yaml")], env=environment, capture_output=True, text=True, timeout=60
    )

    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr.replace("\n", " ").strip().endswith("none.yaml: there is no such plan file")


def test_a_port_in_use_is_said_with_what_to_do(faulty_plan, environment):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        run = subprocess.run(
            [*COMMAND, str(faulty_plan), "--port", str(port)],
            env=environment,
            capture_output=True,
            text=True,
            timeout=60,
        )

    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr.startswith(f"port {port} is used by another program. Name another one with --port")


def test_a_missing_extra_is_named_with_the_line_that_installs_it(monkeypatch):
    there = extra.find_spec
    monkeypatch.setattr(extra, "find_spec", lambda name: None if name == "uvicorn" else there(name))

    with pytest.raises(MachineError) as caught:
        extra.require_extra()

    assert str(caught.value).splitlines() == [
        "`rehearse` needs packages that are not installed (uvicorn). Install them with",
        "  pip install 'mixrender[rehearse]'",
    ]
    assert caught.value.exit_status == 3


def test_the_command_ends_with_status_3_without_the_extra(faulty_plan, environment, tmp_path):
    # A package that is found nowhere: the finder says so before any other is asked.
    (tmp_path / "sitecustomize.py").write_text(
        "import importlib.util as util\n"
        "found = util.find_spec\n"
        "util.find_spec = lambda name, *rest: None if name == 'starlette' else found(name, *rest)\n"
    )
    run = subprocess.run(
        [*COMMAND, str(faulty_plan)],
        env=environment | {"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )

    assert (run.returncode, run.stdout) == (3, "")
    assert "pip install 'mixrender[rehearse]'" in run.stderr
    assert "Traceback" not in run.stderr


def test_other_commands_do_without_the_extra():
    code = "import sys, mixrender.cli; print({'starlette', 'uvicorn', 'watchfiles'} & set(sys.modules))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)

    assert run.stdout == "set()\n"


def test_a_transition_that_the_plan_has_not_got_is_a_fault_of_the_input(tmp_path, environment):
    for name in ("a.wav", "b.wav"):
        (tmp_path / name).write_bytes(b"sound")
    plan = tmp_path / "night.yaml"
    plan.write_text("tracks: [a.wav, b.wav]\n", encoding="utf-8")

    done = subprocess.run(
        [*COMMAND, str(plan), "--only", "9"], env=environment, capture_output=True, text=True, timeout=60
    )

    assert done.returncode == 2
    assert done.stderr.strip() == "there is no transition 9: the plan has 1, counted from 1"
