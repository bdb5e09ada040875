"""A plan file goes in; the plan, or every problem in it at once with its place, comes out."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from mixrender.errors import InputError, PlanError, Problem
from mixrender.plan.check import check_plan
from mixrender.plan.entries import Entries, track_entries
from mixrender.plan.faults import Loc, faults_of, words_of
from mixrender.plan.model import Plan, path_text
from mixrender.plan.places import kind_of
from mixrender.plan.quantities import nearest
from mixrender.plan.source import MAX_CHARACTERS, Place, Source, read_source

_ROUNDS = 4
"""What is left of a plan without its faults may be at fault itself, such as an edit without its place."""

_NO_TRACKS = "the plan has no tracks; write `tracks:` and, below it, a list of audio files"


def load_plan(path: Path | str) -> Plan:
    """Read and check a plan file; doubts stay in the plan's `warnings`.

    Raises InputError if the file cannot be read, PlanError with all problems if the plan is at fault.
    """
    file = Path(path)
    return _read(_text_of(file), file, checked=True)


def parse_plan(text: str, *, file: Path | None = None) -> Plan:
    """Read the text of a plan, without the checks that `load_plan` adds; no file need exist.

    `file` is named in messages, and relative paths start from its folder. Raises PlanError.
    """
    return _read(text, file, checked=False)


def _text_of(file: Path) -> str:
    try:
        # One byte more than may be read tells a file that is too long; a character has 4 bytes at most.
        with file.open("rb") as stream:
            content = stream.read(4 * MAX_CHARACTERS + 1)
    except FileNotFoundError:
        raise InputError(f"{file}: there is no such plan file") from None
    except IsADirectoryError:
        raise InputError(f"{file}: this is a folder; name the plan file in it") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(f"{file}: the plan cannot be read ({reason})") from None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if len(content) > 4 * MAX_CHARACTERS:
            raise PlanError([Problem("this file is far too long for a plan", "", file, 1, 1)]) from None
        before = content[: error.start]
        line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
        message = "the plan is not written in UTF-8 (or is no text at all); save it as UTF-8"
        raise PlanError([Problem(message, "", file, line, column)]) from None


def _read(text: str, file: Path | None, *, checked: bool) -> Plan:
    text = text.removeprefix("\ufeff")
    source = read_source(text, file=file)
    document = _Document(source, file, text.split("\n"))
    plan = document.plan()
    problems = document.problems
    if checked and plan is not None:
        problems = problems + check_plan(plan, broken=document.broken)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors or plan is None:
        raise PlanError(errors)
    return plan.warned([problem for problem in problems if problem.severity == "warning"])


class _Document:
    """One plan on its way from data to model, with the problems met so far and the paths they broke."""

    def __init__(self, source: Source, file: Path | None, lines: list[str]):
        self.problems: list[Problem] = []
        self.broken: set[Loc] = set()
        self._source = source
        self._file = file
        self._lines = lines
        self._entries = Entries()

    def plan(self) -> Plan | None:
        """The plan; where it has faults, what is left without them, for more checks, or None."""
        data = self._source.data
        if not isinstance(data, dict):
            empty = data is None
            message = "the plan is empty" if empty else f"found {kind_of(data)} where a map is expected"
            self._add((), f"{message}; the shortest plan is `tracks:` and, below it, a list of audio files")
            return None
        self._entries = track_entries(data.get("tracks"))
        for raw, message, place in self._source.problems:
            self._add(self._public(raw), message, place)
        self._add_track_problems(data)
        data = data | {"tracks": self._entries.fields}
        plan = self._validated(data)
        if plan is None or not plan.tracks:
            return None
        return plan.located(file=self._file, places=self._places(), lines=self._lines)

    def _add_track_problems(self, data: dict[str, Any]) -> None:
        if "tracks" not in data:
            unknown = [key for key in data if key not in words_of(Plan)]
            if nearest("tracks", unknown) is None:  # otherwise the unknown field is named, with this one
                self._add((), _NO_TRACKS)
            return
        for raw, message in self._entries.problems:
            path = self._public(raw)
            if path not in self.broken:
                self._add(path, message, self._place(raw, at_key=" name" in message))

    def _validated(self, data: dict[str, Any]) -> Plan | None:
        try:
            return _validate(data)
        except ValidationError as error:
            faults = faults_of(error, data)
        for path, message in faults:
            raw = self._raw(path)
            public = self._public(raw)
            if public not in self.broken:
                at_key = message.startswith("unknown ")
                self._add(public, message, self._place(raw, at_key=at_key))
        return _without(data, [path for path, _ in faults])

    def _add(self, path: Loc, message: str, place: Place | None = None) -> None:
        line, column = place or (1, 1)
        self.broken.add(path)
        self.problems.append(Problem(message, path_text(path), self._file, line, column))

    def _raw(self, path: Loc) -> Loc:
        """Where a path in the model's data stands in the file."""
        if len(path) >= 2 and path[0] == "tracks" and isinstance(path[1], int):
            return self._entries.paths[path[1]] + path[2:]
        return path

    def _public(self, raw: Loc) -> Loc:
        """A path in the file as it is called everywhere else: tracks by their names."""
        for name, start in zip(self._entries.names, self._entries.paths, strict=True):
            if raw[: len(start)] == start:
                return ("tracks", name, *raw[len(start) :])
        return raw

    def _place(self, raw: Loc, *, at_key: bool = False) -> Place:
        for end in range(len(raw), -1, -1):
            if at_key and raw[:end] in self._source.keys:
                return self._source.keys[raw[:end]]
            if raw[:end] in self._source.places:
                return self._source.places[raw[:end]]
        return (1, 1)

    def _places(self) -> dict[Loc, Place]:
        return {self._public(raw): place for raw, place in self._source.places.items()}


def _without(data: dict[str, Any], paths: list[Loc]) -> Plan | None:
    """The plan without what stands at the paths, nor what is wrong without that; None if nothing is left."""
    for _ in range(_ROUNDS):
        data = _pruned(data, paths)
        try:
            return _validate(data)
        except ValidationError as error:
            paths = [path for path, _ in faults_of(error, data)]
    return None


def _validate(data: dict[str, Any]) -> Plan:
    return Plan.model_validate(data, context={"yaml": True}, by_alias=True, by_name=False)


def _pruned(data: dict[str, Any], paths: Iterable[Loc]) -> dict[str, Any]:
    """The data without what stands at the paths."""
    rest = copy.deepcopy(data)
    # From the last to the first, so that removing an item of a list moves none that is still to be removed.
    for path in sorted(set(paths), key=_order, reverse=True):
        holder: Any = rest
        for part in path[:-1]:
            holder = holder[part]
        if path:
            del holder[path[-1]]
    return rest


def _order(path: Loc) -> list[tuple[int, str]]:
    return [(part, "") if isinstance(part, int) else (-1, part) for part in path]
