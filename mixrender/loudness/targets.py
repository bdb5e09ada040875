"""Names and texts go in; loudness targets come out, those of published documents with what they rest on.

A text is the name of a published target, or figures in the words of a plan: `-14 LUFS, -1 dBTP`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from mixrender.plan import quantities as q

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
    do. `source` says how the figures are known.
    """

    name: str
    document: str
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


def find_target(name: str) -> Target | None:
    """The published target of that name, capitals and spaces aside; None if there is none."""
    plain = _without_spaces(name)
    return next((target for target in TARGETS.values() if _without_spaces(target.name) == plain), None)


def _without_spaces(name: str) -> str:
    return "".join(name.lower().split())


def read_target(text: str) -> Target:
    """The published target that a text names, or one of its figures; ValueError with a sentence if neither.

    Figures are an integrated loudness, a true peak, or both: `-14 LUFS`, `-14 LUFS, -1 dBTP`, and as a plan
    has them, `{integrated: -14 LUFS, true_peak: -1 dBTP}`. Without a true peak it is -1 dBTP.
    """
    plain = text.strip().removeprefix("{").removesuffix("}").strip()
    if re.match(r"[-+−.0-9]|(?:integrated|true_peak)\s*:", plain, re.IGNORECASE):
        return _of_figures(plain)
    found = find_target(text)
    if found is None:
        names = [target.name for target in TARGETS.values()]
        near = q.nearest(text, names)
        hint = f" (did you mean `{near}`?)" if near else ""
        raise ValueError(
            f"no published target is called {q.shorten(text)}{hint}; write figures, `-14 LUFS, -1 dBTP`, or "
            f"{q.one_of(names)}"
        )
    return found


def _of_figures(text: str) -> Target:
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None
    for number, part in enumerate(text.split(",")):
        word, figure = _split(part, usual="integrated" if number == 0 else "true_peak")
        if word == "true_peak":
            value = q.TRUE_PEAK.parse(figure)
            if true_peak_dbtp is not None:
                raise ValueError(f"found {q.shorten(text)} with two true peaks; write one")
            true_peak_dbtp = value + 0.0  # -0 dBTP is 0 dBTP
        else:
            value = q.INTEGRATED.parse(figure)
            if integrated_lufs is not None:
                raise ValueError(f"found {q.shorten(text)} with two loudnesses; write one")
            integrated_lufs = value + 0.0
    if true_peak_dbtp is None:
        true_peak_dbtp = FREE_TRUE_PEAK_DBTP
    figures = [f"{integrated_lufs:g} LUFS"] if integrated_lufs is not None else []
    return Target(
        name=", ".join([*figures, f"{true_peak_dbtp:g} dBTP"]),
        document="none",
        source="as asked for",
        aims_lufs=None if integrated_lufs is None else (integrated_lufs, integrated_lufs),
        true_peak_dbtp=true_peak_dbtp,
    )


def _split(part: str, *, usual: str) -> tuple[str, str]:
    """Which figure a text is, by its word or its unit, else the `usual` one; and its number with its unit."""
    word, colon, figure = part.rpartition(":")
    word = word.strip().lower()
    if colon and word not in ("integrated", "true_peak"):
        raise ValueError(f"found {q.shorten(part)}; write `integrated` or `true_peak` before a colon")
    if not word:
        unit = figure.strip().lower()[-4:]
        word = {"dbtp": "true_peak", "lufs": "integrated"}.get(unit, usual)
    return word, figure
