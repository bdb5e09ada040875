"""What the terminal does with tables, faults and progress."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console
from rich.table import Table

from mixrender import terminal as terminal_module
from mixrender.errors import MachineError
from mixrender.report.tables import new_table
from mixrender.terminal import Bars, Terminal, stacked


@pytest.fixture
def table():
    table = Table(title="Transitions")
    for name in ("", "from → to", "at", "bars"):
        table.add_column(name)
    table.add_row("1", "ferry → lantern", "1:48.4", "1")
    table.add_row("2", "lantern → quay", "3:34.3", "16")
    return table


def test_a_table_too_wide_becomes_a_paragraph_per_row(table):
    assert str(stacked(table, width=40)).splitlines() == [
        "Transitions",
        "1  ferry → lantern",
        "   at 1:48.4, bars 1",
        "2  lantern → quay",
        "   at 3:34.3, bars 16",
    ]


def test_paragraphs_keep_to_the_width(table):
    assert max(len(line) for line in str(stacked(table, width=20)).splitlines()) <= 20


def test_a_fault_is_one_message_and_its_status(capsys):
    with pytest.raises(SystemExit) as caught, Terminal().reported():
        raise MachineError("the disk is full")

    assert caught.value.code == 3
    assert capsys.readouterr().err == "the disk is full\n"


def test_quiet_shows_no_table_but_warns(capsys, table):
    terminal = Terminal(quiet=True)
    terminal.show(table)
    terminal.warn(["the limiter works hard"])

    assert capsys.readouterr() == ("", "warning: the limiter works hard\n")


def test_a_long_table_looks_like_a_short_one(capsys, monkeypatch):
    table = new_table("Transitions", "", "from → to*", "at", "bars")
    table.add_row("1", "ferry → lantern", "1:48.4", "1")
    table.add_row("2", "夜の船 → quay", "3:34.3", "16")
    Terminal().show(table)
    short = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    monkeypatch.setattr(terminal_module, "LONG_ROWS", 1)
    Terminal().show(table)
    long = capsys.readouterr().out.splitlines()

    assert long == short
    assert long[2] == "     from → to             at   bars"
    assert len(long) == 7


def test_a_long_table_that_is_too_wide_becomes_paragraphs_as_well(capsys, monkeypatch, table):
    monkeypatch.setattr(terminal_module, "_width", lambda: 20)
    Terminal().show(table)
    short = capsys.readouterr().out
    monkeypatch.setattr(terminal_module, "LONG_ROWS", 1)
    Terminal().show(table)

    assert capsys.readouterr().out == short


@pytest.mark.parametrize("name", ["ferry [remix]", "[/b] :heart: [bold]x", "ferry\udce9"])
def test_names_are_shown_as_they_are(capsys, name):
    table = Table("track")
    table.add_row(name)
    terminal = Terminal()
    terminal.show(table)
    terminal.fault(f"{name}: a fault")
    said = capsys.readouterr()

    visible = name.encode("utf-8", "backslashreplace").decode()
    assert visible in said.out and f"{visible}: a fault" in said.err


def test_a_task_that_is_counted_shows_how_many_are_done():
    console = Console(file=io.StringIO(), force_terminal=True, width=100)
    bars = Bars(console)
    with bars.task("Analysing [3] tracks", total=3, counted=True) as advance:
        advance(2)
        text = "".join(segment.text for segment in console.render(bars._bars))
        assert text.strip() == ""  # shown after a second alone
        for task in bars._bars.task_ids:
            bars._bars.update(task, visible=True)
        text = "".join(segment.text for segment in console.render(bars._bars))

    assert "Analysing [3] tracks" in text and "2/3" in text and "%" not in text


def test_a_figure_of_a_table_in_paragraphs_stands_on_the_line_of_its_name():
    table = new_table("Peaks", "", *(f"figure {number} dB" for number in range(12)))
    table.add_row("a track", *(f"{number}.5" for number in range(12)))

    for width in (40, 60, 80):
        lines = stacked(table, width=width).plain.splitlines()
        assert max(map(len, lines)) <= width
        assert all(any(f"figure {number} dB {number}.5" in line for line in lines) for number in range(12))


def ended(write: str, stdout: int) -> tuple[int, str]:
    """Exit status and messages of a process that prints to `stdout` by a terminal."""
    program = f"""
from mixrender.report.tables import new_table
from mixrender.terminal import Terminal

table = new_table("Tracks", "", "at")
for row in range(300):
    table.add_row(str(row), "1:48.4")
short = new_table("Tracks", "", "at")
short.add_row("1", "1:48.4")
terminal = Terminal(as_json={write.startswith("document")})
with terminal.reported():
    terminal.{write}
"""
    done = subprocess.run(
        [sys.executable, "-c", program], stdout=stdout, stderr=subprocess.PIPE, text=True, timeout=30
    )
    return done.returncode, done.stderr


WRITES = ["show(short)", "show(table)", "data('a,b')", "document({'a': 1})"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a disk that is always full")
@pytest.mark.parametrize("write", WRITES)
def test_a_full_disk_under_stdout_is_one_message_and_status_3(write):
    with Path("/dev/full").open("wb") as full:
        status, messages = ended(write, full.fileno())

    assert (status, messages) == (3, "the output: the disk is full. Free some space and run it again.\n")


@pytest.mark.parametrize("write", WRITES)
def test_a_reader_who_has_seen_enough_is_no_fault(write):
    reader, writer = os.pipe()
    os.close(reader)
    try:
        status, messages = ended(write, writer)
    finally:
        os.close(writer)

    assert (status, messages) == (0, "")
