"""The commands about plans: check one, preview it, render it, and the demo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from mixrender import api
from mixrender.cli.options import AsJson, LeadBars, Only, OutDir, PlanFile, Quiet, TailBars
from mixrender.errors import PlanError
from mixrender.formats import BIT_WORDS, FORMAT_NAMES
from mixrender.plan.load import load_plan
from mixrender.report import document, mix_tables, move_lines, tables
from mixrender.report.cautions import LICENCES, LOUD
from mixrender.terminal import Terminal


def check(
    plan: PlanFile,
    expand: Annotated[
        bool, typer.Option("--expand", help="Print each transition's recipe and moves as lanes of a plan.")
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Resolve a plan without rendering it: its timeline, and every error and warning with its line."""
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        try:
            loaded = load_plan(plan)
            timeline = api.resolve(loaded, progress=terminal.progress())
        except PlanError as error:
            terminal.document(document.faults_document(plan, error.problems))
            raise
        lines = move_lines.move_lines(loaded, timeline)
        terminal.show(*tables.timeline_tables(timeline), *tables.move_tables(lines))
        if expand:
            terminal.say(move_lines.expanded(loaded, timeline))
        terminal.warn(timeline.problems)
        terminal.document(
            document.timeline_document(timeline, plan_file=plan)
            | {"moves": [line._asdict() for line in lines]}
            | ({"expanded": move_lines.expanded(loaded, timeline)} if expand else {})
        )


def preview(
    plan: PlanFile,
    output: OutDir = None,
    only: Only = None,
    lead_bars: LeadBars = 8,
    tail_bars: TailBars = 8,
    click: Annotated[
        bool, typer.Option("--click", help="Lay a metronome on the beats, to judge the grids by ear.")
    ] = False,
    pictures: Annotated[
        bool,
        typer.Option("--pictures", help="Draw each transition as a score, PNG and SVG, beside its clip."),
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Render each transition as a clip, with a lead-in and a tail.

    All clips of a plan have one constant gain, predicted from the tracks' loudness.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        loaded = load_plan(plan)
        result = api.preview(
            loaded,
            output,
            only=only,
            lead_bars=lead_bars,
            tail_bars=tail_bars,
            click=click,
            pictures=pictures,
            progress=terminal.progress(),
        )
        terminal.warn(result.all_warnings())
        terminal.show(*mix_tables.clips_tables(result))
        terminal.say(f"Hear and see them: {api.page_of(result)}. {LOUD}")
        terminal.document(document.mix_document(result))


def _option(name: str, metavar: str, text: str) -> Any:
    return typer.Option(name, metavar=metavar, help=text, show_default=False)


def render(
    plan: PlanFile,
    output: OutDir = None,
    format: Annotated[
        str | None, _option("--format", "WORD", f"Kind of file: {', '.join(FORMAT_NAMES)}.")
    ] = None,
    bits: Annotated[str | None, _option("--bits", "WORD", f"Bits: {', '.join(BIT_WORDS)}.")] = None,
    rate: Annotated[str | None, _option("--rate", "HZ", "Sample rate of the mix.")] = None,
    bitrate: Annotated[
        str | None, _option("--bitrate", "KBIT/S", "Bit rate of a lossy format, such as 256.")
    ] = None,
    fix: Annotated[
        bool,
        typer.Option(
            "--fix",
            help="If the file misses its target or ceiling after encoding, make it again with more room.",
        ),
    ] = False,
    no_pictures: Annotated[
        bool,
        typer.Option(
            "--no-pictures", help="Do not draw loudness.png and .svg; those of an earlier render are removed."
        ),
    ] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Render the whole mix, and report on it: in tables, report.json, loudness.csv and pictures.

    The file is what `output:` in the plan says, unless an option says otherwise.

    Ends with status 1 if the plan names a loudness target that the mix does not meet.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        words = {"format": format, "bits": bits, "rate": rate, "bitrate": bitrate}
        written = {word: text for word, text in words.items() if text is not None}
        result = api.render(
            load_plan(plan),
            output,
            output=written,
            fix=fix,
            pictures=not no_pictures,
            progress=terminal.progress(),
        )
        terminal.warn(result.all_warnings())
        terminal.show(*mix_tables.mix_tables(result))
        for line in (*mix_tables.target_lines(result), *mix_tables.levelling_lines(result)):
            terminal.say(line)
        terminal.say(f"Wrote {', '.join(str(file) for file in result.files)}")
        terminal.say(f"Hear and see it: {api.page_of(result)}")
        terminal.say(f"{LOUD} {LICENCES}")
        terminal.document(document.mix_document(result))
        if result.target is not None and result.target.passed is False:
            terminal.fault(f"the target was missed: {result.target.reason}")
            raise SystemExit(1)


def schema() -> None:
    """Print the JSON Schema of the plan, for editors."""
    terminal = Terminal(as_json=True)
    with terminal.reported():
        terminal.document(api.schema())


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to make.")] = Path("mixrender-demo"),
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Make original tracks and a plan with all sorts of moves; preview and render it."""
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        plan, previews, result = api.demo(folder, progress=terminal.progress())
        terminal.warn(result.all_warnings())
        terminal.show(*tables.timeline_tables(result.timeline), *mix_tables.clips_tables(previews)[:1])
        terminal.show(*mix_tables.mix_tables(result))
        for line in (*mix_tables.target_lines(result), *mix_tables.levelling_lines(result)):
            terminal.say(line)
        terminal.say(f"The plan:  {plan}")
        terminal.say(f"The clips: {api.page_of(previews)}")
        terminal.say(f"The mix:   {result.files[0]}, and {api.page_of(result).name} beside it")
        terminal.say(f"Change the plan and run `mixrender preview {plan}`.")
        terminal.say(f"{LOUD} {LICENCES}")
        terminal.document(document.mix_document(result))
