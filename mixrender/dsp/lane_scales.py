"""A segment of a control and how far it has come go in; the control's value comes out, on its own scale.

Each kind of control has a scale: the numbers on which it moves and on which steps fade. Levels and bands fade
in linear gain, frequencies in their logarithm, amounts as they are. A kind is added by a scale here and its
line in the tables.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from mixrender.dsp.laws import ABRUPT_LAWS, DEFAULT_LAW, LAWS, Law, kill_law, raised_cosine
from mixrender.units import FloatArray, db_to_gain

Kind = Literal["level", "band", "highpass", "lowpass", "amount", "frequency", "damping"]

STEP_S = 0.010
SILENT = KILL = -math.inf
"""Level or band gain in dB of nothing at all."""
OPEN = math.nan
"""Cutoff in Hz of a filter that leaves the sound untouched."""

HIGHPASS_RIM_HZ = 20.0
LOWPASS_RIM_HZ = 20_000.0
CONTROL_KINDS: dict[str, Kind] = {
    "level": "level",
    "low": "band",
    "mid": "band",
    "high": "band",
    "highpass": "highpass",
    "lowpass": "lowpass",
    "echo": "amount",
    "echo.time": "amount",
    "echo.feedback": "amount",
    "echo.damping": "damping",
    "reverb": "amount",
    "reverb.time": "amount",
    "reverb.damping": "damping",
    "phaser": "amount",
    "phaser.time": "amount",
    "phaser.centre": "frequency",
    "phaser.depth": "amount",
    "phaser.feedback": "amount",
    "flanger": "amount",
    "flanger.time": "amount",
    "flanger.delay": "amount",
    "flanger.depth": "amount",
    "flanger.feedback": "amount",
    "gate": "amount",
    "gate.time": "amount",
    "gate.open": "amount",
}
"""The kind of each control of a track by name; amounts are per cent, beats or ms, as the plan has them."""
NEUTRAL: dict[Kind, float] = {
    "level": 0.0,
    "band": 0.0,
    "highpass": OPEN,
    "lowpass": OPEN,
    "amount": 0.0,
    "damping": OPEN,
}
"""The value of each kind that changes nothing, in its own unit; no frequency does."""
RIM_HZ: dict[Kind, float] = {"highpass": HIGHPASS_RIM_HZ, "lowpass": LOWPASS_RIM_HZ}
"""Where a move of a filter from or to `open` begins or ends, in Hz."""
DAMPING_RIM_HZ = 20_000.0
"""From here on a damping is `open`: it moves as if that were its cutoff."""


@dataclass(frozen=True)
class Segment:
    """A stretch in which a lane moves, from `start` up to, not including, `end`.

    `axis` says what these count: `"beats"` of the mix, for a straight move from `before` to `after`; or
    `"frames"`, for a step that fades by a raised cosine from what the lane does to `after`. Values are in the
    kind's own unit. A step of no length is a jump, used for a cutoff that nobody hears.

    `curve` names the crossfade law of a level from or to silence. `edge` is the share of the move that
    `STEP_S` takes: there a law that leaves silence with a jump is eased.
    """

    axis: Literal["beats", "frames"]
    start: float
    end: float
    before: float
    after: float
    curve: str = DEFAULT_LAW
    edge: float = 0.0


class GainScale:
    """Levels and bands: straight in dB between finite values, along a law in gain from or to nothing."""

    def __init__(self, law_of: Callable[[Segment], Law]):
        self._law_of = law_of

    def inner(self, value: float) -> float:
        """The linear gain of a level in dB."""
        return db_to_gain(value)

    def between(self, segment: Segment, x: FloatArray) -> FloatArray:
        """Values on this scale where a move has come as far as x, 0 to 1."""
        law = self._law_of(segment)
        if segment.before == SILENT:
            return db_to_gain(segment.after) * law(x)
        if segment.after == SILENT:
            return db_to_gain(segment.before) * law(1.0 - x)
        return db_to_gain(mixed(segment.before, segment.after, x))

    def outer(self, inner: FloatArray) -> FloatArray:
        """The linear gain itself."""
        return inner


class AmountScale:
    """Amounts: straight."""

    def inner(self, value: float) -> float:
        """The amount itself."""
        return value

    def between(self, segment: Segment, x: FloatArray) -> FloatArray:
        """Values on this scale where a move has come as far as x, 0 to 1."""
        return mixed(segment.before, segment.after, x)

    def outer(self, inner: FloatArray) -> FloatArray:
        """The amount itself."""
        return inner


class CutoffScale:
    """Cutoffs: straight in the logarithm of the frequency, so many octaves a beat."""

    def inner(self, value: float) -> float:
        """The logarithm of a cutoff in Hz."""
        return math.log(value)

    def between(self, segment: Segment, x: FloatArray) -> FloatArray:
        """Values on this scale where a move has come as far as x, 0 to 1."""
        return mixed(math.log(segment.before), math.log(segment.after), x)

    def outer(self, inner: FloatArray) -> FloatArray:
        """The cutoff in Hz."""
        return np.exp(inner)


class DampingScale(CutoffScale):
    """Cutoffs inside a loop: as others, and NaN, no damping at all, from `DAMPING_RIM_HZ` on."""

    def inner(self, value: float) -> float:
        """The logarithm of a cutoff in Hz, of the rim for NaN."""
        return math.log(_damping_hz(value))

    def between(self, segment: Segment, x: FloatArray) -> FloatArray:
        """Values on this scale where a move has come as far as x, 0 to 1."""
        return mixed(self.inner(segment.before), self.inner(segment.after), x)

    def outer(self, inner: FloatArray) -> FloatArray:
        """The cutoff in Hz, or NaN."""
        return np.where(inner >= self.inner(OPEN), OPEN, np.exp(inner))


def _damping_hz(value: float) -> float:
    return DAMPING_RIM_HZ if math.isnan(value) else value


def mixed(before: float | FloatArray, after: float, x: FloatArray) -> FloatArray:
    """From `before` at x = 0 to `after` at x = 1, exact at both ends."""
    return before * (1.0 - x) + after * x


def _level_law(segment: Segment) -> Law:
    """The segment's law; one whose slope at 0 has no bound begins with a raised cosine of `STEP_S`."""
    law = LAWS[segment.curve]
    if segment.curve not in ABRUPT_LAWS or not segment.edge:
        return law
    return lambda x: law(x) * raised_cosine(np.minimum(x / segment.edge, 1.0))


def _band_law(segment: Segment) -> Law:
    return kill_law


SCALES: dict[Kind, GainScale | AmountScale | CutoffScale] = {
    "level": GainScale(_level_law),
    "band": GainScale(_band_law),
    "highpass": CutoffScale(),
    "lowpass": CutoffScale(),
    "amount": AmountScale(),
    "frequency": CutoffScale(),
    "damping": DampingScale(),
}
"""The scale of each kind."""
