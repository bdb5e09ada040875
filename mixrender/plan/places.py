"""Texts that name a place or a length in bars go in; positions and lengths come out, frozen."""

from __future__ import annotations

import math
import re
from typing import Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, GetJsonSchemaHandler, ValidationInfo, model_validator
from pydantic_core import CoreSchema

from mixrender.plan.quantities import (
    NUMBER,
    SHIFT_PATTERN,
    SIGNED,
    decimal_text,
    length_pattern,
    shorten,
    to_duration,
    to_length,
    to_number,
    to_shift,
)

NAME_PATTERN = r"[\w-]+"
CUE_PATTERN = r"[^\W\d_][\w-]*"
_LAST_BAR = 100_000.0
_LAST_PASS = 1024

_BAR = re.compile(rf"({SIGNED})(?:\s*([-+−])\s*({NUMBER}))?")
_CUE = re.compile(rf"({CUE_PATTERN})(?:\s+([-+−])\s*({NUMBER}))?")
_MIDDLE = re.compile(rf"middle(?:\s*([-+−])\s*({NUMBER}))?", re.IGNORECASE)
_PASS = re.compile(r"(.+?)\s+pass\s+([0-9]+)", re.IGNORECASE)
_END = re.compile(rf"end(?:\s*([-+−])\s*({NUMBER}))?", re.IGNORECASE)


class PlanModel(BaseModel):
    """Base of everything in a plan: frozen, and closed to unknown fields.

    From Python, models are built by their attributes' names; from a plan file (validation context `yaml`),
    by the words of the language, and what the language writes as text must be text.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True, hide_input_in_errors=True
    )
    example: ClassVar[str] = ""


def from_yaml(info: ValidationInfo) -> bool:
    """Whether a value comes from a plan file, and not from Python."""
    return bool(info.context)


class _TextModel(PlanModel):
    """A model that a plan writes as one text; `pattern` describes it to editors."""

    pattern: ClassVar[str] = ""
    bare_numbers: ClassVar[bool] = True

    @classmethod
    def fields_of(cls, text: str) -> dict[str, Any]:
        """The fields that a text stands for; ValueError if it is none."""
        raise NotImplementedError

    @classmethod
    def of_number(cls, number: float) -> dict[str, Any]:
        """The fields that a bare number from Python stands for."""
        return {"bars": float(number)}

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> Any:
        kinds = ["string", "number"] if cls.bare_numbers else "string"
        return {"type": kinds, "pattern": cls.pattern, "description": f"Write {cls.example}."}

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, str):
            return cls.fields_of(value)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return cls.of_number(value)
        if from_yaml(info) and not isinstance(value, cls):
            raise ValueError(f"found {kind_of(value)}; write {cls.example}")
        return value

    @classmethod
    def parse(cls, text: str) -> Self:
        """The object that a text of the language stands for."""
        return cls(**cls.fields_of(text))


def kind_of(value: Any) -> str:
    """What a value of the wrong kind is, for messages."""
    if isinstance(value, dict):
        return "a map"
    if isinstance(value, (list, tuple)):
        return "a list"
    return "nothing" if value is None else shorten(str(value))


class Position(_TextModel):
    """A place in a track: a bar of it, an offset in bars from a cue, or seconds of its file.

    `bars` is the bar, with its fraction; where `cue` is set, the offset from it. Where `seconds` is set,
    neither counts. `pass_number`, from 1, names a time among those that edits let it sound; None: the last.
    """

    cue: str | None = None
    bars: float = 0.0
    seconds: float | None = None
    pass_number: int | None = None

    example: ClassVar[str] = "a bar, a cue or seconds, such as `97`, `drop - 16` or `184.2 s`"
    pattern: ClassVar[str] = (
        rf"^\s*(?:{SIGNED}(?:\s*[-+−]\s*{NUMBER})?"
        # Other readers of regular expressions do not count letters beyond ASCII under \w.
        rf"|[A-Za-z\u0080-\uffff][\w\u0080-\uffff-]*(?:\s+[-+−]\s*{NUMBER})?"
        rf"|(?:{NUMBER}\s*(?:[hH]|[mM][iI][nN]|[mM]?[sS])\s*)+)(?:\s+[pP][aA][sS][sS]\s+[0-9]+)?\s*$"
    )

    @classmethod
    def fields_of(cls, text: str) -> dict[str, Any]:
        """`97`, `97 + 0.75`, `drop`, `drop - 16`, `184.2 s`, each with `pass 1` behind it or not."""
        plain = text.strip()
        if match := _PASS.fullmatch(plain):
            if not 1 <= int(match[2]) <= _LAST_PASS:
                raise ValueError(f"found {shorten(text)}; passes count from 1 to {_LAST_PASS}")
            return cls.fields_of(match[1]) | {"pass_number": int(match[2])}
        if match := _BAR.fullmatch(plain):
            return {"bars": _in_range(to_number(match[1]) + _offset(match[2], match[3]), text)}
        if match := _CUE.fullmatch(plain):
            return {"cue": match[1], "bars": _in_range(_offset(match[2], match[3]), text)}
        # A time such as `1:23` is refused there, with how to write it.
        if re.fullmatch(rf"[0-9:]+|(?:{NUMBER}\s*(?:h|min|s|ms)\s*)+", plain, re.IGNORECASE):
            return {"seconds": to_duration(text, example="184.2 s")}
        if match := re.fullmatch(rf"(?:bars?\s*({SIGNED})|({SIGNED})\s*bars?)", plain, re.IGNORECASE):
            raise ValueError(f"found {shorten(text)}; write the bar's number alone: `{match[1] or match[2]}`")
        raise ValueError(f"found {shorten(text)}; write {cls.example}")

    def __str__(self) -> str:
        passed = "" if self.pass_number is None else f" pass {self.pass_number}"
        if self.seconds is not None:
            return f"{decimal_text(self.seconds)} s{passed}"
        if self.cue is None:
            return f"{decimal_text(self.bars)}{passed}"
        return self.cue + _offset_text(self.bars) + passed


class InPosition(_TextModel):
    """A place in a transition: bars after its start, after its end (`from_end`) or after its middle.

    Where `percent` is set it is that share of the overlap instead, and `bars` does not count.
    """

    from_end: bool = False
    from_middle: bool = False
    bars: float = 0.0
    percent: float | None = None

    example: ClassVar[str] = (
        "bars after the start of the overlap, such as `0`, `8.5`, `middle`, `end`, `end - 4`, or `25 %` of it"
    )
    pattern: ClassVar[str] = (
        rf"^\s*(?:{SIGNED}|{NUMBER}\s*%|(?:[eE][nN][dD]|[mM][iI][dD][dD][lL][eE])(?:\s*[-+−]\s*{NUMBER})?)\s*$"
    )

    @classmethod
    def fields_of(cls, text: str) -> dict[str, Any]:
        """`8`, `8.5`, `-2`, `end`, `end - 4`, `middle`, `middle + 1`, `25 %`."""
        plain = text.strip()
        if re.fullmatch(SIGNED, plain):
            return {"bars": _in_range(to_number(plain), text)}
        if match := _END.fullmatch(plain):
            return {"from_end": True, "bars": _in_range(_offset(match[1], match[2]), text)}
        if match := _MIDDLE.fullmatch(plain):
            return {"from_middle": True, "bars": _in_range(_offset(match[1], match[2]), text)}
        if match := re.fullmatch(rf"({NUMBER})\s*%", plain):
            if to_number(match[1]) > 100.0:
                raise ValueError(f"found {shorten(text)}; a share of the overlap lies from 0 % to 100 %")
            return {"percent": to_number(match[1])}
        if match := re.fullmatch(rf"({SIGNED})\s*bars?", plain, re.IGNORECASE):
            raise ValueError(
                f"found {shorten(text)}; places in a transition are bare bars: write `{match[1]}`"
            )
        raise ValueError(f"found {shorten(text)}; write {cls.example}")

    def bars_into(self, overlap_bars: float) -> float:
        """Bars from the start of an overlap of that length to this place."""
        if self.percent is not None:
            return overlap_bars * self.percent / 100.0
        origin = overlap_bars if self.from_end else middle_bars(overlap_bars) if self.from_middle else 0.0
        return origin + self.bars

    def __str__(self) -> str:
        if self.percent is not None:
            return f"{decimal_text(self.percent)} %"
        if self.from_end or self.from_middle:
            return ("end" if self.from_end else "middle") + _offset_text(self.bars)
        return decimal_text(self.bars)


def middle_bars(overlap_bars: float) -> float:
    """The bar line at the middle of an overlap, or the one before it; under two bars the middle itself."""
    half = overlap_bars / 2.0
    return float(math.floor(half + 1e-9)) if overlap_bars >= 2.0 else half


class _Amount(_TextModel):
    """A number in one of three units; the other two are None."""

    bars: float | None = None
    beats: float | None = None
    seconds: float | None = None

    bare_numbers: ClassVar[bool] = False

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if sum(part is not None for part in (self.bars, self.beats, self.seconds)) != 1:
            raise ValueError(f"write {self.example}: exactly one of bars, beats and seconds")
        return self

    def __str__(self) -> str:
        for value, one, many in ((self.bars, "bar", "bars"), (self.beats, "beat", "beats")):
            if value is not None:
                return f"{decimal_text(value)} {one if abs(value) == 1 else many}"
        assert self.seconds is not None
        return f"{decimal_text(self.seconds)} s"


class Length(_Amount):
    """A length >= 0 in one of three units; the other two are None."""

    example: ClassVar[str] = "a length such as `16 bars`, `2 beats` or `12 s`"
    pattern: ClassVar[str] = length_pattern(("bars", "beats", "seconds"))

    @classmethod
    def fields_of(cls, text: str) -> dict[str, Any]:
        """`16 bars`, `2 beats`, `12 s`."""
        value, unit = to_length(text)
        return {unit: value}


class Shift(_Amount):
    """A distance earlier (below 0) or later, in one of three units; the other two are None."""

    example: ClassVar[str] = "a shift such as `1 beat`, `-0.5 beats` or `12 ms`"
    pattern: ClassVar[str] = SHIFT_PATTERN

    @classmethod
    def fields_of(cls, text: str) -> dict[str, Any]:
        """`1 beat`, `-1/2 beat`, `-12 ms`, `1 bar`."""
        value, unit = to_shift(text)
        return {unit: value}

    @classmethod
    def of_number(cls, number: float) -> dict[str, Any]:
        """No unit goes without saying."""
        raise ValueError(f"found `{number:g}` without a unit; write {cls.example}")

    def __str__(self) -> str:
        # As people say it: 12 ms, and not 0.012 s.
        if self.seconds is not None and abs(self.seconds) < 1.0:
            return f"{decimal_text(self.seconds * 1000.0)} ms"
        return super().__str__()


MoveTime = Literal["at once"] | Length


def _offset(sign: str | None, number: str | None) -> float:
    if number is None:
        return 0.0
    return to_number(number) * (1.0 if sign == "+" else -1.0)


def _offset_text(bars: float) -> str:
    return f" {'+' if bars > 0 else '-'} {decimal_text(abs(bars))}" if bars else ""


def _in_range(bars: float, text: str) -> float:
    if not abs(bars) <= _LAST_BAR:
        raise ValueError(f"found {shorten(text)}; bars lie from -{_LAST_BAR:,.0f} to {_LAST_BAR:,.0f}")
    return bars
