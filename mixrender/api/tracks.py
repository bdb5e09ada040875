"""Tracks: what can be found out about them, kept in the library."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from mixrender.api.files import audio_files
from mixrender.audio.cache import Cache
from mixrender.errors import InputError, MixrenderError
from mixrender.facts import TrackFacts
from mixrender.progress import NoProgress, Progress


def analyze(file: Path | str, *, cache: Cache | None = None, progress: Progress | None = None) -> TrackFacts:
    """What can be found out about one track: grid, key, sections, loudness; kept by content.

    Raises AudioError if the file cannot be used.
    """
    # The analysis imports what takes the longest to load, and half of the commands do without it.
    from mixrender.analysis.library import analyze_file

    return analyze_file(Path(file), cache=cache or Cache(), progress=progress or NoProgress())


def analyze_many(
    files: Sequence[Path], *, cache: Cache | None = None, progress: Progress | None = None
) -> Iterator[tuple[Path, TrackFacts | MixrenderError]]:
    """The facts of each file, folders being searched; a file that cannot be used yields its fault."""
    shared = cache or Cache()
    for file in audio_files(files):
        try:
            yield file, analyze(file, cache=shared, progress=progress)
        except InputError as fault:
            yield file, fault
