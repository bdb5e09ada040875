"""A plan's own recipes: moves with parameters go in, moves with one transition's values come out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from mixrender.plan import fields as f
from mixrender.plan.lanes import Fault, Loc, Moves, raise_faults, read_side
from mixrender.plan.places import NAME_PATTERN, PlanModel, from_yaml, kind_of
from mixrender.plan.quantities import shorten, suggestion

_PARAMETER = re.compile(rf"<\s*({NAME_PATTERN})\s*>")


class Recipe(PlanModel):
    """Moves of both sides as written, in which `<name>` stands for a parameter; `parameters` are defaults."""

    parameters: f.RecipeValues = Field(default_factory=dict)
    from_moves: dict[str, Any] = Field(default_factory=dict, validation_alias="from")
    to_moves: dict[str, Any] = Field(default_factory=dict, validation_alias="to")
    note: f.Text | None = None

    example: ClassVar[str] = (
        "`{from: {level: {75 %: 0 dB, end: silent}}, to: {level: {0: silent, 25 %: 0 dB}}}`"
    )

    @model_validator(mode="after")
    def _readable(self) -> Self:
        faults = self.faults({})
        raise_faults("recipe", faults)
        return self

    def faults(self, values: Mapping[str, str]) -> list[Fault]:
        """What is wrong with the moves where the parameters have these values, the others their defaults."""
        faults: list[Fault] = []
        self._read(values, faults)
        return faults

    def moves(self, values: Mapping[str, str]) -> tuple[Moves, Moves]:
        """The moves of the outgoing and the incoming track with these values; ValueError if wrong."""
        faults: list[Fault] = []
        found = self._read(values, faults)
        raise_faults("recipe", faults)
        return found

    def unknown(self, values: Mapping[str, str]) -> list[str]:
        """Names among the values that are no parameters of this recipe."""
        return [name for name in values if name not in self.parameters]

    def unused(self) -> list[str]:
        """Parameters that stand in none of the moves."""
        used = set(_PARAMETER.findall(f"{self.from_moves} {self.to_moves}"))
        return [name for name in self.parameters if name not in used]

    def _read(self, values: Mapping[str, str], faults: list[Fault]) -> tuple[Moves, Moves]:
        known = {**self.parameters, **values}
        sides = []
        for word, raw in (("from", self.from_moves), ("to", self.to_moves)):
            filled = _filled(raw, known, (word,), faults)
            sides.append(read_side(filled, faults, (word,)))
        return sides[0], sides[1]


def _filled(value: Any, known: Mapping[str, str], loc: Loc, faults: list[Fault]) -> Any:
    """The same map with each parameter replaced by its text, in keys and in values."""
    if isinstance(value, Mapping):
        return {
            _replaced(str(key), known, (*loc, key), faults): _filled(part, known, (*loc, key), faults)
            for key, part in value.items()
        }
    return _replaced(value, known, loc, faults) if isinstance(value, str) else value


def _replaced(text: str, known: Mapping[str, str], loc: Loc, faults: list[Fault]) -> str:
    def value_of(match: re.Match[str]) -> str:
        if match[1] in known:
            return known[match[1]]
        hint = suggestion(match[1], known) if known else "name it under `parameters`, with what it stands for"
        faults.append((loc, f"there is no parameter {shorten(match[1])}; {hint}"))
        return match[0]

    return _PARAMETER.sub(value_of, text)


def _recipes(value: Any, info: ValidationInfo) -> Any:
    if not from_yaml(info):
        return value
    if not isinstance(value, Mapping):
        raise ValueError(
            f"found {kind_of(value)}; write names and recipes, such as `wash: {Recipe.example[1:-1]}`"
        )
    return value


Recipes = Annotated[dict[f.Name, Recipe], BeforeValidator(_recipes)]
