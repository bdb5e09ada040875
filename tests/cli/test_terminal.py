"""What the terminal does with tables, faults and progress."""

from __future__ import annotations

import pytest
from rich.table import Table

from mixrender.errors import MachineError
from mixrender.terminal import Terminal, stacked


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
