"""Figures as they stand on the page: times, signed values with a real minus, names on one line."""

from __future__ import annotations

from mixrender.report.plain_names import plain_name
from mixrender.units import format_time

NOT_MEASURABLE = "–"
_MINUS = "\N{MINUS SIGN}"


def clock(seconds: float) -> str:
    """A time to the second: `1:48`, `1:02:03`."""
    return format_time(round(seconds)).removesuffix(".0")


def figure(value: float | None, unit: str, *, digits: int = 1, sign: bool = False) -> str:
    """A value with its unit, `−14.0 LUFS`; a dash where it could not be measured."""
    if value is None:
        return NOT_MEASURABLE
    rounded = round(value, digits) + 0.0  # adding 0 takes the minus from a zero
    text = f"{rounded:{'+' if sign and rounded else ''}.{digits}f}".replace("-", _MINUS)
    return f"{text} {unit}".rstrip()


def span(low: float, high: float, unit: str, *, digits: int = 1, sign: bool = False) -> str:
    """From one value to another, or the one that they are once rounded: `0.0 to +2.8 %`."""
    first, last = (figure(x, "", digits=digits, sign=sign) for x in (low, high))
    return f"{first} {unit}" if first == last else f"{first} to {last} {unit}"


def when(start_s: float, end_s: float) -> str:
    """The part of the mix that an overlap takes: `1:48 to 2:19 of the mix`, `at 6:33 of the mix`."""
    start, end = clock(start_s), clock(end_s)
    return f"at {start} of the mix" if start == end else f"{start} to {end} of the mix"


def bars(count: float) -> str:
    """A length in bars: `16 bars`, `1 bar`."""
    return f"{count:g} bar" if count == 1 else f"{count:g} bars"


def plain(text: str | None) -> str:
    """A text from anywhere on one line: what would break it, or turn its direction, is written out."""
    return plain_name(text.strip()) if text else ""


def plain_lines(text: str | None) -> str:
    """As `plain`, with its lines kept."""
    return "\n".join(map(plain, text.strip().splitlines())) if text else ""
