"""The ways to write `tracks:` go in; one map of fields per track, its name, and its place come out."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

from mixrender.plan.fields import checked_name
from mixrender.plan.places import kind_of
from mixrender.plan.quantities import shorten

RawPath = tuple[str | int, ...]

_HOW = "write a list of files, or names and their files such as `ferry: audio/ferry.flac`"


@dataclass
class Entries:
    """Tracks in order: the `fields` of each, its `name` among them, and where it stands: `paths`."""

    fields: list[dict[str, Any]] = field(default_factory=list)
    paths: list[RawPath] = field(default_factory=list)
    problems: list[tuple[RawPath, str]] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        """The names, in order."""
        return [entry["name"] for entry in self.fields]


def track_entries(tracks: Any) -> Entries:
    """Read the value of `tracks:`: a map of names, or a list of files, of maps, or of `name: file`."""
    entries = Entries()
    if isinstance(tracks, dict):
        for name, value in tracks.items():
            _add(entries, name, value, ("tracks", name))
    elif isinstance(tracks, list):
        _read_list(entries, tracks)
    elif tracks is not None:
        entries.problems.append((("tracks",), f"found {kind_of(tracks)}; {_HOW}"))
        return entries
    if not entries.fields and not entries.problems:
        entries.problems.append((("tracks",), f"there is no track here; {_HOW}"))
    return entries


def name_of_file(file: str) -> str:
    """Name a track gets from its file: letters, digits, `-` and `_` of the file name without its ending."""
    stem = unicodedata.normalize("NFC", PurePath(file).stem)
    return re.sub(r"-{2,}", "-", re.sub(r"[^\w-]+", "-", stem)).strip("-") or "track"


def unique_name(name: str, taken: Iterable[str]) -> str:
    """The name, or the name with the first free number from 2 behind it."""
    used = set(taken)
    number, result = 2, name
    while result in used:
        result, number = f"{name}-{number}", number + 1
    return result


def _read_list(entries: Entries, tracks: list[Any]) -> None:
    written = {next(iter(item)) for item in tracks if isinstance(item, dict) and _is_named(item)}
    files: dict[PurePath, str] = {}
    for index, item in enumerate(tracks):
        path: RawPath = ("tracks", index)
        if isinstance(item, dict) and _is_named(item):
            name, value = next(iter(item.items()))
            if name in entries.names:
                entries.problems.append(((*path, name), f"two tracks are named `{name}`; rename one"))
            else:
                _add(entries, name, value, (*path, name))
            continue
        file = item.get("file") if isinstance(item, dict) else item
        if isinstance(item, dict) and "file" not in item:
            entries.problems.append((path, _unnamed(item)))
        elif isinstance(file, str):
            first = files.get(PurePath(file))
            if first is not None:
                text = f"one file twice needs two names: write this one as `{first}-again: {file}`"
                entries.problems.append((path, text))
                continue
            name = unique_name(name_of_file(file), {*entries.names, *written})
            files[PurePath(file)] = name
            _add(entries, name, item, path)
        elif item is not None:
            entries.problems.append((path, f"found {kind_of(file)}; {_HOW}"))


def _is_named(item: dict[str, Any]) -> bool:
    return len(item) == 1 and "file" not in item


def _unnamed(item: dict[str, Any]) -> str:
    first = next(iter(item), None)
    if first is None:
        return f"this entry is empty; {_HOW}"
    return (
        f"a track with more than a file has its fields under its name: `{shorten(first)[1:-1]}:`, then "
        "indented `file: …` and the others"
    )


def _add(entries: Entries, name: str, value: Any, path: RawPath) -> None:
    fields: dict[str, Any]
    try:
        checked_name(name)
    except ValueError as error:
        entries.problems.append((path, str(error)))
        return
    if isinstance(value, dict):
        fields = dict(value)
        if "name" in fields:
            text = "unknown field `name`; a track's name is the word that it stands under in `tracks`"
            entries.problems.append(((*path, "name"), text))
    elif isinstance(value, str):
        fields = {"file": value}
    else:
        if value is not None:
            text = f"found {kind_of(value)}; write a file, or a map such as `{{file: audio/ferry.flac}}`"
            entries.problems.append((path, text))
        return
    entries.fields.append(fields | {"name": name})
    entries.paths.append(path)
