"""The path of an audio file in, its TrackFacts out: from the library where they are known, else measured."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from mixrender.analysis.store import FactsStore, SeenFile, Stamp, held_grid, is_locked
from mixrender.analysis.track import ANALYSIS_VERSION, measure, with_grid
from mixrender.audio.cache import Cache
from mixrender.audio.read import probe
from mixrender.audio.sound_hash import content_hash
from mixrender.facts import TrackFacts
from mixrender.progress import NoProgress, Progress


def library_of(cache: Cache) -> FactsStore:
    """The library of tracks that belongs to a cache folder."""
    return FactsStore(cache.root / "library.sqlite3")


def analyze_file(path: Path, *, cache: Cache, progress: Progress | None = None) -> TrackFacts:
    """The facts of one track, from the library if this version of the analysis has heard the same sound.

    A grid that the user set by hand replaces the measured one. Raises AudioError if the file cannot be read,
    MachineError if the library cannot be used. Music without a beat is no error but a grid of kind `none`.
    """
    path = Path(path)
    library = library_of(cache)
    sound = content_hash(path)
    info = probe(path)
    version = f"{ANALYSIS_VERSION} {info.decoder}"
    facts = library.get(sound, version)
    if facts is None:
        with (progress or NoProgress()).task(f"Analysing {path.name}", 1.0) as advance:
            facts = dataclasses.replace(
                measure(info, advance=advance), content_hash=sound, analysis_version=version
            )
        library.put(facts)
    file = SeenFile(path, sound, Stamp.of(path), info.decoder)
    library.saw(file)
    return edited(facts, file, library)


def edited(facts: TrackFacts, file: SeenFile, library: FactsStore) -> TrackFacts:
    """Facts as they were measured, with what the user corrected by hand and the tags of the file."""
    edits = library.edits(facts.content_hash)
    grid = held_grid(edits)
    return dataclasses.replace(
        with_grid(facts, grid) if grid is not None else facts,
        corrections=tuple(edit.words for edit in edits if edit.locked is None),
        locked=is_locked(edits),
        tags=file.tags,
    )
