"""What the model found wrong in a plan's data goes in; places and sentences for the user come out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from mixrender.plan import model
from mixrender.plan.controls import WORDS
from mixrender.plan.places import PlanModel, kind_of
from mixrender.plan.quantities import nearest, one_of, shorten

Loc = tuple[str | int, ...]

_MODELS: Mapping[Loc, type[PlanModel]] = {
    (): model.Plan,
    ("loudness",): model.LoudnessTarget,
    ("output",): model.Output,
    ("start",): model.StartSpec,
    ("end",): model.EndSpec,
    ("tracks", "*"): model.Track,
    ("tracks", "*", "grid"): model.GridSpec,
    ("transitions", "*"): model.Transition,
    ("transitions", "*", "tempo"): model.TempoRamp,
    ("transitions", "*", "tempo", "*"): model.TempoRamp,
    ("transitions", "*", "layers", "*"): model.Layer,
    ("transitions", "*", "layers", "*", "grid"): model.GridSpec,
    ("transitions", "*", "layers", "*", "edits", "*"): model.Edit,
    ("transitions", "*", "noise_sweep"): model.NoiseSweep,
    ("tracks", "*", "edits", "*"): model.Edit,
    ("voices", "*"): model.Voice,
    ("recipes", "*"): model.Recipe,
}

_NAMED = ("layers", "recipes")
"""Maps whose keys are names that the plan makes up."""

_OTHER_WORDS = {
    "bpm": "tempo",
    "trim": "gain",
    "volume": "gain",
    "pitch": "shift",
    "transpose": "shift",
    "keylock": "key_lock",
    "length": "overlap",
    "bars": "overlap",
    "duration": "overlap",
    "offset": "nudge",
    "sample_rate": "rate",
    "path": "file",
    "comment": "note",
    "notes": "note",
    "first_beat": "bar_1",
}
"""Words that people try, and the language's own."""


def faults_of(error: ValidationError, data: Any) -> list[tuple[Loc, str]]:
    """Path in `data` and message of each error; the last part of a path may be a missing field."""
    return [_fault(detail, data) for detail in error.errors(include_url=False)]


def words_of(kind: type[PlanModel]) -> list[str]:
    """The fields of a model as the language writes them."""
    names = [str(field.validation_alias or name) for name, field in kind.model_fields.items()]
    return [name for name in names if not (issubclass(kind, model.Sound) and name == "name")]


def _fault(detail: ErrorDetails, data: Any) -> tuple[Loc, str]:
    missing = detail["type"] == "missing"
    loc = _path_in(detail["loc"][:-1] if missing else detail["loc"], data)
    found = _value_at(data, loc)
    if missing:
        return loc, _missing(str(detail["loc"][-1]), loc)
    if detail["type"] == "extra_forbidden":
        return loc, _unknown(str(loc[-1]), _kind_at(loc[:-1]))
    context = detail.get("ctx", {})
    if detail["type"] == "value_error":
        return loc, str(context.get("error"))
    if detail["type"] == "plan":
        return loc, str(context.get("text"))
    kind = _kind_at(loc)
    if kind is not None and kind.example:
        return loc, f"found {kind_of(found)}; write {kind.example}"
    return loc, f"found {kind_of(found)}, which is not allowed here"


def _path_in(loc: Sequence[str | int], data: Any) -> Loc:
    """The parts of a location that exist in the data: the model adds parts of its own, such as union tags."""
    path: list[str | int] = []
    for part in loc:
        in_list = isinstance(data, list) and part in range(len(data))
        if in_list or (isinstance(data, dict) and part in data):
            data = data[part]
            path.append(part)
    return tuple(path)


def _value_at(data: Any, path: Loc) -> Any:
    for part in path:
        data = data[part]
    return data


def _kind_at(path: Loc) -> type[PlanModel] | None:
    parts = [
        "*" if isinstance(part, int) or (i and path[i - 1] in _NAMED) else part for i, part in enumerate(path)
    ]
    return _MODELS.get(tuple(parts))


def _missing(field: str, path: Loc) -> str:
    kind = _kind_at(path)
    example = f", such as {kind.example}" if kind is not None and kind.example else ""
    return f"`{field}` is missing; write it{example}"


def _unknown(word: str, kind: type[PlanModel] | None) -> str:
    text = f"unknown field {shorten(word)}"
    known = words_of(kind) if kind is not None else []
    if word in WORDS and "moves" in known:
        return f"{text}; it is a control: write it under `moves:`"
    meant = _OTHER_WORDS.get(word.lower().replace("-", "_").replace(" ", "_"), word)
    near = meant if meant in known else nearest(word, known)
    if near is not None:
        return f"{text}; did you mean `{near}`?"
    for path, inner in _MODELS.items():
        if path and path[-1] in known and _MODELS.get(path[:-1]) is kind and meant in words_of(inner):
            return f"{text}; write `{meant}` under `{path[-1]}:`"
    return f"{text}; what may stand here is {one_of(known)}" if known else text
