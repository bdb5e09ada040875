"""Names and words from anywhere in, texts that an XML document may hold and that fit their room out."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from mixrender.report.plain_names import plain_name

_LETTERS_OF_WIDTH = {
    0.28: "'ijl",
    0.32: "IJ ,.",
    0.36: "/:;\\|f-",
    0.41: "()[]t!r",
    0.53: '"*_`sz?',
    0.6: "cLFkvxy",
    0.64: "PTYoaeEhnuSbdgpq$0123456789{}",
    0.7: "KAVXZBRC",
    0.78: "UNHDG&",
    0.84: "OQw#+<=>^~−→",
    0.99: "M%mW",
}
"""Advance widths of DejaVu Sans in ems, rounded up; most other sans serifs are narrower."""

_WIDTHS = {letter: width for width, letters in _LETTERS_OF_WIDTH.items() for letter in letters}
_OTHER, _FULL = 0.78, 1.05
_MARKS = ("Mn", "Me", "Cf")

_MOST_LETTERS = 400
_NO_TEXT = {0xFFFE: "□", 0xFFFF: "□"}
"""Characters that stand for themselves in Python, but nowhere in XML."""


def width_of(words: str, *, size: float) -> float:
    """How wide words are at most in a font of that size, in its unit."""
    return size * sum(map(_width, words))


def _width(letter: str) -> float:
    if letter in _WIDTHS:
        return _WIDTHS[letter]
    if unicodedata.category(letter) in _MARKS:
        return 0.0
    return _FULL if unicodedata.east_asian_width(letter) in "WF" or ord(letter) > 0x2FFF else _OTHER


def one_line(text: str) -> str:
    """A text on one line, without characters that turn, break or end it, or that XML does not have."""
    return plain_name(" ".join(unicodedata.normalize("NFC", text).split())).translate(_NO_TEXT)


def fitted(text: str, *, size: float, room: float) -> str:
    """A text on one line, shortened in its middle where it is wider than its room."""
    line = one_line(text)
    if len(line) > _MOST_LETTERS:
        line = f"{line[:_MOST_LETTERS]}…"
    if width_of(line, size=size) <= room:
        return line
    for most in range(len(line) - 1, 1, -1):
        head = most * 2 // 3
        short = f"{line[:head].rstrip()}…{line[len(line) - (most - head) :].lstrip()}"
        if width_of(short, size=size) <= room:
            return short
    return "…"


def number_text(value: float, *, digits: int = 0, signed: bool = False) -> str:
    """A number with a real minus sign; never minus zero."""
    rounded = round(value, digits) + 0.0
    sign = "+" if signed and rounded > 0.0 else ""
    return f"{sign}{rounded:.{digits}f}".replace("-", "−") if rounded or not signed else "0"


def lines_of(parts: Sequence[str], *, size: float, room: float) -> list[str]:
    """Parts of a text side by side, with dots between them, in as many lines as they need."""
    lines: list[str] = []
    for part in (fitted(part, size=size, room=room) for part in parts):
        longer = f"{lines[-1]} · {part}" if lines else part
        if lines and width_of(longer, size=size) <= room:
            lines[-1] = longer
        else:
            lines.append(part)
    return lines
