"""A file and what shall be corrected in its grid go in; what is known of the track from then on comes out.

Corrections by hand are kept in the library under the sound of the file, and hold in every plan.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from mixrender.api.tracks import analyze
from mixrender.audio.cache import Cache
from mixrender.errors import InputError
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Count
from mixrender.plan.places import Shift
from mixrender.plan.quantities import GRID_TEMPO, to_beats_per_bar, to_duration
from mixrender.progress import Progress
from mixrender.timing.corrections import Change, Correction, CorrectionError, Field, corrected, grid_command

if TYPE_CHECKING:
    from mixrender.analysis.store import FactsStore

OPTIONS: Mapping[Field, str] = {
    "tempo": "--tempo",
    "count": "--double or --half",
    "shift": "--shift",
    "bar_1": "--bar-1",
    "bar_line": "--bar-line",
    "beats_per_bar": "--beats-per-bar",
}
"""What asks for each change on the command line."""

_COMMAND_TEMPO = dataclasses.replace(GRID_TEMPO, unit_optional=True)

T = TypeVar("T")


@dataclass(frozen=True)
class CorrectedTrack:
    """What is known of a track from now on, and what was changed just now, in its order."""

    facts: TrackFacts
    changes: Sequence[Change] = ()


def read_correction(
    *,
    tempo: str | None = None,
    count: Count = "plain",
    shift: str | None = None,
    bar_1: str | None = None,
    bar_line: str | None = None,
    beats_per_bar: str | None = None,
) -> Correction:
    """The correction that texts of the plan's language ask for; a tempo may go without its unit.

    Raises InputError for a text that says nothing, naming the option.
    """
    if bar_1 is not None and bar_line is not None:
        raise InputError("--bar-1 and --bar-line both say where a bar begins; give one of them")
    return Correction(
        tempo_bpm=_read("tempo", _COMMAND_TEMPO.parse, tempo),
        count=count,
        shift=_read("shift", Shift.parse, shift),
        bar_1_s=_read("bar_1", _time, bar_1),
        bar_line_s=_read("bar_line", _time, bar_line),
        beats_per_bar=_read("beats_per_bar", to_beats_per_bar, beats_per_bar),
    )


def _read(field: Field, parse: Callable[[str], T], text: str | None) -> T | None:
    try:
        return None if text is None else parse(text)
    except ValueError as error:
        raise InputError(f"{OPTIONS[field]}: {error}") from None


def _time(text: str) -> float:
    return to_duration(text, example="12.345 s")


def correct_grid(
    file: Path | str,
    wanted: Correction | None = None,
    *,
    lock: bool | None = None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> CorrectedTrack:
    """Correct the grid of a track by hand, for this and every later plan, and lock or unlock it.

    Unlocking comes before the changes, locking after them. Either all changes are kept or none. Raises
    InputError where the grid is locked or cannot be changed so, AudioError if the file cannot be used.
    """
    file, shared = Path(file), cache or Cache()
    facts = analyze(file, cache=shared, progress=progress)
    changes = _changes(file, facts, wanted or Correction(), locked=facts.locked and lock is not False)
    store = _store(shared)
    if lock is False and facts.locked:
        _unlock(store, facts.content_hash)
    _keep(store, facts.content_hash, changes)
    after = changes[-1].after if changes else facts.grid
    if lock and not facts.locked:
        _lock(store, facts.content_hash, after)
    return CorrectedTrack(analyze(file, cache=shared, progress=progress), changes)


def undo_grid(
    file: Path | str,
    *,
    everything: bool = False,
    unlock: bool = False,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> CorrectedTrack:
    """Take back the last correction by hand of a track's grid, or all of them.

    Raises InputError where there is none, or where the grid is locked and is not to be unlocked first.
    """
    file, shared = Path(file), cache or Cache()
    before = analyze(file, cache=shared, progress=progress)
    if before.locked and not unlock:
        raise _locked(file)
    store, sound = _store(shared), before.content_hash
    if before.locked:
        _unlock(store, sound)
    undone = _undo(store, sound, everything=everything)
    if not undone and not everything:
        raise InputError(f"{file}: there is nothing to undo: the grid was not corrected by hand")
    after = analyze(file, cache=shared, progress=progress)
    changes = [Change(f"undone: {'; '.join(undone)}", before.grid, after.grid)] if undone else []
    return CorrectedTrack(after, tuple(changes))


def _changes(file: Path, facts: TrackFacts, wanted: Correction, *, locked: bool) -> list[Change]:
    if not wanted:
        return []
    if locked:
        raise _locked(file)
    try:
        return corrected(facts.grid, wanted, first_sound_s=facts.first_sound_s, duration_s=facts.duration_s)
    except CorrectionError as fault:
        raise InputError(_in_words(file, fault)) from None


def _in_words(file: Path, fault: CorrectionError) -> str:
    """A fault of a correction, with the options that would do."""
    text = f"{file}: {OPTIONS[fault.field]}: {fault}"
    if not fault.missing:
        return text
    example = grid_command(file, "--tempo 126 --bar-1 '0.231 s'")
    return f"{text}; say both what the tempo is and where bar 1 begins, such as `{example}`"


def _locked(file: Path) -> InputError:
    return InputError(f"{file}: the grid is locked; `{grid_command(file, '--unlock')}` lets it be changed")


# --- what is kept ----------------------------------------------------------------------------------------


def _store(cache: Cache) -> FactsStore:
    # Like the analysis itself, it is loaded by those who need it.
    from mixrender.analysis.library import library_of

    return library_of(cache)


def _keep(store: FactsStore, sound: str, changes: list[Change]) -> None:
    from mixrender.analysis.store import Edit

    for change in changes:
        store.add_edit(sound, Edit(change.words, change.after))


def _lock(store: FactsStore, sound: str, grid: Grid) -> None:
    """Lock the grid as it is: a later analysis, too, is not to change it."""
    from mixrender.analysis.store import Edit

    store.add_edit(sound, Edit("locked", grid, locked=True))


def _unlock(store: FactsStore, sound: str) -> None:
    """Take back the lock, which is the last edit, as nothing can be changed after it."""
    from mixrender.analysis.store import Edit

    edits = store.edits(sound)
    if edits and edits[-1].locked:
        store.undo_edit(sound)
    else:
        store.add_edit(sound, Edit("unlocked", locked=False))


def _undo(store: FactsStore, sound: str, *, everything: bool) -> list[str]:
    """Drop the last correction, or every one, in words, the last first; locks between them go too."""
    undone: list[str] = []
    while (everything or not undone) and (edit := store.undo_edit(sound)) is not None:
        if edit.locked is None:
            undone.append(edit.words)
    return undone
