"""Texts such as `126 BPM`, `-1.5 dB` or `58 min 30 s` go in, numbers in one base unit come out.

Every parser raises ValueError with a sentence for the user: what was found, what is allowed, an example.
Numbers are plain decimals; a minus sign may be the hyphen or U+2212. Units ignore case, and the space before
a unit may be left out.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
SIGNED = rf"[-+−]?\s*{NUMBER}"
_FRACTION = rf"(?:[0-9]+\s*/\s*[0-9]+|{SIGNED})"
_CLOCK = re.compile(r"[0-9]+:[0-9]{1,2}(?::[0-9]{1,2})?(?:\.[0-9]+)?")

TimeUnit = Literal["bars", "beats", "seconds"]


def shorten(text: str) -> str:
    """A found text as messages print it: in back quotes, on one line, 60 characters at most."""
    line = " ".join(text.split())
    return f"`{line if len(line) <= 60 else line[:57] + '...'}`"


def one_of(words: Iterable[str]) -> str:
    """Words as messages list them: `a`, `b` or `c`."""
    quoted = [f"`{word}`" for word in words]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like `word`, capitals aside, or None if none is near."""
    by_lower = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.65)
    return by_lower[found[0]] if found else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """What to write in place of an unknown word: the nearest known one, or all of them."""
    names = list(known)
    near = nearest(word, names)
    if near is not None:
        return f"did you mean `{near}`?"
    return f"write {one_of(names)}" if names else "none is known here"


def decimal_text(value: float) -> str:
    """A number of ten digits as `to_number` reads it: never with an exponent."""
    text = f"{value + 0.0:.10g}"  # no minus before a zero
    return text if "e" not in text else f"{value:.18f}".rstrip("0").rstrip(".")


def to_number(text: str) -> float:
    """A plain decimal number; `.inf`, `nan`, `1e3`, `1_000` and decimal commas are refused."""
    text = text.strip()
    if re.fullmatch(SIGNED, text) is None:
        hint = ""
        if re.fullmatch(r"[-+−]?[0-9]+,[0-9]+", text):
            hint = ", with a point and no commas"
        raise ValueError(f"found {shorten(text)}; write a plain number{hint}, such as `12` or `-1.5`")
    return float(text.replace("−", "-").replace(" ", ""))


def to_integer(text: str, *, what: str, minimum: int, maximum: int) -> int:
    """A whole number from `minimum` to `maximum`."""
    if re.fullmatch(r"\+?[0-9]{1,9}", text.strip()) is None or not minimum <= int(text) <= maximum:
        raise ValueError(f"found {shorten(text)}; write {what}, a whole number from {minimum} to {maximum}")
    return int(text)


def to_beats_per_bar(text: str) -> int:
    """The beats in a bar, 1 to 32."""
    return to_integer(text, what="the beats per bar", minimum=1, maximum=32)


def to_flag(text: str) -> bool:
    """`true` or `false`; older words for them are refused with what to write instead."""
    word = text.strip().lower()
    if word in ("true", "false"):
        return word == "true"
    traps = {"yes": "true", "on": "true", "y": "true", "no": "false", "off": "false", "n": "false"}
    if word in traps:
        raise ValueError(f"found {shorten(text)}; write `{traps[word]}`")
    raise ValueError(f"found {shorten(text)}; write `true` or `false`")


def to_word(text: str, words: Iterable[str], *, meant: Mapping[str, str] = MappingProxyType({})) -> str:
    """One of some words, capitals aside; `meant` has other words, refused with the one they stand for."""
    known = list(words)
    by_lower = {word.lower(): word for word in known}
    if text.strip().lower() not in by_lower:
        near = meant.get(text.strip().lower()) or nearest(text, known)
        hint = f" (did you mean `{near}`?)" if near and len(known) > 1 else ""
        raise ValueError(f"found {shorten(text)}; write {one_of(known)}{hint}")
    return by_lower[text.strip().lower()]


@dataclass(frozen=True)
class Quantity:
    """A number with a unit: `units` maps each way of writing one to its factor into the base unit, the first.

    `minimum` and `maximum` bound the number in the base unit, `words` are texts that stand for a number,
    `unit_optional` lets the base unit be left out, and `fractions` lets `3/4` be written.
    """

    what: str
    example: str
    units: Mapping[str, float]
    minimum: float
    maximum: float
    words: Mapping[str, float] = field(default_factory=dict)
    unit_optional: bool = False
    fractions: bool = False

    @property
    def unit(self) -> str:
        """The base unit as messages write it."""
        return next(iter(self.units))

    @property
    def wanted(self) -> str:
        """What may be written, for messages: `a level such as `-1.5 dB`, or `silent``."""
        words = f", or {one_of(self.words)}" if self.words else ""
        return f"{self.what} such as `{self.example}`{words}"

    @property
    def pattern(self) -> str:
        """Regular expression (ECMA 262 too) of the texts; it does not check the range."""
        return _anchored([*self._number_patterns(), *map(_any_case, self.words)])

    def _number_patterns(self) -> list[str]:
        units = "|".join(_any_case(unit) for unit in self.units)
        optional = "?" if self.unit_optional else ""
        return [rf"{self._number}\s*(?:{units}){optional}"]

    @property
    def _number(self) -> str:
        return _FRACTION if self.fractions else SIGNED

    def parse(self, text: str) -> float:
        """The number in the base unit; a word gives its number, whatever the range."""
        plain = text.strip().lower()
        if plain in self.words:
            return self.words[plain]
        match = re.fullmatch(rf"({self._number})\s*(\S*)", text.strip())
        factors = {unit.lower(): factor for unit, factor in self.units.items()}
        if match is None or (match[2] and match[2].lower() not in factors):
            raise ValueError(self._refusal(text))
        if not match[2] and not self.unit_optional:
            raise ValueError(
                f"found {shorten(text)} without a unit; write `{self._with_unit(match[1].strip())}`"
            )
        number = _fraction(match[1], text) if self.fractions else to_number(match[1])
        return self.checked(number * (factors[match[2].lower()] if match[2] else 1.0), text)

    def text(self, value: float) -> str:
        """The value as a plan writes it: `-6 dB`, `kill`, `3/4 beat`."""
        for word, number in self.words.items():
            if value == number or (math.isnan(value) and math.isnan(number)):
                return word
        number_text = _fraction_text(value) if self.fractions else decimal_text(value)
        return (
            f"{number_text} {self.unit}" if abs(value) > 1.0 or not self.fractions else f"{number_text} beat"
        )

    def checked(self, value: float, text: str) -> float:
        """The value, if it lies in the range."""
        if not self.minimum <= value <= self.maximum:
            plain = _fraction_text if self.fractions else _plain
            low, high = plain(self.minimum), plain(self.maximum)
            unit = "" if self.unit in self.what else f" {self.unit}"
            words = f"; {one_of(self.words)} is allowed too" if self.words and value < self.minimum else ""
            raise ValueError(f"found {shorten(text)}; {self.what} lies from {low} to {high}{unit}{words}")
        return value

    def _with_unit(self, number: str) -> str:
        singular = {"bars": "bar", "beats": "beat"}.get(self.unit, self.unit)
        return f"{number} {singular if number in ('1', '+1') else self.unit}"

    def _refusal(self, text: str) -> str:
        if re.match(r"[-+−]?[0-9]+,[0-9]", text.strip()):
            return (
                f"found {shorten(text)}; write numbers with a point and no commas, such as `{self.example}`"
            )
        return f"found {shorten(text)}; write {self.wanted}"


def _plain(value: float) -> str:
    return f"{value:,.10g}"


def _any_case(word: str) -> str:
    """Pattern of a word in any capitals: JSON Schema has no flag for that."""
    return "".join(f"[{c.lower()}{c.upper()}]" if c.isalpha() else re.escape(c) for c in word)


def _anchored(patterns: Iterable[str]) -> str:
    return rf"^\s*(?:{'|'.join(patterns)})\s*$"


DECIBEL = {"dB": 1.0}
HERTZ = {"Hz": 1.0, "kHz": 1000.0}

TEMPO = Quantity("a tempo", "126 BPM", {"BPM": 1.0}, 20.0, 1000.0)
GRID_TEMPO = Quantity("a tempo", "126 BPM", {"BPM": 1.0}, 20.0, 400.0)
GAIN = Quantity("a gain", "-1.5 dB", DECIBEL, -60.0, 24.0)
BAND_EDGE = Quantity("a band edge", "250 Hz", HERTZ, 20.0, 20_000.0)
SAMPLE_RATE = Quantity("a sample rate", "44.1 kHz", HERTZ, 8000.0, 192_000.0, unit_optional=True)
BIT_RATE = Quantity("a bit rate", "256 kbit/s", {"kbit/s": 1.0, "kbps": 1.0}, 32.0, 512.0, unit_optional=True)
INTEGRATED = Quantity("an integrated loudness", "-14 LUFS", {"LUFS": 1.0}, -60.0, 0.0)
TRUE_PEAK = Quantity("a true peak", "-1 dBTP", {"dBTP": 1.0}, -30.0, 0.0)
SEMITONES = Quantity(
    "a number of semitones", "+1", {"semitones": 1.0, "semitone": 1.0}, -12.0, 12.0, unit_optional=True
)
BARS = Quantity("a length in bars", "16 bars", {"bars": 1.0, "bar": 1.0}, 0.0, 1024.0)
NUDGE = Quantity("a nudge", "4 ms", {"s": 1.0, "ms": 0.001}, -1.0, 1.0)
LOUDNESS_GAP = Quantity("a difference of loudness", "10 LU", {"LU": 1.0}, 0.0, 40.0)
DUCK_TIME = Quantity("a time", "0.3 s", {"s": 1.0, "ms": 0.001}, 0.0, 10.0)

_LIMITS: Mapping[TimeUnit, float] = {"bars": 1024.0, "beats": 4096.0, "seconds": 3600.0}
_SHIFT_LIMITS: Mapping[TimeUnit, float] = {"bars": 64.0, "beats": 256.0, "seconds": 60.0}
_SHIFT_UNITS: tuple[TimeUnit, ...] = ("beats", "bars", "seconds")
_TIME_UNITS: Mapping[str, tuple[TimeUnit, float]] = {
    "bars": ("bars", 1.0),
    "bar": ("bars", 1.0),
    "beats": ("beats", 1.0),
    "beat": ("beats", 1.0),
    "s": ("seconds", 1.0),
    "ms": ("seconds", 0.001),
}


def to_length(
    text: str, *, units: tuple[TimeUnit, ...] = ("bars", "beats", "seconds")
) -> tuple[float, TimeUnit]:
    """A length >= 0 and its unit: `16 bars`, `2 beats`, `3/4 beat`, `0.5 bar`, and `12 s` where allowed."""
    examples = {"bars": "16 bars", "beats": "2 beats", "seconds": "12 s"}
    wanted = f"a length such as {one_of(examples[unit] for unit in units)}"
    value, unit_name = _amount(text, units=units, wanted=wanted)
    if not 0.0 <= value <= _LIMITS[unit_name]:
        limit = f"{_plain(_LIMITS[unit_name])} {unit_name}"
        raise ValueError(f"found {shorten(text)}; a length lies from 0 to {limit}")
    return value, unit_name


def length_pattern(units: tuple[TimeUnit, ...]) -> str:
    """Regular expression of the texts that `to_length` takes."""
    words = "|".join(_any_case(word) for word, (unit, _) in _TIME_UNITS.items() if unit in units)
    return _anchored([rf"{_FRACTION}\s*(?:{words})"])


def to_shift(text: str) -> tuple[float, TimeUnit]:
    """A distance earlier (minus) or later, and its unit: `1 beat`, `-1/2 beat`, `-12 ms`, `1 bar`."""
    value, unit = _amount(
        text, units=_SHIFT_UNITS, wanted="a shift such as `1 beat`, `-0.5 beats` or `12 ms`"
    )
    if not abs(value) <= _SHIFT_LIMITS[unit]:
        limit = f"{_plain(_SHIFT_LIMITS[unit])} {unit}"
        raise ValueError(f"found {shorten(text)}; a shift is not greater than {limit} either way")
    return value, unit


SHIFT_PATTERN = _anchored([rf"[-+−]?\s*{_FRACTION}\s*(?:{'|'.join(map(_any_case, _TIME_UNITS))})"])


def _amount(text: str, *, units: tuple[TimeUnit, ...], wanted: str) -> tuple[float, TimeUnit]:
    """A number with one of the units of time or of music, whatever its size."""
    match = re.fullmatch(rf"([-+−]?\s*{_FRACTION})\s*([a-z]*)", text.strip(), re.IGNORECASE)
    if match is None:
        raise ValueError(f"found {shorten(text)}; write {wanted}")
    number, word = match[1], match[2].lower()
    if not word:
        unit = units[0].removesuffix("s") if number.lstrip("-+− ") == "1" else units[0]
        raise ValueError(f"found {shorten(text)} without a unit; write `{number} {unit}`")
    if word not in _TIME_UNITS or _TIME_UNITS[word][0] not in units:
        raise ValueError(f"found {shorten(text)}; write {wanted}")
    unit_name, factor = _TIME_UNITS[word]
    return _fraction(number, text) * factor, unit_name


def _fraction_text(value: float) -> str:
    """A number of beats as musicians write it: `3/4`, `1/3`, `1.5`."""
    for below in (1, 2, 3, 4, 6, 8, 12, 16, 32):
        above = round(value * below)
        if above and abs(above / below - value) < 1e-9:
            return (
                f"{above}"
                if below == 1
                else f"{value:g}"
                if value > 1.0 and below in (2, 4)
                else f"{above}/{below}"
            )
    return decimal_text(value)


def _fraction(number: str, text: str) -> float:
    if "/" not in number:
        return to_number(number)
    above, below = (int(part.replace("−", "-").replace(" ", "")) for part in number.split("/"))
    if below == 0 or max(abs(above), below) > 1_000_000:
        raise ValueError(f"found {shorten(text)}; write a fraction such as `3/4 beat`")
    return above / below


_DURATION_UNITS = {"h": 3600.0, "min": 60.0, "s": 1.0, "ms": 0.001}
_DURATION = re.compile(
    "".join(rf"(?:({NUMBER})\s*{unit}\b\s*)?" for unit in ("h", "min", "s", "ms")), re.IGNORECASE
)
DURATION_PATTERN = _anchored(
    [r"(?=\S)" + "".join(rf"(?:{NUMBER}\s*{_any_case(unit)}\s*)?" for unit in _DURATION_UNITS)]
)


def to_duration(text: str, *, what: str = "a time", example: str = "58 min 30 s") -> float:
    """Seconds, up to a day: `58 min 30 s`, `1 h 2 min`, `0.231 s`, `4 ms`; not negative."""
    plain = text.strip()
    match = _DURATION.fullmatch(plain)
    if plain and match is not None:
        factors = _DURATION_UNITS.values()
        total = sum(
            float(part) * factor for part, factor in zip(match.groups(), factors, strict=True) if part
        )
        if total <= 86_400.0:
            return total
        raise ValueError(f"found {shorten(text)}; {what} lies from 0 s to 24 h")
    if _CLOCK.fullmatch(plain):
        raise ValueError(f"found {shorten(text)}; write {_spelt_out(plain)}, with its units")
    if re.fullmatch(SIGNED, plain):
        raise ValueError(f"found {shorten(text)} without a unit; write `{plain} s`")
    raise ValueError(f"found {shorten(text)}; write {what} such as `{example}`")


def _spelt_out(clock: str) -> str:
    parts = [f"{float(part):g}" for part in clock.split(":")]
    units = ("h", "min", "s") if len(parts) == 3 else ("min", "s")
    return "`" + " ".join(f"{part} {unit}" for part, unit in zip(parts, units, strict=True)) + "`"
