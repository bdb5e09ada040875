"""The command that serves a plan's transitions as a page, and follows the plan as it is edited."""

from __future__ import annotations

import sys
import threading
import webbrowser
from pathlib import Path
from typing import Annotated

import typer

from mixrender.audio.cache import Cache
from mixrender.cli.options import LeadBars, Only, PlanFile, TailBars
from mixrender.errors import InputError, PlanError
from mixrender.plan.load import load_plan
from mixrender.progress import NoProgress
from mixrender.rehearse.extra import require_extra
from mixrender.report.cautions import LOUD
from mixrender.terminal import Terminal


def rehearse(
    plan: PlanFile,
    port: Annotated[
        int | None,
        typer.Option(
            "--port",
            metavar="N",
            min=1,
            max=65535,
            help="Port of 127.0.0.1 to serve at (unless told: a free one).",
            show_default=False,
        ),
    ] = None,
    no_open: Annotated[bool, typer.Option("--no-open", help="Do not open the page in the browser.")] = False,
    only: Only = None,
    lead_bars: LeadBars = 8,
    tail_bars: TailBars = 8,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            metavar="DIR",
            help="Keep the clips here as `preview` writes them (unless told: nothing is kept).",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Serve the transitions as a page on this machine; it follows the plan as you edit and save it.

    The page is for this machine alone, at an address that others cannot guess. Ctrl-C ends it, with status 0.
    """
    terminal = Terminal()
    with terminal.reported():
        require_extra()
        # The server is imported here because it comes with an extra that may be missing.
        from mixrender.rehearse.run import rehearse as run
        from mixrender.rehearse.work import Wanted

        if not plan.is_file():
            load_plan(plan)  # says what is wrong; the faults of a plan that is there are shown on the page

        _require_transitions(plan, only)

        def opened(url: str) -> None:
            terminal.say(f"Rehearsing {plan} at {url}")
            terminal.say(f"Edit and save the plan: the page follows. Ctrl-C ends it. {LOUD}")
            sys.stdout.flush()
            if not no_open and sys.stdout.isatty():
                _open(url)

        try:
            run(
                Wanted(plan, only, lead_bars, tail_bars, output),
                cache=Cache(),
                progress=terminal.progress() or NoProgress(),
                tell=terminal.fault,
                opened=opened,
                stop=threading.Event(),
                port=port,
            )
        except KeyboardInterrupt:
            terminal.say("The rehearsal is over.")


def _open(url: str) -> None:
    """Open the page in a browser with windows of its own; one that would take the terminal is left alone."""
    try:
        browser = webbrowser.get()
    except webbrowser.Error:
        return
    if type(browser) is not webbrowser.GenericBrowser:
        threading.Thread(target=browser.open, args=(url,), daemon=True).start()


def _require_transitions(plan: Path, only: list[int] | None) -> None:
    """Raise InputError if a transition is wanted that the plan, as far as it can be read now, has not got."""
    try:
        last = len(load_plan(plan).tracks) - 1
    except PlanError:  # its faults are shown on the page, and may be mended
        return
    wrong = [number for number in only or [] if not 1 <= number <= last]
    if wrong:
        raise InputError(f"there is no transition {wrong[0]}: the plan has {last}, counted from 1")
