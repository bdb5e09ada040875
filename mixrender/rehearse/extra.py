"""Whether what a rehearsal needs beyond the rest of the program is installed."""

from __future__ import annotations

from importlib.util import find_spec

from mixrender.errors import MachineError

NEEDED = ("starlette", "uvicorn", "watchfiles")


def require_extra() -> None:
    """Raise MachineError, with the line that installs it, where a package is missing."""
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise MachineError(
            f"`rehearse` needs packages that are not installed ({', '.join(missing)}). Install them with\n"
            f"  pip install 'mixrender[rehearse]'"
        )
