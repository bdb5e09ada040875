"""Lines on a stave and words for them in, places for the words that cover as little as may be out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from mixrender.report.score_sheet import SIZES, Box, Sheet, text_box
from mixrender.units import FloatArray

_ROOM = 3.0
_CANDIDATES = 15
_APART = 6.0


@dataclass(frozen=True)
class Curve:
    """A line on the sheet, its points from left to right."""

    xs: FloatArray
    ys: FloatArray

    def passes(self, box: Box) -> bool:
        """Whether the line runs through a box."""
        first, last = np.searchsorted(self.xs, box.left, "right"), np.searchsorted(self.xs, box.right)
        ys = self.ys[first:last].tolist()
        ys += [self.y_at(x) for x in (box.left, box.right) if self.xs[0] <= x <= self.xs[-1]]
        return bool(ys) and min(ys) < box.bottom and max(ys) > box.top

    def y_at(self, x: float) -> float:
        """Where the line is at a place across."""
        return float(np.interp(x, self.xs, self.ys))


def place_label(
    sheet: Sheet,
    words: str,
    curve: Curve,
    *,
    at: int,
    others: Sequence[Curve],
    within: Box,
    kind: str = "label",
) -> bool:
    """Write words beside a line, as near as may be to its point `at`; false where there is no room at all.

    Words never lie over other words, and over lines only where they would have to.
    """
    best: tuple[float, float, float] | None = None
    size = SIZES[kind]
    empty = text_box(0.0, 0.0, words, kind, "middle")
    taken = [box for box in sheet.boxes if box.bottom > within.top and box.top < within.bottom]
    for i, x in _spread(curve, at):
        if best is not None and best[0] <= 0.12 * i:
            break
        inside = curve.y_at(x)
        for y, side in ((inside - 5.0, 0.0), (inside + size + 1.0, 0.4), (inside - 5.0 - size, 1.0)):
            box = _moved_in(empty.moved(x, y), within)
            if box is None or any(box.meets(other, room=_ROOM) for other in taken):
                continue
            cost = side + 0.12 * i + 2.5 * curve.passes(box)
            cost += sum(3.0 for other in others if other.passes(box))
            if best is None or cost < best[0]:
                best = (cost, box.left, box.top - empty.top)
    if best is None:
        return False
    sheet.text(best[1], best[2], words, kind)
    return True


def _spread(curve: Curve, at: int) -> list[tuple[int, float]]:
    """Places along a line, those near to its point `at` first."""
    xs = np.linspace(curve.xs[0], curve.xs[-1], _CANDIDATES)
    places = sorted([float(curve.xs[at]), *xs.tolist()], key=lambda x: abs(x - float(curve.xs[at])))
    return list(enumerate(places))


def _moved_in(box: Box, within: Box) -> Box | None:
    """The box, moved to where it lies inside of another; None where it is too large for that."""
    width, height = box.right - box.left, box.bottom - box.top
    if width > within.right - within.left or height > within.bottom - within.top:
        return None
    left = min(max(box.left, within.left), within.right - width)
    top = min(max(box.top, within.top), within.bottom - height)
    return Box(left, top, left + width, top + height)


@dataclass(frozen=True)
class Bracket:
    """Something with words that lasts from one place of the axis to another."""

    left: float
    right: float
    words: str
    kind: str = "bracket"
    data: str = ""


@dataclass
class _Row:
    """A row of brackets, each with where its words begin, if it has any; and how far they reach."""

    placed: list[tuple[Bracket, float | None]] = field(default_factory=list)
    brackets_end: float = -math.inf
    words_end: float = -math.inf
    words: str = ""

    def takes(self, bracket: Bracket, at: float, width: float) -> bool:
        """Place a bracket with words of that width at a place, if there is room.

        One that says what the one before it says needs no words of its own.
        """
        again = bracket.words == self.words and at < self.words_end + _APART
        free = self.brackets_end if again else max(self.brackets_end, self.words_end + _APART)
        if (bracket.left if again else min(bracket.left, at)) < free - 1e-6:
            return False
        self.placed.append((bracket, None if again else at))
        self.brackets_end = bracket.right
        if not again:
            self.words, self.words_end = bracket.words, at + width
        return True


def in_rows(brackets: Sequence[Bracket], *, right: float) -> list[list[tuple[Bracket, float | None]]]:
    """Brackets, each with where its words begin, in as few rows as hold them side by side.

    None in place of words that stand beside the bracket before it already.
    """
    rows: list[_Row] = []
    for bracket in sorted(brackets, key=lambda b: (b.left, b.right)):
        width = text_box(0.0, 0.0, bracket.words, "label").right
        at = max(min(bracket.left + 4.0, right - width), 2.0)
        if not any(row.takes(bracket, at, width) for row in rows):
            rows.append(_Row())
            rows[-1].takes(bracket, at, width)
    return [row.placed for row in rows]


ROW = 17.0
"""Height of a row of brackets."""


def draw_rows(sheet: Sheet, brackets: Sequence[Bracket], top: float, *, right: float) -> float:
    """Brackets with their words under them, open downwards as over bars that are repeated; where they end."""
    rows = in_rows(brackets, right=right)
    for i, row in enumerate(rows):
        y = top + ROW * i
        for bracket, at in row:
            down = y + 6.0
            path = f"M{bracket.left:.2f} {down:.2f}V{y + 2:.2f}H{bracket.right:.2f}V{down:.2f}"
            if bracket.right - bracket.left < 0.5:
                path = f"M{bracket.left:.2f} {y + 2:.2f}V{y + ROW - 2:.2f}"
            more = {"data_event": bracket.data} if bracket.data else {}
            sheet.add("path", class_=bracket.kind, d=path, **more)
            if at is not None:
                sheet.text(at, y + 13.5, bracket.words, "label")
    return top + ROW * len(rows)
