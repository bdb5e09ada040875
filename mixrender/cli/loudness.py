"""The command that measures any audio files, and says how they meet a target."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from mixrender import api
from mixrender.cli.options import AUDIO_FILES, AsCsv, AsJson, Jobs, Quiet, leave
from mixrender.errors import InputError
from mixrender.loudness.targets import Target, read_target
from mixrender.report import loudness_report
from mixrender.report.plain_names import plain_name
from mixrender.terminal import Terminal

EPILOG = f"Published targets. None is for DJ mixes.\n\n{loudness_report.targets_in_lines()}"
"""What the help says of targets."""

MISSED = 1
"""The exit status where a file was measured and misses the target."""


ToTarget = Annotated[
    str | None,
    typer.Option(
        "--target",
        metavar="TARGET",
        help='Say how each file meets a target: a published one (--targets) or "-14 LUFS, -1 dBTP".',
        show_default=False,
    ),
]
Targets = Annotated[
    bool,
    typer.Option("--targets", help="Print the published targets and stop."),
]
Together = Annotated[
    bool,
    typer.Option("--together", help="Measure all files as one programme too: an album, a whole set."),
]


def loudness(
    files: Annotated[list[Path] | None, AUDIO_FILES] = None,
    target: ToTarget = None,
    together: Together = False,
    targets: Targets = False,
    jobs: Jobs = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
) -> None:
    """Measure audio files by ITU-R BS.1770: loudness, loudness range, true peak; and how they meet a target.

    Figures are judged as they are shown, to 0.1; silence, which has no loudness, misses no target.

    The status is 2 if a file cannot be used, whatever the others are like, else 1 if one misses the target.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json or as_csv)
    with terminal.reported():
        if as_json and as_csv:
            raise InputError("--json and --csv are two forms of one output; choose one")
        if targets:
            _show_targets(terminal, as_csv=as_csv)
            return
        if not files:
            raise InputError("no files are named; name audio files, or folders of them")
        survey = api.survey_loudness(
            files, target=_target(target), together=together, progress=terminal.progress(), jobs=jobs
        )
        for _, fault in survey.faults:
            terminal.fault(plain_name(str(fault)))
        if as_csv:
            terminal.data(loudness_report.survey_csv(survey))
        elif as_json:
            terminal.document(loudness_report.survey_document(survey))
        else:
            terminal.show(*loudness_report.survey_tables(survey))
            for line in loudness_report.advice(survey):
                terminal.say(line)
        leave([fault for _, fault in survey.faults])
        if survey.has_failed:
            raise SystemExit(MISSED)


def _show_targets(terminal: Terminal, *, as_csv: bool) -> None:
    if as_csv:
        terminal.data(loudness_report.targets_csv())
        return
    terminal.document(loudness_report.targets_document())
    terminal.show(loudness_report.targets_table())
    for line in loudness_report.target_sources():
        terminal.say(line)


def _target(text: str | None) -> Target | None:
    if text is None:
        return None
    try:
        return read_target(text)
    except ValueError as error:
        raise InputError(f"--target: {error}") from None
