"""The commands about what is kept on disk."""

from __future__ import annotations

from mixrender import api
from mixrender.cli.options import AsJson, Quiet
from mixrender.report import tables
from mixrender.terminal import Terminal


def show(as_json: AsJson = False) -> None:
    """Print where the cache is, and how much it holds of what."""
    terminal = Terminal(as_json=as_json)
    with terminal.reported():
        held = api.cache_contents()
        terminal.show(tables.cache_table(held))
        terminal.say(f"Tracks are remembered in {held['library']}")
        terminal.document(held)


def verify(quiet: Quiet = False) -> None:
    """Read everything that is kept, and remove what has been damaged: it is made again when it is needed."""
    terminal = Terminal(quiet=quiet)
    with terminal.reported():
        checked, removed = api.verify_cache(progress=terminal.progress())
        terminal.say(f"Read {checked} files; {removed} were damaged and have been removed.")


def clear(quiet: Quiet = False) -> None:
    """Remove decoded and stretched sound; what was found out about tracks stays."""
    terminal = Terminal(quiet=quiet)
    with terminal.reported():
        freed = api.clear_cache()
        terminal.say(f"Freed {freed / 1e6:.1f} MB.")
