"""How sure an analysis is of its parts in, a few words that say which of them need a look out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from mixrender.facts import SURE, Confidence, Doubt, GridKind, Part


def parts_in_doubt(grid: GridKind, confidence: Confidence, doubts: Sequence[Doubt]) -> tuple[Part, ...]:
    """The parts that may be wrong: those that a doubt names, and tempo and beats below SURE."""
    found = {doubt.part for doubt in doubts}
    if grid != "none":
        found |= {"tempo"} if confidence.tempo < SURE else set()
        found |= {"beats"} if confidence.beats < SURE else set()
    return tuple(part for part in get_args(Part) if part in found)


def sure_in_words(grid: GridKind, parts: Sequence[Part]) -> str:
    """`yes`, the parts that need a look with a question mark each, or that there is no beat."""
    if grid == "none":
        return "no beat"
    return " ".join(f"{part}?" for part in parts) or "yes"


def by_hand_in_words(*, is_corrected: bool, is_locked: bool) -> str:
    """What was done to a grid by hand: `corrected`, `locked`, or nothing."""
    return "locked" if is_locked else "corrected" if is_corrected else ""
