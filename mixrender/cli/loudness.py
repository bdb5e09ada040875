"""The command that measures any audio file."""

from __future__ import annotations

from pathlib import Path

from mixrender import api
from mixrender.cli.options import AsJson, AudioFiles, Quiet, leave
from mixrender.errors import MixrenderError
from mixrender.facts import Loudness
from mixrender.report import document, tables
from mixrender.terminal import Terminal


def loudness(
    files: AudioFiles,
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
        leave(faults)
