"""The text of a plan file goes in; maps, lists and texts come out, with the place of each and what is wrong.

All scalars stay texts, as written: what `97`, `true` or `2026-11-21` mean is for the plan's model to say, so
that no YAML reader's idea of numbers, dates or yes and no gets in between.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionEndEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from mixrender.errors import PlanError, Problem
from mixrender.plan.quantities import shorten

MAX_CHARACTERS = 1_000_000
MAX_DEPTH = 24
MAX_NODES = 50_000
"""Limits far above any mix; they keep nesting and aliases of aliases from eating the machine."""

RawPath = tuple[str | int, ...]
Place = tuple[int, int]

_NULLS = ("", "~", "null", "Null", "NULL")
_FORBIDDEN = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f\\ud800-\\udfff]")
"""Control characters and halves of characters: escapes can spell them, no name or title holds them."""
_STRING_TAGS = ("!", "tag:yaml.org,2002:str")


@dataclass
class Source:
    """A plan file as data: dicts, lists, texts and None; `places` are lines and columns from 1.

    A key's place stands under `keys`; under `places` stands its value's, or the key's where the value is a
    map or a list, or begins on another line. `problems` holds what is wrong and did not keep the rest from
    being read.
    """

    data: Any = None
    places: dict[RawPath, Place] = field(default_factory=dict)
    keys: dict[RawPath, Place] = field(default_factory=dict)
    problems: list[tuple[RawPath, str, Place]] = field(default_factory=list)


@dataclass
class _Node:
    """A scalar (`text`), a list (`items`) or a map (`items` hold keys and values in turn)."""

    kind: str
    place: Place
    text: str | None = None
    plain: bool = False
    items: list[_Node] = field(default_factory=list)
    anchor: str | None = None


def read_source(text: str, *, file: Path | None) -> Source:
    """Read the one document of a plan file. Raises PlanError where it is not YAML or beyond the limits."""
    if len(text) > MAX_CHARACTERS:
        raise _fault(file, (1, 1), f"the plan has more than {MAX_CHARACTERS:,} characters; no mix needs that")
    source = Source()
    root = _build(text, source, file)
    if root is not None:
        _Expander(source, file).fill(root)
    return source


def _fault(file: Path | None, place: Place, message: str) -> PlanError:
    return PlanError([Problem(message, "", file, *place)])


# --- events to nodes -------------------------------------------------------------------------------------


def _events(text: str, file: Path | None) -> Iterator[Event]:
    try:
        yield from YAML(typ="safe", pure=True).parse(text)
    except ReaderError as error:
        before = text[: error.position]
        place = (before.count("\n") + 1, len(before) - before.rfind("\n"))
        raise _fault(
            file, place, f"the character U+{_code(error.character):04X} is not allowed in YAML"
        ) from None
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        if _is_left_open(error):
            mark = error.context_mark or mark
        place = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise _fault(file, place, _in_plain_words(error, text, place)) from None
    except (YAMLError, ArithmeticError, LookupError, ValueError, TypeError, AttributeError, AssertionError):
        # The parser lets other errors through for some broken escapes and directives, without a place.
        raise _fault(
            file, (1, 1), "this is not YAML; look for a broken escape or a line that begins with %"
        ) from None


def _code(character: Any) -> int:
    return character if isinstance(character, int) else ord(str(character)[:1] or "\0")


def _is_left_open(error: MarkedYAMLError) -> bool:
    """Whether a quote or bracket is the fault; the place to show is then where it was opened."""
    context = str(error.context)
    at_end = "end of stream" in str(error.problem) and "quoted scalar" in context
    return at_end or context.startswith(("while parsing a flow sequence", "while parsing a flow mapping"))


def _in_plain_words(error: MarkedYAMLError, text: str, place: Place) -> str:
    problem = str(error.problem or "")
    lines = text.split("\n")
    line = lines[place[0] - 1] if place[0] <= len(lines) else ""
    if "'\\t'" in problem or line[: len(line) - len(line.lstrip())].count("\t"):
        return "there is a tab here; indent with spaces"
    if "mapping values are not allowed" in problem:
        return "this `:` is not expected; a text that holds `: ` needs quotes, and keys of one map line up"
    if "could not find expected ':'" in problem:
        return "a `key: value` is expected here; is a `:` missing, or the space after it?"
    if "expected <block end>" in problem:
        return "the indentation does not fit what stands above; entries of one map or list line up"
    if "cannot start any token" in problem:
        return f"{shorten(line[place[1] - 1 : place[1]])} cannot begin a text here; put the text in quotes"
    if _is_left_open(error):
        return f"what {shorten(line[place[1] - 1 : place[1]])} opens here is not closed, or lacks a comma"
    context = f" ({error.context})" if error.context else ""
    return f"this is not YAML: {problem}{context}"


def _build(text: str, source: Source, file: Path | None) -> _Node | None:
    """Root node of the document, None if there is none; with a stack instead of calls, whatever the depth."""
    anchors: dict[str, _Node] = {}
    stack: list[_Node] = []
    root: _Node | None = None
    documents = 0
    for event in _events(text, file):
        mark = event.start_mark
        place = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        if isinstance(event, DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise _fault(file, place, "a second document begins here (`---`); a plan file holds one")
        node = _node_of(event, anchors, stack, place, file)
        if node is None:
            continue
        if not isinstance(event, (AliasEvent, CollectionEndEvent)):
            _check_tag(event, source, place)
        if isinstance(event, (MappingStartEvent, SequenceStartEvent)):
            if len(stack) >= MAX_DEPTH:
                raise _fault(file, place, f"maps and lists are nested more than {MAX_DEPTH} deep here")
            stack.append(node)
            continue
        if node.anchor is not None:
            anchors[node.anchor] = node
        if stack:
            stack[-1].items.append(node)
        else:
            root = node
    return root


def _node_of(
    event: Event, anchors: dict[str, _Node], stack: list[_Node], place: Place, file: Path | None
) -> _Node | None:
    """The node that an event begins or, at the end of a map or list, completes."""
    if isinstance(event, ScalarEvent):
        if match := _FORBIDDEN.search(event.value):
            raise _fault(file, place, f"the character U+{ord(match[0]):04X} has no place in a plan")
        plain = event.style in (None, "")
        return _Node("text", place, event.value, plain=plain, anchor=event.anchor)
    if isinstance(event, MappingStartEvent):
        return _Node("map", place, anchor=event.anchor)
    if isinstance(event, SequenceStartEvent):
        return _Node("list", place, anchor=event.anchor)
    if isinstance(event, (MappingEndEvent, SequenceEndEvent)):
        return stack.pop()
    if isinstance(event, AliasEvent):
        if event.anchor not in anchors:
            raise _fault(
                file, place, f"`*{event.anchor}` refers to `&{event.anchor}`, which does not stand before"
            )
        target = anchors[event.anchor]
        return _Node(target.kind, place, target.text, target.plain, target.items)
    return None


def _check_tag(event: Any, source: Source, place: Place) -> None:
    if event.tag is not None and event.tag not in _STRING_TAGS:
        source.problems.append(
            ((), f"the tag {shorten(str(event.tag))} has no meaning in a plan; remove it", place)
        )


# --- nodes to data ---------------------------------------------------------------------------------------


class _Expander:
    """Fills a Source from nodes, aliases written out."""

    def __init__(self, source: Source, file: Path | None):
        self._source = source
        self._file = file
        self._count = 0

    def fill(self, root: _Node) -> None:
        self._source.places[()] = (1, 1)
        self._source.data = self._data(root, ())

    def _data(self, node: _Node, path: RawPath) -> Any:
        self._count += 1
        if self._count > MAX_NODES or len(path) > 2 * MAX_DEPTH:
            raise _fault(
                self._file, node.place, f"the plan holds more than {MAX_NODES:,} values, aliases written out"
            )
        if node.kind == "map":
            return self._map(node, path)
        if node.kind == "list":
            return [self._item(item, (*path, i)) for i, item in enumerate(node.items)]
        return None if node.plain and node.text in _NULLS else node.text

    def _item(self, node: _Node, path: RawPath) -> Any:
        self._source.places[path] = node.place
        value = self._data(node, path)
        if value is None:
            self._problem(path, "this entry is empty; write a value or remove the line", node.place)
        return value

    def _map(self, node: _Node, path: RawPath) -> dict[str, Any]:
        result: dict[str, Any] = {}
        merged: list[_Node] = []
        for key, value in zip(node.items[::2], node.items[1::2], strict=True):
            if key.kind != "text" or key.text is None:
                self._problem(path, "a key must be a plain text, not a list or a map", key.place)
            elif key.text == "<<" and key.plain:
                merged.extend(value.items if value.kind == "list" else [value])
            elif key.text in result:
                first = self._source.keys[(*path, key.text)][0]
                here = (*path, key.text)
                self._problem(
                    here, f"`{key.text}` stands twice here, first on line {first}; keep one", key.place
                )
            else:
                result[key.text] = self._entry(key, value, (*path, key.text))
        for part in merged:
            self._merge(part, result, path)
        return result

    def _entry(self, key: _Node, value: _Node, path: RawPath) -> Any:
        self._source.keys[path] = key.place
        beside = value.kind == "text" and value.place[0] == key.place[0]
        self._source.places[path] = value.place if beside else key.place
        data = self._data(value, path)
        if data is None:
            self._problem(path, f"`{key.text}` has no value; write one or remove the line", key.place)
        return data

    def _merge(self, node: _Node, result: dict[str, Any], path: RawPath) -> None:
        if node.kind != "map":
            self._problem(path, "`<<` takes a map, such as `*name` of an anchor `&name`", node.place)
            return
        for key, value in zip(node.items[::2], node.items[1::2], strict=True):
            if key.kind == "text" and key.text is not None and key.text not in (*result, "<<"):
                result[key.text] = self._entry(key, value, (*path, key.text))

    def _problem(self, path: RawPath, message: str, place: Place) -> None:
        self._source.problems.append((path, message, place))
