"""Facts of tracks, grids and tags to JSON texts, and back from them to the last digit."""

from __future__ import annotations

import dataclasses
import json
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from mixrender.facts import FileTags, Grid, TrackFacts

T = TypeVar("T")

_FACTS = TypeAdapter(TrackFacts)
_GRID = TypeAdapter(Grid)
_TAGS = TypeAdapter(FileTags)


def to_json(data: Any) -> str:
    """A frozen dataclass as one JSON object; numbers keep all their digits, NaN is a ValueError."""
    return json.dumps(dataclasses.asdict(data), allow_nan=False)


def facts_from_json(text: str) -> TrackFacts | None:
    """The facts that `to_json` wrote; None when their fields are no longer those of TrackFacts."""
    return _read(_FACTS, text)


def grid_from_json(text: str) -> Grid | None:
    """The grid that `to_json` wrote, or None."""
    return _read(_GRID, text)


def tags_from_json(text: str) -> FileTags | None:
    """The tags that `to_json` wrote, or None."""
    return _read(_TAGS, text)


def _read(adapter: TypeAdapter[T], text: str) -> T | None:
    try:
        return adapter.validate_json(text)
    except ValidationError:
        return None
