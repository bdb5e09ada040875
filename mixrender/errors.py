"""Every fault a user can meet, each with the exit status it leads to.

MixrenderError
 ├─ InputError         the user's input is at fault: a file, an option (status 2)
 │   ├─ PlanError      the plan is at fault: carries every problem found in it
 │   └─ AudioError     one audio file cannot be used: carries the file
 └─ MachineError       this machine lacks something: disk space, a folder to write in (status 3)
     └─ ToolError      a program from outside Python is missing or failed
"""

from __future__ import annotations

import os
import tempfile
import traceback
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal


@dataclass(frozen=True)
class Problem:
    """One fault or doubt in a plan: where it stands, what was found, what to do.

    `path` is the place in the plan (`transitions[2].overlap`); `line` and `column` count from 1.
    """

    message: str
    path: str = ""
    file: Path | None = None
    line: int | None = None
    column: int | None = None
    severity: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        place = str(self.file) if self.file else ""
        if self.line is not None:
            place += f":{self.line}:{self.column}"
        head = ": ".join(part for part in (place, self.path) if part)
        label = "" if self.severity == "error" else "warning: "
        return f"{head}: {label}{self.message}" if head else f"{label}{self.message}"


class MixrenderError(Exception):
    """Any fault that is reported to the user in one message, without a traceback."""

    exit_status = 2


class InputError(MixrenderError):
    """The user's input is at fault; nothing was written."""


class PlanError(InputError):
    """A plan that cannot be rendered; `problems` holds all of its errors, in the order of their lines."""

    def __init__(self, problems: Iterable[Problem]):
        self.problems = sorted(problems, key=lambda p: (p.line or 0, p.column or 0))
        super().__init__("\n".join(str(p) for p in self.problems))


class AudioError(InputError):
    """An audio file that cannot be read, is empty, or holds what cannot be mixed."""

    def __init__(self, file: Path, message: str):
        self.file = file
        super().__init__(f"{file}: {message}")


class MachineError(MixrenderError):
    """This machine lacks something the job needs: space, a writable folder."""

    exit_status = 3


class ToolError(MachineError):
    """A program from outside Python is missing, too old, or ended with an error."""


def write_details() -> Path:
    """Write the traceback of a fault of the program itself, which is under way, to a file; its path."""
    handle, name = tempfile.mkstemp(prefix="mixrender-fault-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
        traceback.print_exc(file=file)
    return Path(name)
