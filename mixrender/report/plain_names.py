"""Names from anywhere in, names of one line that change nothing about a terminal out."""

from __future__ import annotations

import unicodedata

_CONTROLS = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Categories of characters that break lines, move the cursor, turn the direction, or are no text at all."""

_JOINERS = "\u200c\u200d"


def plain_name(text: str) -> str:
    """The text with what would break its line, or what a terminal would obey, written as Python does."""
    return "".join(map(_plain, text))


def _plain(character: str) -> str:
    if character in _JOINERS or unicodedata.category(character) not in _CONTROLS:
        return character
    return character.encode("unicode_escape").decode("ascii")
