"""Tracks: what can be found out about them, kept in the library."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

from mixrender.api.files import find_audio
from mixrender.api.scan import analyze_all
from mixrender.audio.cache import Cache
from mixrender.errors import MixrenderError
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
    files: Sequence[Path],
    *,
    cache: Cache | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
) -> Iterator[tuple[Path, TrackFacts | MixrenderError]]:
    """The facts of each file, folders being searched; a file that cannot be used yields its fault.

    What is not known yet is analysed by up to `jobs` processes (None: one for each processor, at most 8).
    """
    found = find_audio(files)
    usable = [file for file, fault in found if fault is None]
    outcomes = analyze_all(usable, cache=cache or Cache(), progress=progress or NoProgress(), jobs=jobs)
    with closing(outcomes):
        for file, fault in found:
            yield (file, fault) if fault else next(outcomes)
