"""Maps `control: {position: value}` of a plan go in; lanes of points, or every fault in them, come out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any, Literal, TypeVar

from pydantic import ValidationError, ValidationInfo
from pydantic_core import InitErrorDetails, PydanticCustomError

from mixrender.plan.controls import (
    CONTROLS,
    EFFECTS,
    EVENTS,
    NOISE_CUTOFF,
    NOISE_LEVEL,
    WORDS,
    Control,
    Effect,
)
from mixrender.plan.places import InPosition, Length, MoveTime, PlanModel, Position, kind_of
from mixrender.plan.quantities import length_pattern, shorten, suggestion, to_length

Loc = tuple[str | int, ...]
Fault = tuple[Loc, str]
_T = TypeVar("_T")

MOVE_TIME_PATTERN = (
    r"(?:\s+(?:[aA][tT]\s+[oO][nN][cC][eE]|[iI][nN]\s+"
    + length_pattern(("beats", "bars")).removeprefix(r"^\s*").removesuffix(r"\s*$")
    + r"))?\s*$"
)
"""Regular expression of the end of a point's text: when, if it says so, the move is done."""

_VALUE = re.compile(
    r"(?P<value>.*?)(?:\s+(?:(?P<step>at\s+once)|in\s+(?P<time>.*)))?", re.IGNORECASE | re.DOTALL
)


class LanePoint(PlanModel):
    """A breakpoint: the value of a control at a position.

    `value` is in the control's unit, dB (-inf: silent, killed), Hz (NaN: open), percent or beats. `move`
    None: the value is reached from the point before; "at once": by a step that ends on the position; a
    length: the value before holds until the position and then moves in that time. `position` None: the value
    holds as long as the effect is in use, as a plan writes it with `feedback: 50 %`. In the lane of an event
    `move` is its length, and `value` 1.
    """

    position: InPosition | Position | None
    value: float
    move: MoveTime | None = None


Lane = tuple[LanePoint, ...]
Moves = dict[str, Lane]


def read_value(text: str, control: Control) -> tuple[float, MoveTime | None]:
    """Value and time of a point: `0 dB`, `kill in 2 beats`, `silent at once`."""
    match = _VALUE.fullmatch(text.strip())
    assert match is not None  # the pattern takes any text
    value = control.parse(match["value"])
    if match["step"]:
        return value, "at once"
    if match["time"] is None:
        return value, None
    amount, unit = to_length(match["time"], units=("beats", "bars"))
    if amount == 0.0:
        raise ValueError(f"found {shorten(text)}; a move without a length is written `at once`")
    return value, Length(bars=amount) if unit == "bars" else Length(beats=amount)


def read_own_moves(value: Any, info: ValidationInfo) -> Any:
    """The moves of a track by itself, control by control; positions are bars of the track."""
    return _checked(_read_controls, value, Position)


def read_transition_moves(value: Any, info: ValidationInfo) -> Any:
    """The moves of a transition, track by track and control by control; positions count from its start."""
    return _checked(_read_tracks, value, InPosition)


def read_noise_lane(name: Literal["level", "cutoff"]) -> Callable[[Any], Any]:
    """A reader of one of the two lanes of a noise sweep; positions count from the transition's start."""
    control = {"level": NOISE_LEVEL, "cutoff": NOISE_CUTOFF}[name]

    def read(value: Any) -> Any:
        faults: list[Fault] = []
        lane = {"0": value} if isinstance(value, str) else value
        result = _read_lane(lane, control, InPosition, (), faults)
        raise_faults(name, faults)
        return result

    return read


def read_side(value: Any, faults: list[Fault], loc: Loc) -> Moves:
    """The moves of one side of a recipe, control by control; what is wrong is added to `faults`."""
    return dict(_read_controls(value, InPosition, loc, faults))


def raise_faults(title: str, faults: Iterable[Fault]) -> None:
    """Raise all faults at their places in one ValidationError; nothing if there is none."""
    details = [
        InitErrorDetails(type=PydanticCustomError("plan", "{text}", {"text": text}), loc=loc, input=None)
        for loc, text in faults
    ]
    if details:
        raise ValidationError.from_exception_data(title, details)


_Place = type[Position] | type[InPosition]
_Reader = Callable[[Any, _Place, Loc, list[Fault]], Any]


def _checked(read: _Reader, value: Any, place: _Place) -> Any:
    faults: list[Fault] = []
    result = read(value, place, (), faults)
    raise_faults("moves", faults)
    return result


def _read_tracks(value: Any, place: _Place, loc: Loc, faults: list[Fault]) -> Any:
    if not isinstance(value, Mapping):
        faults.append(
            (loc, f"found {kind_of(value)}; write a map such as `ferry: {{level: {{16: silent}}}}`")
        )
        return {}
    result = {}
    for name, controls in value.items():
        if name in WORDS:
            faults.append(
                ((*loc, name), f"`{name}` is a control: put it under the name of the track it moves")
            )
        else:
            result[name] = _read_controls(controls, place, (*loc, name), faults)
    return result


def _read_controls(value: Any, place: _Place, loc: Loc, faults: list[Fault]) -> Any:
    if not isinstance(value, Mapping):
        faults.append(
            (loc, f"found {kind_of(value)}; write controls and lanes, such as `level: {{16: silent}}`")
        )
        return {}
    result: dict[str, Any] = {}
    for name, lane in value.items():
        if name in EFFECTS:
            result |= _read_effect(lane, EFFECTS[name], place, (*loc, name), faults)
        elif name in EVENTS:
            result[name] = _read_events(lane, name, place, (*loc, name), faults)
        elif name in CONTROLS and ("." not in name or isinstance(lane, tuple)):
            result[name] = _read_lane(lane, CONTROLS[name], place, (*loc, name), faults)
        elif name in CONTROLS:
            effect, word = name.split(".")
            text = f"parameters stand under their effect: `{effect}: {{amount: …, {word}: …}}`"
            faults.append(((*loc, name), text))
        else:
            text = f"unknown control {shorten(str(name))}; {suggestion(str(name), WORDS)}"
            faults.append(((*loc, name), text))
    return result


def _read_effect(value: Any, effect: Effect, place: _Place, loc: Loc, faults: list[Fault]) -> Moves:
    """The lanes of an effect: that of its amount alone, or a map of its amount and parameters."""
    name, amount = effect.name, effect.amount
    if isinstance(value, str):
        number = _tried(partial(amount.parse, value), loc, faults)
        return {name: () if number is None else (LanePoint(position=None, value=number),)}
    if not (isinstance(value, Mapping) and any(word in effect.words for word in value)):
        return {name: _read_lane(value, amount, place, loc, faults)}
    result: Moves = {}
    for word, lane in value.items():
        if word not in effect.words:
            faults.append(
                ((*loc, word), f"unknown word {shorten(str(word))}; {suggestion(str(word), effect.words)}")
            )
            continue
        control = amount if word == "amount" else effect.parameters[word]
        if isinstance(lane, str):
            number = _tried(partial(control.parse, lane), (*loc, word), faults)
            result[control.name] = () if number is None else (LanePoint(position=None, value=number),)
        else:
            result[control.name] = _read_lane(lane, control, place, (*loc, word), faults)
    return result


def _read_events(value: Any, name: str, place: _Place, loc: Loc, faults: list[Fault]) -> Lane:
    if isinstance(value, tuple):  # built in Python
        return value
    if not isinstance(value, Mapping):
        faults.append((loc, f"found {kind_of(value)}; write positions and lengths, such as `{{8: 1 beat}}`"))
        return ()
    if not value:
        faults.append((loc, f"this is empty; write positions and lengths, or leave `{name}` out"))
    points: list[LanePoint] = []
    for key, text in value.items():
        position = _tried(partial(_place_of, place, str(key)), (*loc, key), faults)
        length = _tried(partial(_event_length, text), (*loc, key), faults)
        if position is not None and length is not None:
            if any(position == other.position for other in points):
                faults.append(((*loc, key), f"`{position}` stands twice here"))
            points.append(LanePoint(position=position, value=1.0, move=length))
    return tuple(points)


def _place_of(place: _Place, text: str) -> Position | InPosition:
    return place.parse(text)


def _event_length(text: Any) -> Length:
    if not isinstance(text, str):
        raise ValueError(f"found {kind_of(text)}; write {Length.example}")
    length = Length.parse(text)
    if 0.0 in (length.bars, length.beats, length.seconds):
        raise ValueError(f"found {shorten(text)}; write a length above 0")
    return length


def _read_lane(value: Any, control: Control, place: _Place, loc: Loc, faults: list[Fault]) -> Lane:
    if isinstance(value, tuple):  # built in Python
        return value
    if not isinstance(value, Mapping):
        hint = f"{{8: {control.quantity.example}}}"
        faults.append((loc, f"found {kind_of(value)}; write positions and values, such as `{hint}`"))
        return ()
    if not value:
        faults.append((loc, f"this lane is empty; write positions and values, or leave `{control.name}` out"))
    points: list[LanePoint] = []
    for key, text in value.items():
        point = _read_point(key, text, control, place, (*loc, key), faults)
        if point is not None:
            if any(point.position == other.position for other in points):
                faults.append(((*loc, key), f"`{point.position}` stands twice in this lane"))
            points.append(point)
    return tuple(points)


def _read_point(
    key: Any, text: Any, control: Control, place: _Place, loc: Loc, faults: list[Fault]
) -> LanePoint | None:
    position = _tried(lambda: place.parse(str(key)), loc, faults)
    if not isinstance(text, str):
        if text is not None:  # a missing value has been reported by the reader of the file
            faults.append((loc, f"found {kind_of(text)}; write {control.quantity.wanted}"))
        return None
    value = _tried(lambda: read_value(text, control), loc, faults)
    if position is None or value is None:
        return None
    return LanePoint(position=position, value=value[0], move=value[1])


def _tried(read: Callable[[], _T], loc: Loc, faults: list[Fault]) -> _T | None:
    try:
        return read()
    except ValueError as error:
        faults.append((loc, str(error)))
        return None
