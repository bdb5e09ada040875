"""The commands about tracks: what is known of them, kept in the library."""

from __future__ import annotations

from pathlib import Path

from mixrender import api
from mixrender.analysis.track_warnings import all_warnings
from mixrender.cli import proofs
from mixrender.cli.options import AsJson, AudioFiles, Jobs, Quiet, leave
from mixrender.errors import MixrenderError
from mixrender.facts import TrackFacts
from mixrender.report import track_document, track_tables
from mixrender.terminal import Terminal


def analyze(
    files: AudioFiles,
    picture: proofs.Picture = None,
    picture_format: proofs.PictureFormat = proofs.Format.PNG,
    click: proofs.Click = None,
    jobs: Jobs = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Find tempo, beats, bars, key, sections and loudness of tracks.

    What is found is kept, by content: a second run on the same files costs next to nothing.
    """
    terminal = Terminal(quiet=quiet, as_json=as_json)
    with terminal.reported():
        proofs.require_apart(files, picture, click)
        found: list[tuple[Path, TrackFacts]] = []
        faults: list[MixrenderError] = []
        for file, result in api.analyze_many(files, progress=terminal.progress(), jobs=jobs):
            if isinstance(result, TrackFacts):
                found.append((file, result))
            else:
                faults.append(result)
                terminal.fault(str(result))
        if found:
            terminal.show(track_tables.facts_table(found))
        for file, facts in found:
            if not as_json:
                terminal.warn([f"{file}: warning: {text}" for text in all_warnings(facts, file=file)])
        documents = [track_document.track_document(file, facts) for file, facts in found]
        pictures = proofs.make_pictures(terminal, found, picture, format=picture_format, faults=faults)
        clicks = proofs.make_clicks(terminal, found, click, faults=faults)
        rows = [a | b | c for a, b, c in zip(documents, pictures, clicks, strict=True)]
        terminal.document({"tracks": rows})
        leave(faults)
