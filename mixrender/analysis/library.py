"""The path of an audio file in, its TrackFacts out: from the library where they are known, else measured."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from mixrender.analysis.recount import with_grid
from mixrender.analysis.store import FactsStore, SeenFile, Stamp, held_grid, is_locked
from mixrender.analysis.version import ANALYSIS_VERSION
from mixrender.audio.access import faults_named, require_file
from mixrender.audio.cache import Cache
from mixrender.audio.file_tags import read_tags
from mixrender.audio.read import AudioInfo, decoder_in, is_present, probe, reader_of
from mixrender.audio.sound_hash import content_hash, whole_file_hash
from mixrender.errors import AudioError
from mixrender.facts import TrackFacts
from mixrender.progress import NoProgress, Progress


def library_of(cache: Cache) -> FactsStore:
    """The library of tracks that belongs to a cache folder, or is named by itself: see Cache.library_path."""
    return FactsStore(cache.library_path)


def known(path: Path, *, cache: Cache) -> TrackFacts | None:
    """The facts of a file that has not changed since it was analysed; None for any other.

    The file is not opened: size and times tell whether it has changed.
    """
    library = library_of(cache)
    file = _unchanged(path, library)
    facts = library.get(file.content_hash, _version(decoder_in(file.reader))) if file else None
    return edited(facts, file, library) if file and facts else None


def is_known(path: Path, *, cache: Cache) -> bool:
    """Whether `known` has something to tell, found out faster than what."""
    library = library_of(cache)
    file = _unchanged(path, library)
    return file is not None and library.has(file.content_hash, _version(decoder_in(file.reader)))


def _unchanged(path: Path, library: FactsStore) -> SeenFile | None:
    try:
        stamp = Stamp.of(path)
    except OSError:
        return None
    file = library.seen(path)
    return file if file is not None and file.stamp == stamp and is_present(file.reader) else None


def analyze_file(path: Path, *, cache: Cache, progress: Progress | None = None) -> TrackFacts:
    """The facts of one track, from the library if this version of the analysis has heard the same sound.

    A file that has not changed costs a look at its size and times; one that was moved, copied or got other
    tags is known by its sound. A grid that the user set by hand replaces the measured one. Raises AudioError
    if the file cannot be read, MachineError if the library cannot be used. Music without a beat is no error
    but a grid of kind `none`.
    """
    path = Path(path)
    found = known(path, cache=cache)
    if found is not None:
        return found
    library, stamp = library_of(cache), _stamp(path)
    sound = content_hash(path)
    info = probe(path)
    kept = library.get(sound, _version(info.decoder))
    facts = kept or _measured(info, sound, progress or NoProgress())
    file = SeenFile(path, sound, stamp, reader_of(info.decoder), read_tags(path))
    if _stamp(path) != stamp:
        raise AudioError(
            path, "it changed while it was read. Wait until whatever writes it has done so, and run it again."
        )
    if kept is None:
        library.put(facts)
    _remember(file, library)
    return edited(facts, file, library)


def _measured(info: AudioInfo, sound: str, progress: Progress) -> TrackFacts:
    # Imported here because it takes a second, and a track that is known needs none of it.
    from mixrender.analysis.track import measure

    with progress.task(f"Analysing {info.path.name}", 1.0) as advance:
        facts = measure(info, advance=advance)
    return dataclasses.replace(facts, content_hash=sound, analysis_version=_version(info.decoder))


def _version(decoder: str) -> str:
    """What facts depend on beside the sound: times in them count samples as this decoder gives them."""
    return f"{ANALYSIS_VERSION} {decoder}"


def _stamp(path: Path) -> Stamp:
    require_file(path)
    with faults_named(path):
        return Stamp.of(path)


def _remember(file: SeenFile, library: FactsStore) -> None:
    """Note the place of a file; what an older version or an older place kept of its sound goes with it."""
    if library.knows_whole_files():
        library.adopt(whole_file_hash(file.path), file.content_hash)
    for place in library.places(file.content_hash):
        # Renamed or moved. Where the folder is gone as well, a drive may just not be there now.
        if place.parent.is_dir() and not place.exists():
            library.forget(place)
    library.saw(file)


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
