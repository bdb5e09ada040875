"""A rehearsal run by the command, as a user starts it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from mixes import LEAD_BARS, TAIL_BARS

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Rehearsal:
    """A plan that is served: its file, and the page's address."""

    plan_file: Path
    url: str
    process: subprocess.Popen[str]

    def save(self, text: str) -> None:
        """Save another plan as many editors do: to a file beside it that takes its place."""
        beside = self.plan_file.with_suffix(".new")
        beside.write_text(text, encoding="utf-8")
        beside.replace(self.plan_file)


@contextmanager
def rehearsing(plan_file: Path, *, cache: Path) -> Iterator[Rehearsal]:
    """Run `mixrender rehearse` on a free port until the context ends, and hold that it ends well."""
    command = [sys.executable, "-m", "mixrender", "rehearse", str(plan_file), "--no-open"]
    command += ["--lead", str(LEAD_BARS), "--tail", str(TAIL_BARS)]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"MIXRENDER_CACHE": str(cache), "COLUMNS": "1000"},
        start_new_session=True,
    )
    assert process.stdout is not None
    try:
        url = next(filter(None, map(_address, process.stdout)), None)
        assert url, f"the command ended with status {process.wait(PATIENCE_S)}"
        yield Rehearsal(plan_file, url, process)
    finally:
        process.send_signal(signal.SIGINT)
        try:
            status = process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            status = process.wait()
        process.stdout.close()
    assert status == 0


def _address(line: str) -> str | None:
    found = re.search(r"http://127\.0\.0\.1:\d+/\S*", line)
    return found[0] if found else None
