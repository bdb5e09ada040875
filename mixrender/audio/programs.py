"""Finds and runs the programs from outside Python: a name goes in, its path or its output comes out."""

from __future__ import annotations

import contextlib
import functools
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from mixrender.errors import ToolError

STDERR_LINES = 6
"""How many of a failed program's last lines its message quotes."""

OLDEST_RUBBERBAND = (3, 0)
"""The first version with the finer engine (`--fine`)."""

_INSTALL = {
    "ffmpeg": (
        "Debian/Ubuntu: sudo apt install rubberband-cli ffmpeg",
        "macOS: brew install rubberband ffmpeg",
        "Windows: winget install ffmpeg",
    ),
    "rubberband": (
        "Debian/Ubuntu: sudo apt install rubberband-cli ffmpeg",
        "macOS: brew install rubberband ffmpeg",
        "Windows: put rubberband.exe from its maker's download page (breakfastquay.com/rubberband) on PATH, "
        "or name it in MIXRENDER_RUBBERBAND",
    ),
}


@dataclass(frozen=True)
class Finished:
    """What a program that ended well left: its standard output and the text of its error output."""

    stdout: bytes
    stderr: str


def ffmpeg() -> Path:
    """Path of ffmpeg: MIXRENDER_FFMPEG, else from PATH; ToolError if there is none."""
    return _find("ffmpeg", "MIXRENDER_FFMPEG", install="ffmpeg")


def ffprobe() -> Path:
    """Path of ffprobe: MIXRENDER_FFPROBE, else beside MIXRENDER_FFMPEG, else from PATH; ToolError if none."""
    given = Path(os.environ.get("MIXRENDER_FFMPEG", ""))
    if "ffmpeg" in given.name and not os.environ.get("MIXRENDER_FFPROBE"):
        beside = shutil.which(given.with_name(given.name.replace("ffmpeg", "ffprobe")))
        if beside:
            return Path(beside)
    return _find("ffprobe", "MIXRENDER_FFPROBE", install="ffmpeg")


def rubberband() -> Path:
    """Path of rubberband 3.0 or newer: MIXRENDER_RUBBERBAND, else from PATH; ToolError if there is none."""
    path = _find("rubberband", "MIXRENDER_RUBBERBAND", install="rubberband")
    found = version("rubberband", path)
    if _version_numbers(found) < OLDEST_RUBBERBAND:
        raise ToolError(
            f"{path} is rubberband {found}, but 3.0 or newer is needed. "
            f"Install a newer one, or name it in MIXRENDER_RUBBERBAND.\n{install_lines('rubberband')}"
        )
    return path


def version(name: str, path: Path) -> str:
    """The version a program states of itself, such as `5.1.9-0+deb12u1`; ToolError if it states none."""
    return _version(name, str(path))


@functools.lru_cache(maxsize=16)  # asking starts a process, and the answer cannot change during a run
def _version(name: str, path: str) -> str:
    option = "-version" if name.startswith("ff") else "--version"
    said = run([path, option], timeout_s=30.0)
    text = said.stdout.decode("utf-8", "replace") + said.stderr
    match = re.search(r"version\s+(\S+)", text) or re.search(r"(\d+\.\d+\S*)", text)
    if match is None:
        raise ToolError(f"{path} {option} states no version, so it is not the {name} that is needed.")
    return match.group(1)


def _version_numbers(text: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", text)[:2])


def _find(name: str, variable: str, *, install: str) -> Path:
    given = os.environ.get(variable)
    found = shutil.which(given or name)
    if found:
        return Path(found)
    if given:
        raise ToolError(
            f"{variable} says {given!r}, but no program is there. Correct or unset {variable}; "
            f"if {name} is not installed yet:\n{install_lines(install)}"
        )
    searched = "\n".join(f"  {folder}" for folder in os.get_exec_path() if folder) or "  (PATH is empty)"
    raise ToolError(
        f"The program {name} is not installed. Install it, or name it in {variable}.\n"
        f"{install_lines(install)}\nSearched on PATH:\n{searched}"
    )


def install_lines(name: str) -> str:
    """How to install a program, a line for each system."""
    return "\n".join(f"  {line}" for line in _INSTALL[name])


def run(args: Sequence[str | os.PathLike[str]], *, timeout_s: float, cwd: Path | None = None) -> Finished:
    """Run a program to its end and return what it said; its input is empty.

    Raises ToolError with the command and the last lines of its error output when it cannot be started,
    ends with another status than 0, or takes longer than `timeout_s` seconds. On time-out and on any
    exception here, Ctrl-C included, the program and all that it started are killed.
    """
    with started(args, cwd=cwd) as child:
        try:
            stdout, _ = child.process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            raise ToolError(
                f"{_program_name(args)} was stopped: it took longer than {timeout_s:g} s.\n"
                f"{_quote(child, args)}"
            ) from None
        if child.process.returncode != 0:
            raise ToolError(
                f"{_program_name(args)} failed with status {child.process.returncode}.\n{_quote(child, args)}"
            )
        return Finished(stdout=stdout, stderr=child.stderr_text())


@dataclass(frozen=True)
class Child:
    """A running program: its process, and the file that takes its error output."""

    process: subprocess.Popen[bytes]
    stderr_file: IO[bytes]

    def stderr_text(self) -> str:
        """All it wrote to its error output so far."""
        self.stderr_file.seek(0)
        return self.stderr_file.read().decode("utf-8", "replace")

    def last_lines(self) -> list[str]:
        """The last lines of its error output that hold something."""
        lines = [line.rstrip() for line in re.split(r"[\r\n]+", self.stderr_text())]
        return [line for line in lines if line][-STDERR_LINES:]

    def kill(self) -> None:
        """End it and all that it started, at once; nothing happens if it has ended."""
        if self.process.returncode is not None:  # its number may belong to another process by now
            return
        if sys.platform == "win32":
            subprocess.run(
                ["taskkill", "/F", "/T", "/PID", str(self.process.pid)], capture_output=True, check=False
            )
        else:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self.process.pid, signal.SIGKILL)
        if self.process.poll() is None:
            self.process.kill()


_running: set[Child] = (
    set()
)  # what `kill_running` ends; a process is the one thing that outlives an exception
_running_lock = threading.Lock()


@contextlib.contextmanager
def started(
    args: Sequence[str | os.PathLike[str]],
    *,
    cwd: Path | None = None,
    environment: Mapping[str, str] | None = None,
    takes_input: bool = False,
) -> Iterator[Child]:
    """Start a program whose output is read while it runs; when the context ends, it has ended too.

    It runs in a process group of its own, which is killed if it still runs when the context is left. Its
    input is empty unless it `takes_input`; its environment is ours unless one is given.
    """
    with tempfile.TemporaryFile() as stderr_file:
        stdin = subprocess.PIPE if takes_input else subprocess.DEVNULL
        child = Child(_popen(args, stderr_file, cwd, environment, stdin), stderr_file)
        with _running_lock:
            _running.add(child)
        try:
            yield child
        finally:
            if child.process.poll() is None:
                child.kill()
            child.process.wait()
            for pipe in (child.process.stdin, child.process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):  # what was not sent yet has nobody to go to
                        pipe.close()
            with _running_lock:
                _running.discard(child)


def kill_running() -> None:
    """End every program that is running now; for an interrupted run whose threads wait for some."""
    with _running_lock:
        children = list(_running)
    for child in children:
        child.kill()


def _popen(
    args: Sequence[str | os.PathLike[str]],
    stderr_file: IO[bytes],
    cwd: Path | None,
    environment: Mapping[str, str] | None,
    stdin: int,
) -> subprocess.Popen[bytes]:
    try:
        return subprocess.Popen(
            [os.fspath(arg) for arg in args],
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=stderr_file,
            cwd=cwd,
            env=environment,
            start_new_session=sys.platform != "win32",
        )
    except OSError as error:
        raise ToolError(f"{os.fspath(args[0])} cannot be started: {error.strerror}.") from error


def _program_name(args: Sequence[str | os.PathLike[str]]) -> str:
    return Path(args[0]).name


def _quote(child: Child, args: Sequence[str | os.PathLike[str]]) -> str:
    command = subprocess.list2cmdline([os.fspath(arg) for arg in args])
    said = "\n".join(f"  {line}" for line in child.last_lines()) or "  (it said nothing)"
    return f"It said:\n{said}\nCommand: {command}"
