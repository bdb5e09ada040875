"""How far a move has come, 0 to 1, goes in; the gain of the rising side comes out, by the crossfade's law.

The falling side of a crossfade has the gain of 1 - x. For two signals of equal power and correlation rho the
power of the sum is g_in² + g_out² + 2 rho g_in g_out. Two unrelated sounds keep their power under
`equal-power`; one sound faded into itself keeps its level under `linear`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from mixrender.units import FloatArray

Law = Callable[[FloatArray], FloatArray]

DEFAULT_LAW = "equal-power"


def equal_power(x: FloatArray) -> FloatArray:
    """sin(πx/2): the squares of the two sides add to one."""
    return np.sin(0.5 * np.pi * x)


def linear(x: FloatArray) -> FloatArray:
    """x: the two sides add to one."""
    return np.array(x, dtype=np.float64)


def slow(x: FloatArray) -> FloatArray:
    """x²: comes in late and leaves early, both are low half-way."""
    return np.square(x)


def sharp(x: FloatArray) -> FloatArray:
    """√x: is up soon and stays up long; the squares of the two sides add to one."""
    return np.sqrt(x)


def smooth(x: FloatArray) -> FloatArray:
    """sin²(πx/2): leaves and arrives levelly; the two sides add to one."""
    return raised_cosine(x)


def cut(x: FloatArray) -> FloatArray:
    """1 as soon as x leaves 0: all at once, the incoming at its start and the outgoing, 1 - x, at its end.

    Both are whole in between, so the sum is up to 6 dB louder there.
    """
    return np.where(x > 0.0, 1.0, 0.0)


def raised_cosine(x: FloatArray) -> FloatArray:
    """(1 - cos πx) / 2, with level ends: the shape of every step; the two sides add to one."""
    return np.square(np.sin(0.5 * np.pi * x))


def kill_law(x: FloatArray) -> FloatArray:
    """sin²(πx/2), for a band to or from kill: two equal bands traded at one place add to one."""
    return raised_cosine(x)


LAWS: Mapping[str, Law] = MappingProxyType(
    {
        "equal-power": equal_power,
        "linear": linear,
        "slow": slow,
        "sharp": sharp,
        "smooth": smooth,
        "cut": cut,
    }
)
"""The crossfade laws that a plan may name; each takes x from 0 to 1 and gives the rising gain, 0 to 1."""

ABRUPT_LAWS = frozenset({"sharp", "cut"})
"""Laws whose slope at silence has no bound: next to it, whoever plays them eases them by a raised cosine."""
