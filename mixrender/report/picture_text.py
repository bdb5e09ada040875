"""Texts from anywhere in, texts that a picture can show in its one font out."""

from __future__ import annotations

import unicodedata
from functools import lru_cache

FONT = "DejaVu Sans"
"""The font that matplotlib brings along."""

_MISSING = "□"
_UNSEEN = ("Cc", "Cf")
"""Categories of characters that control others: direction, joining, the terminal."""

_VARIANTS = range(0xFE00, 0xFE10)


def shown(text: str, *, most: int = 90) -> str:
    """One line of at most `most` characters: no control characters, a box for each that the font lacks.

    Longer texts lose their middle: the end of a file name tells as much as its beginning.
    """
    unbroken = " ".join(unicodedata.normalize("NFC", text).split())
    seen = "".join(map(_glyph, unbroken))
    if len(seen) <= most:
        return seen
    head = (most - 1) * 2 // 3
    return f"{seen[:head]}…{seen[len(seen) - (most - 1 - head) :]}"


def _glyph(character: str) -> str:
    if ord(character) in _VARIANTS or unicodedata.category(character) in _UNSEEN:
        return ""
    return character if ord(character) in _charmap() else _MISSING


@lru_cache(maxsize=1)
def _charmap() -> frozenset[int]:
    """The characters that the font has."""
    # matplotlib takes half a second to load, and only pictures need it.
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont(FONT)).get_charmap())
