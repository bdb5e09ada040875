"""Where the words of a picture lie: within the page, and not over each other."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import BboxBase

Boxes = list[tuple[str, BboxBase]]


def drawn_words(monkeypatch: pytest.MonkeyPatch, draw: Callable[[], Figure]) -> Boxes:
    """Every text that is drawn, with the pixels that it takes."""
    drawn, real = {}, Text.draw

    def noted(text, renderer, *rest, **more):
        if text.get_text().strip():
            drawn[id(text)] = (text.get_text(), text.get_window_extent())
        return real(text, renderer, *rest, **more)

    monkeypatch.setattr(Text, "draw", noted)
    draw()
    return list(drawn.values())


def off_the_page(boxes: Boxes, *, width_px: int, height_px: int) -> list[str]:
    """The texts that leave the page."""
    return [
        words for words, box in boxes if box.x0 < 0 or box.y0 < 0 or box.x1 > width_px or box.y1 > height_px
    ]


def over_each_other(boxes: Boxes) -> list[tuple[str, str]]:
    """The pairs of texts that overlap."""
    return [
        (a, b)
        for (a, box), (b, other) in itertools.combinations(boxes, 2)
        if min(box.x1, other.x1) - max(box.x0, other.x0) > 1.0  # pixel: rounding
        and min(box.y1, other.y1) - max(box.y0, other.y0) > 2.0  # pixels: boxes have room below the letters
    ]
