"""The one table of the controls that moves may name: unit, words, limits and the value that changes nothing.

A control is added here and where the sound is made; nothing else in the plan knows their names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from mixrender.plan.quantities import DECIBEL, HERTZ, Quantity


@dataclass(frozen=True)
class Control:
    """A control of one track. `neutral` leaves the sound untouched: 0 dB, or NaN for an open filter."""

    name: str
    quantity: Quantity
    neutral: float
    text: str

    def parse(self, text: str) -> float:
        """Value in dB (-inf: silent, killed) or Hz (NaN: open); ValueError says what is allowed."""
        return self.quantity.parse(text)

    def is_neutral(self, value: float) -> bool:
        """Whether a value leaves the sound as it is."""
        return math.isnan(value) if math.isnan(self.neutral) else value == self.neutral


def _band(name: str, span: str) -> Control:
    quantity = Quantity(f"a value of `{name}`", "-6 dB", DECIBEL, -100.0, 6.0, {"kill": -math.inf})
    return Control(name, quantity, 0.0, f"Gain of the {span}, in dB up to +6, or `kill`.")


def _filter(name: str, text: str) -> Control:
    quantity = Quantity(f"a value of `{name}`", "900 Hz", HERTZ, 20.0, 20_000.0, {"open": math.nan})
    return Control(name, quantity, math.nan, text)


_ALL = (
    Control(
        "level",
        Quantity("a level", "-6 dB", DECIBEL, -100.0, 12.0, {"silent": -math.inf}),
        0.0,
        "Level of the track, in dB up to +12, or `silent`.",
    ),
    _band("low", "band below the first band edge (250 Hz)"),
    _band("mid", "band between the two band edges"),
    _band("high", "band above the second band edge (2.5 kHz)"),
    _filter("highpass", "Edge below which sound is taken away, 20 to 20,000 Hz, or `open`."),
    _filter("lowpass", "Edge above which sound is taken away, 20 to 20,000 Hz, or `open`."),
)

CONTROLS: Mapping[str, Control] = MappingProxyType({control.name: control for control in _ALL})
