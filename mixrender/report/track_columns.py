"""Tracks of the library in, the columns of a list of them out: what each holds, shows, and is sorted by."""

from __future__ import annotations

import difflib
import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from mixrender.analysis.store import KeptTrack
from mixrender.analysis.summary import TrackSummary
from mixrender.errors import InputError
from mixrender.keys import fifths_place, parse_key
from mixrender.report.certainty import by_hand_in_words, parts_in_doubt, sure_in_words
from mixrender.report.tables import NOT_MEASURABLE, number
from mixrender.units import format_time

Value = str | float | bool | None


def _fold(value: Any) -> Any:
    return value.casefold() if isinstance(value, str) else value


def _words(value: Any) -> str:
    return value or ""


@dataclass(frozen=True)
class Column:
    """One column: `name` asks for it, `header` stands over it in tables, `field` in CSV, both with units.

    `value` is what CSV gets, `text` what people see, `order` what it is sorted by; what is None stays last.
    A header ends in `*` where the column holds words.
    """

    name: str
    header: str
    field: str
    value: Callable[[KeptTrack], Value]
    text: Callable[[Any], str] = _words
    order: Callable[[Any], Any] = _fold


def _of_summary(name: str) -> Callable[[KeptTrack], Any]:
    return lambda track: getattr(track.summary, name) if track.summary else None


def _of_tags(name: str) -> Callable[[KeptTrack], Any]:
    return operator.attrgetter(f"tags.{name}")


def _figure(digits: int) -> Callable[[Any], str]:
    return lambda value: number(value, digits=digits)


def _or_dash(value: Any) -> str:
    return value or NOT_MEASURABLE


def _time(seconds: float | None) -> str:
    return NOT_MEASURABLE if seconds is None else format_time(seconds)


def _sure(track: KeptTrack) -> str | None:
    found: TrackSummary | None = track.summary
    if found is None:
        return None
    return sure_in_words(found.grid, parts_in_doubt(found.grid, found.confidence, found.doubts))


def _by_hand(track: KeptTrack) -> str:
    return by_hand_in_words(is_corrected=track.corrections > 0, is_locked=track.locked)


def _key_order(key: str) -> tuple[int, str]:
    """Along the circle of fifths, each minor key beside its relative major."""
    found = parse_key(key)
    return fifths_place(found), found.mode


def _sure_order(words: str) -> tuple[int, str]:
    """Sure tracks first, then those with one part in doubt, then more."""
    return (words.count("?"), words) if words != "no beat" else (9, words)


COLUMNS: tuple[Column, ...] = (
    Column("track", "track*", "name", lambda track: track.path.name),
    Column("artist", "artist*", "artist", _of_tags("artist")),
    Column("title", "title*", "title", _of_tags("title")),
    Column("tempo", "BPM", "tempo_bpm", _of_summary("tempo_bpm"), _figure(2)),
    Column("key", "key*", "key", _of_summary("key"), _or_dash, _key_order),
    Column("length", "length", "duration_s", _of_summary("duration_s"), _time),
    Column("loudness", "I LUFS", "integrated_lufs", _of_summary("integrated_lufs"), _figure(1)),
    Column("grid", "grid*", "grid", _of_summary("grid"), _or_dash),
    Column("sure", "sure*", "sure", _sure, lambda words: words or "not analysed", _sure_order),
    Column("by-hand", "by hand*", "by_hand", _by_hand),
    Column("peak", "true peak dBTP", "true_peak_dbtp", _of_summary("true_peak_dbtp"), _figure(1)),
    Column("album", "album*", "album", _of_tags("album")),
    Column("genre", "genre*", "genre", _of_tags("genre")),
    Column("date", "date*", "date", _of_tags("date")),
    Column("tag-tempo", "tag BPM", "tag_tempo_bpm", _of_tags("tempo_bpm"), _figure(2)),
    Column("tag-key", "tag key*", "tag_key", _of_tags("key"), _or_dash, _key_order),
    Column("missing", "missing*", "missing", lambda track: track.is_missing, lambda is_so: "missing" * is_so),
    Column("file", "file*", "file", lambda track: str(track.path)),
)
"""Every column there is; a table shows the first SHOWN unless told."""

SHOWN = 10


def columns_named(names: str | None) -> tuple[Column, ...]:
    """The columns of a list of names with commas between; all for None.

    Raises InputError for a name that is none, with the names that are.
    """
    return COLUMNS if names is None else tuple(column_named(name) for name in names.split(","))


def column_named(name: str) -> Column:
    """The column of that name; raises InputError, with the names there are."""
    for column in COLUMNS:
        if column.name == name.strip().casefold():
            return column
    names = [column.name for column in COLUMNS]
    near = difflib.get_close_matches(name.strip().casefold(), names, n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    raise InputError(f"there is no column {name.strip()!r}; the columns are: {', '.join(names)}.{hint}")


def in_order_of(column: Column, tracks: Sequence[KeptTrack], *, is_reversed: bool) -> list[KeptTrack]:
    """The tracks sorted by a column; equal ones stay as they were, those without a value come last."""
    valued = [(column.value(track), track) for track in tracks]
    known = [(column.order(value), track) for value, track in valued if value not in (None, "")]
    known.sort(key=operator.itemgetter(0), reverse=is_reversed)
    return [track for _, track in known] + [track for value, track in valued if value in (None, "")]
