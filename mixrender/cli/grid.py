"""The command that shows the grid of a track and corrects it by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from mixrender import api
from mixrender.cli.options import AsJson, Quiet
from mixrender.errors import InputError
from mixrender.plan.model import Count
from mixrender.report import grid_report
from mixrender.terminal import Terminal


def _text(name: str, metavar: str, text: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(name, metavar=metavar, help=text, show_default=False)
    return option


def grid(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An audio file.", show_default=False)],
    tempo: Annotated[
        str | None, _text("--tempo", "BPM", "The tempo; bar 1 stays, and the beats are steady.")
    ] = None,
    double: Annotated[
        bool, typer.Option("--double", help="Twice the tempo: a beat between each two.")
    ] = False,
    half: Annotated[bool, typer.Option("--half", help="Half the tempo: every other beat goes.")] = False,
    shift: Annotated[
        str | None,
        _text("--shift", "SHIFT", "Beats and bars later, or with a minus earlier: '1 beat', '-12 ms'."),
    ] = None,
    bar_1: Annotated[
        str | None, _text("--bar-1", "TIME", "The bar that begins there is bar 1: '1 min 2.5 s'.")
    ] = None,
    bar_line: Annotated[
        str | None, _text("--bar-line", "TIME", "A bar begins there; bar 1 is the first one that sounds.")
    ] = None,
    beats_per_bar: Annotated[str | None, _text("--beats-per-bar", "N", "Beats in a bar.")] = None,
    lock: Annotated[
        bool | None,
        typer.Option("--lock/--unlock", help="Let nothing change it any more, or let it be changed again."),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last correction.")] = False,
    reset: Annotated[bool, typer.Option("--reset", help="Take back all corrections.")] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Show the beats and bars of a track, or correct them by hand.

    A correction is kept for this music, wherever its file goes, and holds in every plan.
    Several are made in the order in which they are listed here.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        wanted = api.read_correction(
            tempo=tempo,
            count=_count(double=double, half=half),
            shift=shift,
            bar_1=bar_1,
            bar_line=bar_line,
            beats_per_bar=beats_per_bar,
        )
        progress = terminal.progress()
        if undo or reset:
            if wanted or lock or (undo and reset):
                raise InputError("--undo and --reset stand alone, or with --unlock; give one at a time")
            done = api.undo_grid(file, everything=reset, unlock=lock is False, progress=progress)
        else:
            done = api.correct_grid(file, wanted, lock=lock, progress=progress)
        if done.changes:
            terminal.show(grid_report.changes_table(done.changes))
        else:
            terminal.show(grid_report.grid_table(file, done.facts))
        for line in grid_report.grid_lines(file, done.facts):
            terminal.say(line)
        terminal.document(grid_report.grid_document(file, done.facts, done.changes))


def _count(*, double: bool, half: bool) -> Count:
    if double and half:
        raise InputError("--double and --half undo each other; give one of them")
    return "double" if double else "half" if half else "plain"
