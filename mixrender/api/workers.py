"""Lines of text in, for each a line of answer out, from several processes at once, of which any may die.

A process that dies takes its own line with it and no other, and where its machine code may be to blame, the
line is tried once more. All end when the answers are no longer wanted.
"""

from __future__ import annotations

import os
import queue
import sys
import tempfile
import threading
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from mixrender.audio import programs
from mixrender.audio.programs import Child
from mixrender.errors import MachineError

READY = "ready"
"""The first line that a process must write."""

LINES_PER_PROCESS = 100
"""After so many lines a process is replaced by a new one, so that what leaks in it cannot add up."""

_BROKEN_CODE = {"signal 4", "signal 7", "signal 10", "signal 11"}
"""How a process dies that runs broken machine code. Compiled functions are kept on disk, and of two programs
that compile at once one may leave code there that does not fit; so the line is tried again with none kept."""

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
_WAIT_S = 0.5


@dataclass(frozen=True)
class Answer:
    """What became of the line with the number `index`, from 0: the line that was answered, or how it died."""

    index: int
    line: str = ""
    died: str | None = None


def answers(
    module: str, lines: Sequence[str], *, processes: int, environment: Mapping[str, str]
) -> Generator[Answer]:
    """Have each line (ASCII) answered by `python -m module`, up to `processes` at a time; any answer first.

    The process gets the variables of `environment` beside ours. It says READY, and then answers each line of
    its input with one of its output. Raises MachineError if it never gets so far.
    """
    pool = _Pool(module, lines, environment)
    threads = [threading.Thread(target=pool.serve, daemon=True) for _ in range(min(processes, len(lines)))]
    try:
        for thread in threads:
            thread.start()
        for _ in lines:
            yield pool.next_answer()
    finally:
        pool.end()
        for thread in threads:
            if thread.ident is not None:  # an interruption may come before the last was started
                thread.join()


@dataclass
class _Pool:
    """What the threads share, each of which looks after one process."""

    module: str
    lines: Sequence[str]
    environment: Mapping[str, str]
    done: queue.SimpleQueue[Answer | BaseException] = field(default_factory=queue.SimpleQueue)
    lock: threading.Lock = field(default_factory=threading.Lock)
    children: set[Child] = field(default_factory=set)
    tried_again: set[int] = field(default_factory=set)
    next_index: int = 0
    is_over: bool = False

    def next_answer(self) -> Answer:
        """The next answer that is there; raises what went wrong in a thread."""
        while True:
            try:
                found = self.done.get(timeout=_WAIT_S)  # for ever, Ctrl-C would not be heard on Windows
            except queue.Empty:
                continue
            if isinstance(found, BaseException):
                raise found
            return found

    def end(self) -> None:
        """Hand out no more lines, and end every process."""
        with self.lock:
            self.is_over = True
            for child in self.children:
                child.kill()

    def serve(self) -> None:
        """Answer lines until there are none left, with one process after the other."""
        try:
            index = self._take()
            while index is not None:
                index = self._one_process(index)
        except BaseException as fault:  # it is raised where the answers are waited for
            self.done.put(fault)

    def _take(self) -> int | None:
        with self.lock:
            if self.is_over or self.next_index == len(self.lines):
                return None
            self.next_index += 1
            return self.next_index - 1

    def _one_process(self, index: int | None) -> int | None:
        """Answer lines from `index` on, until this process has had its share or died; returns the next."""
        command = [sys.executable, "-m", self.module]
        with (
            self._compiled(index) as variables,
            programs.started(command, environment=variables, takes_input=True) as child,
        ):
            self._watch(child)
            try:
                if _read(child) != READY:
                    raise MachineError(_not_ready(child))
                for _ in range(LINES_PER_PROCESS):
                    if index is None:
                        break
                    answer = _ask(child, index, self.lines[index])
                    if answer.died in _BROKEN_CODE and index not in self.tried_again and not self.is_over:
                        self.tried_again.add(index)
                        return index
                    self.done.put(answer)
                    index = self._take()
                    if answer.died is not None:
                        break
            finally:
                with self.lock:
                    self.children.discard(child)
        return index

    @contextmanager
    def _compiled(self, index: int | None) -> Iterator[dict[str, str]]:
        """The variables of a process; for a line tried again with an empty place for compiled code."""
        if index not in self.tried_again:
            yield self._variables()
            return
        with tempfile.TemporaryDirectory(prefix="mixrender-compiled-") as folder:
            yield self._variables() | {"NUMBA_CACHE_DIR": folder}

    def _variables(self) -> dict[str, str]:
        """The same places to import from, and one thread in each process, as there are enough of those."""
        paths = os.pathsep.join(path or os.curdir for path in sys.path)
        single = dict.fromkeys(_ONE_THREAD, "1")
        return {**os.environ, **single, **self.environment, "PYTHONPATH": paths, "PYTHONIOENCODING": "utf-8"}

    def _watch(self, child: Child) -> None:
        with self.lock:
            self.children.add(child)
            if self.is_over:  # it was started while the others were being ended
                child.kill()


def _ask(child: Child, index: int, line: str) -> Answer:
    assert child.process.stdin is not None
    try:
        child.process.stdin.write(line.encode("ascii") + b"\n")
        child.process.stdin.flush()
        answer = _read(child)
    except OSError:  # nobody reads at the other end
        answer = ""
    return Answer(index, answer) if answer else Answer(index, died=_how_it_died(child))


def _read(child: Child) -> str:
    """The next line of its output; empty if it has ended."""
    assert child.process.stdout is not None
    return child.process.stdout.readline().decode("utf-8").rstrip("\r\n")


def _how_it_died(child: Child) -> str:
    status = child.process.wait()
    return f"signal {-status}" if status < 0 else f"status {status}"


def _not_ready(child: Child) -> str:
    said = "\n".join(f"  {line}" for line in child.last_lines()) or "  (it said nothing)"
    return f"{sys.executable} cannot be started for the analysis. It said:\n{said}"
