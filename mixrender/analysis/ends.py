"""Level, attacks and drums of each bar in, where a track can be entered and left out, and why in words."""

from __future__ import annotations

import numpy as np

from mixrender.units import FloatArray

PRESENT = 0.5
"""What is at least this probable in a bar is taken to play there."""

_SOUNDING_DB = -30.0
_MOVING = 0.2
_PLAIN_DB = -18.0
_FALLING_DB = -3.0


def sounding(halves_db: FloatArray, attacks: FloatArray) -> tuple[int, int]:
    """First bar worth sounding and the bar line after the last one.

    `halves_db`: level of both halves of each bar, shape (2, bars); `attacks`: their sum in each bar, (bars,).
    A bar is worth it within 30 dB of the loud ones if sounds begin in it (a fifth of the usual attacks), or,
    for held chords, within 18 dB if it is not dying away: silence, noise, a lone crackle and a tail are not.
    """
    levels_db = bar_levels_db(halves_db)
    relative_db = levels_db - np.percentile(levels_db, 90)
    moving = attacks > _MOVING * np.median(attacks)
    held = halves_db[1] - halves_db[0] > _FALLING_DB
    worth = ((relative_db > _SOUNDING_DB) & moving) | ((relative_db > _PLAIN_DB) & held)
    bars = np.flatnonzero(worth)
    if bars.size == 0:
        return 1, attacks.size + 1
    return int(bars[0]) + 1, int(bars[-1]) + 2


def bar_levels_db(halves_db: FloatArray) -> FloatArray:
    """Level of whole bars from that of their halves, shape (2, bars)."""
    return np.asarray(10.0 * np.log10((10.0 ** (halves_db / 10.0)).mean(axis=0)))


def drums_between(drums: FloatArray) -> tuple[int | None, int | None]:
    """The bar in which drums first play and the bar line where they stop for good; None where there are none.

    `drums`: how probably they play, 0 to 1, in each bar from bar 1 on.
    """
    bars = np.flatnonzero(drums >= PRESENT)
    return (int(bars[0]) + 1, int(bars[-1]) + 2) if bars.size else (None, None)


def enter_reason(first_bar: int, drums_from_bar: int | None) -> str:
    """Why a track is entered on this bar, and where its drums begin if one would rather wait for them."""
    before = "hardly a sound before it; " if first_bar > 1 else ""
    if drums_from_bar is None:
        return f"{before}no drums found"
    if drums_from_bar <= first_bar:
        return f"{before}drums from the start"
    return f"{before}no drums until bar {drums_from_bar}"


def leave_reason(last_bar: int, drums_until_bar: int | None, *, bars: int) -> str:
    """Why a track of so many bars should be gone by this bar line, and where its drums stop."""
    after = "; hardly a sound after it" if last_bar <= bars else ""
    if drums_until_bar is None:
        return f"no drums found{after}"
    if drums_until_bar >= last_bar:
        return f"drums to the end{after}"
    return f"no drums from bar {drums_until_bar} on{after}"
