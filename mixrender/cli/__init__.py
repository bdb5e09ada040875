"""The command line: parses, calls the Python interface, prints; no audio and no rules live here."""

from __future__ import annotations

from typing import Annotated

import typer

from mixrender import __version__
from mixrender.cli import cache, grid, loudness, mixes, rehearse, tracks
from mixrender.report.cautions import LICENCES, LOUD

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


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        typer.echo(f"mixrender {__version__}")
        raise typer.Exit


app.command()(tracks.analyze)
app.command("list")(tracks.list_command)
app.command()(grid.grid)
app.command()(mixes.check)
app.command()(mixes.preview)
app.command()(rehearse.rehearse)
app.command()(mixes.render)
app.command(epilog=loudness.EPILOG)(loudness.loudness)
app.command()(mixes.schema)
app.add_typer(cache_app, name="cache")
app.command()(mixes.demo)
cache_app.command()(cache.show)
cache_app.command()(cache.verify)
cache_app.command()(cache.clear)
