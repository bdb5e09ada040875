"""A fault that one process met to a line of text, and the line back to the fault for another to report."""

from __future__ import annotations

import json
from pathlib import Path

from mixrender.errors import AudioError, InputError, MachineError, MixrenderError, ToolError

_CLASSES = {kind.__name__: kind for kind in (InputError, MachineError, ToolError)}


def to_line(fault: MixrenderError | None) -> str:
    """A fault as a line of ASCII; a line for None as well."""
    if fault is None:
        return "{}"
    fields = {"class": type(fault).__name__, "message": str(fault)}
    if isinstance(fault, AudioError):
        fields["file"] = str(fault.file)
    return json.dumps(fields)


def from_line(line: str) -> MixrenderError | None:
    """The fault, or None, that `to_line` wrote."""
    fields = json.loads(line)
    if not fields:
        return None
    if fields["class"] == AudioError.__name__:
        return AudioError(Path(fields["file"]), fields["message"].removeprefix(f"{fields['file']}: "))
    return _CLASSES.get(fields["class"], MachineError)(fields["message"])
