"""Lanes go in; the text that a plan would write for them comes out, to be read and to be pasted."""

from __future__ import annotations

from collections.abc import Mapping

from mixrender.plan.controls import CONTROLS, EFFECTS, EVENTS
from mixrender.plan.lanes import Lane, LanePoint, Moves


def moves_text(moves: Mapping[str, Moves], names: Mapping[str, str], *, indent: int = 0) -> str:
    """The `moves:` of a transition, in the order of `names`: what its sides, and layers, are called."""
    lines = ["moves:"]
    for side in names:
        lanes = lane_texts(moves[side])
        if lanes:
            lines.append(f"  {names[side]}:")
            width = max(map(len, lanes))
            lines += [f"    {word + ':':<{width + 1}} {text}" for word, text in lanes.items()]
    if len(lines) == 1:
        lines = ["moves: {}"]
    return "\n".join(" " * indent + line for line in lines)


def lane_texts(moves: Moves) -> dict[str, str]:
    """The text of each lane by its control, parameters of an effect together with its amount."""
    found = {}
    for word in dict.fromkeys(control.split(".")[0] for control in moves):
        if word in EFFECTS:
            found[word] = _effect_text(word, moves)
        elif word in EVENTS:
            found[word] = "{" + ", ".join(f"{p.position}: {p.move}" for p in moves[word]) + "}"
        else:
            found[word] = _lane_text(moves[word], word)
    return found


def _effect_text(word: str, moves: Moves) -> str:
    amount = _lane_text(moves[word], word) if word in moves else None
    parameters = {
        name: _lane_text(moves[control.name], control.name)
        for name, control in EFFECTS[word].parameters.items()
        if control.name in moves
    }
    if not parameters:
        return amount or "{}"
    parts = {"amount": amount} | parameters if amount else parameters
    return "{" + ", ".join(f"{name}: {text}" for name, text in parts.items()) + "}"


def _lane_text(lane: Lane, control: str) -> str:
    if len(lane) == 1 and lane[0].position is None:
        return _value_text(lane[0], control)
    return "{" + ", ".join(f"{point.position}: {_value_text(point, control)}" for point in lane) + "}"


def _value_text(point: LanePoint, control: str) -> str:
    value = CONTROLS[control].quantity.text(point.value)
    if point.move is None:
        return value
    return f"{value} at once" if point.move == "at once" else f"{value} in {point.move}"
