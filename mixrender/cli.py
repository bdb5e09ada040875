"""The command line: parses, calls the Python interface, prints; no audio and no rules live here."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from mixrender import __version__, api
from mixrender.errors import MixrenderError, PlanError
from mixrender.facts import Loudness, TrackFacts
from mixrender.plan.load import load_plan
from mixrender.report import document, tables
from mixrender.terminal import Terminal

LOUD = "Mind your ears: start quietly when you listen, above all on headphones."
LICENCES = (
    "Before you publish a mix: the music in it needs licences, and the law of your country decides which."
)

app = typer.Typer(
    name="mixrender",
    help="Audition DJ transitions and render finished mixes offline, from a plan in a text file.",
    epilog=f"{LOUD} {LICENCES}",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
cache_app = typer.Typer(help="What is kept on disk so that nothing is computed twice.", no_args_is_help=True)
app.add_typer(cache_app, name="cache")

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="The plan, a YAML file.", show_default=False)]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but faults and warnings.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
OutDir = Annotated[
    Path | None,
    typer.Option(
        "-o",
        "--output",
        metavar="DIR",
        help="Folder to write to.  [default: named after the plan, beside it]",
        show_default=False,
    ),
]


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        typer.echo(f"mixrender {__version__}")
        raise typer.Exit


@app.command()
def analyze(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE|FOLDER...", help="Audio files, or folders of them.")
    ],
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Find tempo, beats, bars, key, sections and loudness of tracks.

    What is found is kept, by content: a second run on the same files costs next to nothing.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        found: list[tuple[Path, TrackFacts]] = []
        faults: list[MixrenderError] = []
        for file, result in api.analyze_many(files, progress=terminal.progress()):
            if isinstance(result, TrackFacts):
                found.append((file, result))
            else:
                faults.append(result)
                terminal.fault(str(result))
        if found:
            terminal.show(tables.facts_table(found))
        for file, facts in found:
            if not as_json:
                terminal.warn([f"{file}: warning: {text}" for text in facts.warnings])
        terminal.document({"tracks": [document.track_document(file, facts) for file, facts in found]})
        _leave(faults)


@app.command()
def check(plan: PlanFile, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Resolve a plan without rendering it: its timeline, and every error and warning with its line."""
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        try:
            timeline = api.resolve(load_plan(plan), progress=terminal.progress())
        except PlanError as error:
            terminal.document(document.faults_document(plan, error.problems))
            raise
        terminal.show(*tables.timeline_tables(timeline))
        terminal.warn(timeline.problems)
        terminal.document(document.timeline_document(timeline, plan_file=plan))


@app.command()
def preview(
    plan: PlanFile,
    output: OutDir = None,
    only: Annotated[
        list[int] | None,
        typer.Option("--only", metavar="N", help="Only transition N, counted from 1; may be repeated."),
    ] = None,
    lead_bars: Annotated[
        float, typer.Option("--lead", min=0, metavar="BARS", help="Bars before each overlap.")
    ] = 8,
    tail_bars: Annotated[
        float, typer.Option("--tail", min=0, metavar="BARS", help="Bars after each overlap.")
    ] = 8,
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
            loaded, output, only=only, lead_bars=lead_bars, tail_bars=tail_bars, progress=terminal.progress()
        )
        terminal.warn(result.all_warnings())
        terminal.show(tables.clips_table(result), tables.transitions_table(result))
        terminal.say(f"The clips are in {result.files[-1].parent}. {LOUD}")
        terminal.document(document.mix_document(result))


@app.command()
def render(plan: PlanFile, output: OutDir = None, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Render the whole mix, and report on it.

    Ends with status 1 if the plan names a loudness target that the mix does not meet.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        result = api.render(load_plan(plan), output, progress=terminal.progress())
        terminal.warn(result.all_warnings())
        terminal.show(*tables.mix_tables(result))
        terminal.say(f"Wrote {', '.join(str(file) for file in result.files)}")
        terminal.say(f"{LOUD} {LICENCES}")
        terminal.document(document.mix_document(result))
        if result.target is not None and result.target.passed is False:
            terminal.fault(f"the target was missed: {result.target.reason}")
            raise SystemExit(1)


@app.command()
def loudness(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE|FOLDER...", help="Audio files, or folders of them.")
    ],
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Measure audio files by ITU-R BS.1770: loudness, loudness range, true peak."""
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        measured: list[tuple[Path, Loudness]] = []
        faults: list[MixrenderError] = []
        for file, result in api.measure_many(files, progress=terminal.progress()):
            if isinstance(result, Loudness):
                measured.append((file, result))
            else:
                faults.append(result)
                terminal.fault(str(result))
        if measured:
            rows = [(file.name, figures) for file, figures in measured]
            terminal.show(tables.loudness_table(rows, title="Loudness (ITU-R BS.1770-5)"))
        terminal.document(document.file_documents(measured))
        _leave(faults)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the plan, for editors."""
    terminal = Terminal(as_json=True)
    with terminal.reported():
        terminal.document(api.schema())


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder to make.")] = Path("mixrender-demo"),
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Make original tracks and a plan that uses every kind of move; preview and render it."""
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        plan, previews, result = api.demo(folder, progress=terminal.progress())
        terminal.warn(result.all_warnings())
        terminal.show(*tables.timeline_tables(result.timeline), tables.clips_table(previews))
        terminal.show(*tables.mix_tables(result))
        terminal.say(f"The plan:  {plan}")
        terminal.say(f"The clips: {previews.files[0].parent}")
        terminal.say(f"The mix:   {result.files[0]}")
        terminal.say(f"Change the plan and run `mixrender preview {plan}`.")
        terminal.say(f"{LOUD} {LICENCES}")
        terminal.document(document.mix_document(result))


@cache_app.command("show")
def cache_show(as_json: AsJson = False) -> None:
    """Print where the cache is, and how much it holds of what."""
    terminal = Terminal(as_json=as_json)
    with terminal.reported():
        held = api.cache_contents()
        terminal.show(tables.cache_table(held))
        terminal.document(held)


@cache_app.command("verify")
def cache_verify(quiet: Quiet = False) -> None:
    """Read everything that is kept, and remove what has been damaged: it is made again when it is needed."""
    terminal = Terminal(quiet=quiet)
    with terminal.reported():
        checked, removed = api.verify_cache(progress=terminal.progress())
        terminal.say(f"Read {checked} files; {removed} were damaged and have been removed.")


@cache_app.command("clear")
def cache_clear(quiet: Quiet = False) -> None:
    """Remove decoded and stretched sound; what was found out about tracks stays."""
    terminal = Terminal(quiet=quiet)
    with terminal.reported():
        freed = api.clear_cache()
        terminal.say(f"Freed {freed / 1e6:.1f} MB.")


def _leave(faults: list[MixrenderError]) -> None:
    """End with the status of the gravest fault, if there was any: the other files were done."""
    if faults:
        raise SystemExit(max(fault.exit_status for fault in faults))
