"""Options that several commands share, and how they end."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from mixrender.errors import MixrenderError

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="The plan, a YAML file.", show_default=False)]
# One that cannot be read is a fault like others, told when the others are done: no check by typer.
AUDIO_FILES = typer.Argument(
    metavar="FILE|FOLDER...", help="Audio files, or folders of them.", readable=False, show_default=False
)
AudioFiles = Annotated[list[Path], AUDIO_FILES]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        "-j",
        metavar="N",
        min=1,
        help="How many files to work on at once (unless told: one for each processor, at most 8).",
        show_default=False,
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but faults and warnings.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="Print CSV (RFC 4180) and nothing else.")]
OutDir = Annotated[
    Path | None,
    typer.Option(
        "-o",
        "--output",
        metavar="DIR",
        help="Folder to write to (unless told: named after the plan, beside it).",
        show_default=False,
    ),
]
Only = Annotated[
    list[int] | None,
    typer.Option("--only", metavar="N", help="Only transition N, counted from 1; may be repeated."),
]
LeadBars = Annotated[float, typer.Option("--lead", min=0, metavar="BARS", help="Bars before each overlap.")]
TailBars = Annotated[float, typer.Option("--tail", min=0, metavar="BARS", help="Bars after each overlap.")]


def leave(faults: list[MixrenderError]) -> None:
    """End with the status of the gravest fault, if there was any: the other files were done."""
    if faults:
        raise SystemExit(max(fault.exit_status for fault in faults))
