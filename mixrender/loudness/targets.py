"""Names and texts go in; loudness targets come out, those of published documents with what they rest on.

A text is the name of a published target, or figures in the words of a plan: `-14 LUFS, -1 dBTP`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from mixrender.plan import quantities as q
from mixrender.plan.target_text import EXAMPLE, FIGURES, target_words

FREE_TOLERANCE_LU = 0.1
"""How far sound may lie from a loudness that someone wrote as a figure."""

FREE_TRUE_PEAK_DBTP = -1.0
"""The true peak that figures without one allow, as in a plan."""


@dataclass(frozen=True)
class Target:
    """What sound must keep to: bounds of its figures, None where there is none, and where they stand.

    `aims_lufs` are the lowest and the highest integrated loudness that is asked for, equal where it is one
    figure; `below_lu` and `above_lu` is what may be missing from the lower or lie over the upper. With
    `of_loudest` that is asked of the loudest of several files, and the others lie as far below it as they
    do. `source` says how the figures are known, `document` where they stand, None for figures of one's own.
    """

    name: str
    document: str | None
    source: str
    aims_lufs: tuple[float, float] | None
    true_peak_dbtp: float
    below_lu: float = FREE_TOLERANCE_LU
    above_lu: float = FREE_TOLERANCE_LU
    max_short_term_lufs: float | None = None
    max_range_lu: float | None = None
    of_loudest: bool = False

    @property
    def integrated_lufs(self) -> float | None:
        """The loudness to aim at where there is nothing to measure yet: the middle of what is asked for."""
        return None if self.aims_lufs is None else sum(self.aims_lufs) / 2

    @property
    def lowest_lufs(self) -> float | None:
        """The least integrated loudness that is allowed."""
        return None if self.aims_lufs is None else self.aims_lufs[0] - self.below_lu

    @property
    def highest_lufs(self) -> float | None:
        """The greatest integrated loudness that is allowed."""
        return None if self.aims_lufs is None else self.aims_lufs[1] + self.above_lu


_READ = "known from EBU Tech 3343 (2023), which quotes it"
_SECOND_HAND = "second-hand, from the trade press; the document itself was not read"

_PUBLISHED = (
    Target(
        name="EBU R 128",
        document="EBU R 128, version 5 (2023), linear PCM",
        source=_READ,
        aims_lufs=(-23.0, -23.0),
        below_lu=0.2,
        above_lu=0.2,
        true_peak_dbtp=-1.0,
    ),
    Target(
        name="EBU R 128 s1",
        document="EBU R 128, supplement 1, sound shorter than a minute",
        source=_READ,
        aims_lufs=(-23.0, -23.0),
        below_lu=0.2,
        above_lu=0.2,
        true_peak_dbtp=-1.0,
        max_short_term_lufs=-18.0,
    ),
    Target(
        name="EBU R 128 s2",
        document="EBU R 128, supplement 2, version 3 (2023), streams without loudness metadata",
        source=f"{_READ}; the bounds are {_SECOND_HAND}",
        aims_lufs=(-20.0, -16.0),
        below_lu=0.2,
        above_lu=0.2,
        true_peak_dbtp=-1.0,
    ),
    Target(
        name="AES TD1004",
        document="AES TD1004 (2015), streams",
        source=f"{_SECOND_HAND}; it gives no tolerance",
        aims_lufs=(-20.0, -16.0),
        below_lu=0.0,
        above_lu=0.0,
        true_peak_dbtp=-1.0,
    ),
    Target(
        name="AES77 music track",
        document="AES77, before that AES TD1008 (2021), music levelled track by track",
        source=f"{_SECOND_HAND}; sources say ±2 LU or no louder, and -2/+0 LU keeps to both",
        aims_lufs=(-16.0, -16.0),
        below_lu=2.0,
        above_lu=0.0,
        true_peak_dbtp=-1.0,
    ),
    Target(
        name="AES77 music album",
        document="AES77, before that AES TD1008 (2021), the loudest track of an album",
        source=f"{_SECOND_HAND}; sources say ±2 LU or no louder, and -2/+0 LU keeps to both",
        aims_lufs=(-14.0, -14.0),
        below_lu=2.0,
        above_lu=0.0,
        true_peak_dbtp=-1.0,
        of_loudest=True,
    ),
    Target(
        name="ATSC A/85",
        document="ATSC A/85:2013, television; of long programmes it is the dialogue that counts",
        source=_SECOND_HAND,
        aims_lufs=(-24.0, -24.0),
        below_lu=2.0,
        above_lu=2.0,
        true_peak_dbtp=-2.0,
    ),
)

TARGETS: Mapping[str, Target] = MappingProxyType({target.name.lower(): target for target in _PUBLISHED})
"""Every published target by its name in small letters. No document sets a target for DJ mixes."""


_FREE = Target("", None, "as asked for", aims_lufs=None, true_peak_dbtp=FREE_TRUE_PEAK_DBTP)


def find_target(name: str) -> Target | None:
    """The published target of that name, capitals and spaces aside; None if there is none."""
    plain = _without_spaces(name)
    return next((target for target in TARGETS.values() if _without_spaces(target.name) == plain), None)


def _without_spaces(name: str) -> str:
    return "".join(name.lower().split())


def read_target(text: str) -> Target:
    """The target that a text names or writes; ValueError with a sentence for the user if it does neither.

    It is the name of a published target, figures, or both, the figures then taking the place of the
    target's own: `EBU R 128`, `-14 LUFS, -1 dBTP`, `EBU R 128, -2 dBTP`, and as a plan has them,
    `{integrated: -14 LUFS, true_peak: -1 dBTP}`. Where no true peak is said it is -1 dBTP.
    """
    words = target_words(text.strip().removeprefix("{").removesuffix("}"))
    named = published_target(words.pop("name")) if "name" in words else None
    return _with_figures(named, words) if words or named is None else named


def published_target(name: str) -> Target:
    """The published target of that name; ValueError with a sentence for the user where there is none."""
    found = find_target(name)
    if found is None:
        raise ValueError(
            f"no published target is called {q.shorten(name)}{_hint(name)}; write figures, {EXAMPLE}, or "
            f"{q.one_of(target.name for target in TARGETS.values())}"
        )
    return found


def _hint(name: str) -> str:
    """The names that hold what was written, `R128`, else the one that looks most like it."""
    names, plain = [target.name for target in TARGETS.values()], _without_spaces(name)
    near = [known for known in names if plain and plain in _without_spaces(known)]
    near = near or [known for known in [q.nearest(name, names)] if known]
    return f" (did you mean {q.one_of(near)}?)" if near else ""


def _with_figures(named: Target | None, words: Mapping[str, str]) -> Target:
    """A target of figures, or a published one with some of its figures replaced."""
    found = {word: FIGURES[word].parse(text) + 0.0 for word, text in words.items()}  # -0 dBTP is 0 dBTP
    integrated_lufs = found.get("integrated")
    if named is None:
        found.setdefault("true_peak", FREE_TRUE_PEAK_DBTP)
    base = named or _FREE
    told = [f"{found[word]:g} {quantity.unit}" for word, quantity in FIGURES.items() if word in found]
    return replace(
        base,
        name=", ".join([base.name, *told] if base.name else told),
        aims_lufs=base.aims_lufs if integrated_lufs is None else (integrated_lufs, integrated_lufs),
        true_peak_dbtp=found.get("true_peak", base.true_peak_dbtp),
    )
