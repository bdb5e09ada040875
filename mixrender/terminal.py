"""What a command has to say: progress and messages to stderr, tables or one JSON document to stdout."""

from __future__ import annotations

import errno
import io
import os
import signal
import sys
import textwrap
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Any

import rich.progress
from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from mixrender.errors import MachineError, MixrenderError, PlanError, Problem, write_details
from mixrender.progress import Advance
from mixrender.report.document import to_json

INTERRUPTED, TERMINATED, INTERNAL = 130, 143, 70

LONG_ROWS = 200
"""A table with more rows is drawn by ourselves: rich takes a millisecond for each."""

_UNBROKEN = "\u00a0"

SHOWN_AFTER_S = 1.0
"""Work that is over sooner than this shows no bar."""


class Terminated(BaseException):
    """The process was asked to end (SIGTERM); unwinds everything as Ctrl-C does."""


class _DoneColumn(rich.progress.TaskProgressColumn):
    """How much of a task is done: `12/40` of things that are counted, `30%` of others."""

    def render(self, task: rich.progress.Task) -> Text:
        if not task.fields.get("counted"):
            return super().render(task)
        return Text(f"{round(task.completed)}/{round(task.total or 0)}", style="progress.percentage")


class Bars:
    """Progress bars on stderr, with the time left; safe to call from several threads."""

    def __init__(self, console: Console):
        self._bars = rich.progress.Progress(
            rich.progress.TextColumn("{task.description}", markup=False),
            rich.progress.BarColumn(),
            _DoneColumn(),
            rich.progress.TimeRemainingColumn(),
            console=console,
            transient=True,
        )
        self._lock = threading.Lock()
        self._open = 0

    @contextmanager
    def task(self, label: str, total: float, *, counted: bool = False) -> Iterator[Advance]:
        """Show a bar for as long as the context is open, once it has taken a second."""
        task = self._bars.add_task(label, total=max(total, 1e-9), visible=False, counted=counted)
        timer = threading.Timer(SHOWN_AFTER_S, lambda: self._bars.update(task, visible=True))
        timer.daemon = True
        with self._lock:
            self._open += 1
            if self._open == 1:
                self._bars.start()
        timer.start()
        try:
            yield lambda amount: self._bars.advance(task, amount)
        finally:
            timer.cancel()
            self._bars.remove_task(task)
            with self._lock:
                self._open -= 1
                if self._open == 0:
                    self._bars.stop()


class _Out(Console):
    """Stdout, whose reader may leave: `Terminal.reported` says what that means, not rich."""

    def on_broken_pipe(self) -> None:
        """Pass the exception on that is being handled."""
        raise


class Terminal:
    """Where a command prints; `quiet` leaves only faults and warnings, `as_json` one document on stdout."""

    def __init__(self, *, quiet: bool = False, as_json: bool = False):
        self.quiet = quiet
        self.as_json = as_json
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                # A name that this terminal cannot show is no reason to show nothing.
                stream.reconfigure(errors="backslashreplace")
        # Names of tracks are shown as they are, [brackets] and :colons: included.
        self._out = _Out(file=sys.stdout, soft_wrap=False, width=_width(), markup=False, emoji=False)
        self._err = Console(file=sys.stderr, soft_wrap=True, markup=False, emoji=False)

    def progress(self) -> Bars | None:
        """Bars to hand to long work, or None where none are wanted or nobody would see them."""
        return None if self.quiet or not self._err.is_terminal else Bars(self._err)

    def show(self, *tables: RenderableType) -> None:
        """Print tables or lines for people."""
        if self.quiet or self.as_json:
            return
        with _printing():
            for table in tables:
                if isinstance(table, Table) and table.row_count > LONG_ROWS:
                    self._out.file.write("\n".join(self._lines(table)) + "\n")
                else:
                    self._out.print(self._fitting(table) if isinstance(table, Table) else table)

    def _fitting(self, table: Table) -> RenderableType:
        """A table where there is room for it, else a paragraph for each of its rows."""
        options = self._out.options.update(max_width=1000)
        fits = Measurement.get(self._out, options, table).maximum <= self._out.width
        return table if fits else stacked(table, width=self._out.width)

    def _lines(self, table: Table) -> list[str]:
        """The same of a long table, in lines without styles."""
        lines = aligned(table)
        fits = max(map(cell_len, lines)) <= self._out.width
        return lines if fits else stacked(table, width=self._out.width).plain.split("\n")

    def data(self, text: str) -> None:
        """Print text for other programs, its ends of lines as they are."""
        with _printing():
            sys.stdout.flush()
            sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))

    def say(self, line: str) -> None:
        """Print one plain line for people, without styling what stands in it."""
        self.show(Text(line))

    def document(self, document: dict[str, Any]) -> None:
        """Print the one JSON document, if that was asked for."""
        if self.as_json:
            with _printing():
                sys.stdout.write(to_json(document))

    def warn(self, problems: Sequence[Problem | str]) -> None:
        """Print warnings to stderr, one line each."""
        for problem in problems:
            line = str(problem)
            self.fault(line if "warning: " in line else f"warning: {line}")

    def fault(self, line: str) -> None:
        """Print one message to stderr, as it is."""
        self._err.print(Text(line))

    @contextmanager
    def reported(self) -> Iterator[None]:
        """Turn every fault inside the context into its messages and its exit status."""
        try:
            with _terminate_cleanly():
                yield
        except PlanError as error:
            for problem in error.problems:
                self.fault(str(problem))
            raise SystemExit(error.exit_status) from None
        except MixrenderError as error:
            self.fault(str(error))
            raise SystemExit(error.exit_status) from None
        except KeyboardInterrupt:
            self.fault("interrupted; nothing half-written was left")
            raise SystemExit(INTERRUPTED) from None
        except Terminated:
            raise SystemExit(TERMINATED) from None
        except BrokenPipeError:
            # Whoever read our output has seen enough.
            _drop_output()
            raise SystemExit(0) from None
        except Exception as error:
            self.fault(
                f"a fault of mixrender itself: {type(error).__name__}: {error}; details in {write_details()}"
            )
            raise SystemExit(INTERNAL) from None


@contextmanager
def _printing() -> Iterator[None]:
    """Print to stdout, to the last byte; MachineError where it cannot take them, BrokenPipeError as it is."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        _drop_output()
        full = "the disk is full. Free some space and run it again."
        reason = full if error.errno == errno.ENOSPC else f"it cannot be written ({error.strerror or error})."
        raise MachineError(f"the output: {reason}") from error


def _drop_output() -> None:
    """Let what is still to be printed go nowhere: else Python fails once more when it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def aligned(table: Table) -> list[str]:
    """The lines of a table that rich would take too long for, drawn like the others."""
    columns = [[str(column.header), *map(str, column.cells)] for column in table.columns]
    padded = []
    for column, cells in zip(table.columns, columns, strict=True):
        width = max(map(cell_len, cells))
        gaps = [" " * (width - cell_len(cell)) for cell in cells]
        is_right = column.justify == "right"
        padded.append([gap + cell if is_right else cell + gap for cell, gap in zip(cells, gaps, strict=True)])
    head, *rows = [f" {'   '.join(cells)}".rstrip() for cells in zip(*padded, strict=True)]
    rule = " " + "─" * (sum(cell_len(cells[0]) + 3 for cells in padded) - 3)
    return [str(table.title or ""), "", head, rule, *rows, ""]


def stacked(table: Table, *, width: int) -> Text:
    """A table too wide for the terminal as one paragraph per row, each figure with its column's name."""
    lines = [str(table.title)] if table.title else []
    names = [str(column.header) for column in table.columns]
    # A first column without a name numbers the rows: what it numbers leads with it.
    leading = 2 if not names[0] and "→" in names[1] else 1
    for row in zip(*(column.cells for column in table.columns), strict=True):
        cells = [str(cell) for cell in row]
        lines.append("  ".join(cells[:leading]))
        figures = zip(names[leading:], cells[leading:], strict=True)
        # A figure stays on the line of its name.
        text = ", ".join(f"{name} {cell}".replace(" ", _UNBROKEN) for name, cell in figures if cell)
        wrapped = textwrap.wrap(text, width=width, initial_indent="   ", subsequent_indent="   ")
        lines += [line.replace(_UNBROKEN, " ") for line in wrapped]
    return Text("\n".join([*lines, ""]))


@contextmanager
def _terminate_cleanly() -> Iterator[None]:
    """Let SIGTERM unwind the work, so that what is half-written is removed."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def raise_terminated(signum: int, frame: FrameType | None) -> None:
        raise Terminated

    before = signal.signal(signal.SIGTERM, raise_terminated)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _width() -> int | None:
    """Tables that go to a file or a pipe are not folded to a terminal that is not there."""
    return None if sys.stdout.isatty() else 160
