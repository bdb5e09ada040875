"""Names of musical keys in, keys and how two of them relate in words out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Mode = Literal["major", "minor"]

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
# The spelling with the fewer signs in the signature; of the two with six, the one more often written.
_MAJOR_NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
_MINOR_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
_PATTERN = re.compile(r"\s*([A-Ga-g])\s*([#♯b♭]?)\s+(major|minor)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Key:
    """A major or minor key; `tonic` counts semitones up from C, 0 to 11."""

    tonic: int
    mode: Mode

    def __post_init__(self) -> None:
        if not 0 <= self.tonic <= 11:
            raise ValueError(f"tonic {self.tonic}: a tonic lies from 0 (C) to 11 (B)")
        if self.mode not in ("major", "minor"):
            raise ValueError(f"mode {self.mode!r}: a key is 'major' or 'minor'")

    def __str__(self) -> str:
        names = _MAJOR_NAMES if self.mode == "major" else _MINOR_NAMES
        return f"{names[self.tonic]} {self.mode}"

    def transposed(self, *, semitones: int) -> Key:
        """The key that many semitones higher."""
        return Key((self.tonic + semitones) % 12, self.mode)


def parse_key(text: str) -> Key:
    """The key that a name means: `A minor`, `F# minor`, `Bb major`; capitals and enharmonics as you like.

    Raises ValueError, naming what is allowed, when the text is no such name.
    """
    match = _PATTERN.fullmatch(text)
    if match is None:
        raise ValueError(
            f"{text!r} is not a key; write a note from A to G, with # or b if need be, and 'major' or "
            "'minor', for example 'A minor', 'F# minor', 'Bb major'"
        )
    letter, accidental, mode = match.groups()
    tonic = (_LETTERS[letter.upper()] + _ACCIDENTALS[accidental.lower()]) % 12
    return Key(tonic, "major" if mode.lower() == "major" else "minor")


def fifths_distance(a: Key, b: Key) -> int:
    """Steps between two keys on the circle of fifths, 0 to 6; a minor key stands at its relative major.

    One step changes one note of the scale, so that the scales share 7 minus this many notes (up to 5 steps).
    """
    return abs(_fifths_up(a, b))


def relation(a: Key, b: Key) -> str:
    """How `b` lies to `a`, in words: `same key`, `relative`, `a fifth up`, `parallel`, `3 fifths apart`."""
    if a == b:
        return "same key"
    steps = _fifths_up(a, b)
    if steps == 0:
        return "relative"
    if a.tonic == b.tonic:
        return "parallel"
    if abs(steps) > 1:
        return f"{abs(steps)} fifths apart"
    if a.mode != b.mode:
        return "a fifth apart"
    return "a fifth up" if steps > 0 else "a fifth down"


def notes_in_common(a: Key, b: Key) -> int:
    """How many of the seven notes of their scales (minor: natural) two keys share, 2 to 7."""
    return max(7 - fifths_distance(a, b), 2)


def described(a: Key, b: Key) -> str:
    """The relation in words and what it means to the ear: `a fifth up, 6 notes in common`; `same key`."""
    if a == b:
        return relation(a, b)
    return f"{relation(a, b)}, {notes_in_common(a, b)} notes in common"


def fitting_shift(a: Key, b: Key) -> int:
    """By how many semitones, -2 to 2, `b` would have to be shifted to share 6 notes or more with `a`.

    The smallest such shift; of two as small the one that shares more notes, else the one upwards.
    """
    shifted = {semitones: b.transposed(semitones=semitones) for semitones in (0, 1, -1, 2, -2)}
    fitting = [semitones for semitones, key in shifted.items() if fifths_distance(a, key) <= 1]
    return min(fitting, key=lambda semitones: (abs(semitones), fifths_distance(a, shifted[semitones])))


def _fifths_up(a: Key, b: Key) -> int:
    steps = (fifths_place(b) - fifths_place(a)) % 12
    return steps - 12 if steps > 6 else steps


def fifths_place(key: Key) -> int:
    """Place on the circle of fifths, C major and A minor at 0: seven semitones up are one step."""
    major_tonic = key.tonic if key.mode == "major" else key.tonic + 3
    return major_tonic * 7 % 12
