"""The one table of what moves may name: controls and effects with their parameters, and events.

Each control has a unit, words, limits and the value that changes nothing. One is added here and where the
sound is made; nothing else in the plan knows their names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from mixrender.plan.quantities import DECIBEL, HERTZ, Quantity

PERCENT = {"%": 1.0}
BEATS = {"beats": 1.0, "beat": 1.0}
MILLISECONDS = {"ms": 1.0}


@dataclass(frozen=True)
class Control:
    """A lane of one track. `neutral` is what holds where nothing is said: 0 dB, NaN for an open filter."""

    name: str
    quantity: Quantity
    neutral: float
    text: str

    def parse(self, text: str) -> float:
        """Value in the control's unit, such as dB (-inf: silent, killed) or Hz (NaN: open).

        ValueError says what is allowed.
        """
        return self.quantity.parse(text)

    def is_neutral(self, value: float) -> bool:
        """Whether a value leaves the sound as it is."""
        return math.isnan(value) if math.isnan(self.neutral) else value == self.neutral


@dataclass(frozen=True)
class Effect:
    """An effect of a track: the lane of its amount, and of each parameter, by the word for it."""

    name: str
    text: str
    amount: Control
    parameters: Mapping[str, Control]

    @property
    def words(self) -> tuple[str, ...]:
        """What a map with parameters may hold."""
        return ("amount", *self.parameters)


@dataclass(frozen=True)
class Event:
    """Something that happens to a track from a place on, for a length, in place of what it would play."""

    name: str
    text: str


def _band(name: str, span: str) -> Control:
    quantity = Quantity(f"a value of `{name}`", "-6 dB", DECIBEL, -100.0, 6.0, {"kill": -math.inf})
    return Control(name, quantity, 0.0, f"Gain of the {span}, in dB up to +6, or `kill`.")


def _filter(name: str, text: str) -> Control:
    quantity = Quantity(f"a value of `{name}`", "900 Hz", HERTZ, 20.0, 20_000.0, {"open": math.nan})
    return Control(name, quantity, math.nan, text)


def _percent(name: str, neutral: float, low: float, high: float, text: str) -> Control:
    example = f"{neutral or 60.0:g} %"
    return Control(name, Quantity(f"a value of `{name}`", example, PERCENT, low, high), neutral, text)


def _beats(name: str, neutral: float, low: float, high: float, text: str) -> Control:
    example = "3/4 beat" if neutral == 0.75 else "1/2 beat" if neutral == 0.5 else f"{neutral:g} beats"
    quantity = Quantity(f"a value of `{name}`", example, BEATS, low, high, fractions=True)
    return Control(name, quantity, neutral, text)


def _damping(name: str) -> Control:
    quantity = Quantity(f"a value of `{name}`", "6 kHz", HERTZ, 200.0, 20_000.0, {"open": math.nan})
    return Control(name, quantity, 6000.0, "Edge above which what rings on loses more, or `open`.")


def _effect(name: str, text: str, *parameters: Control) -> Effect:
    amount = _percent(name, 0.0, 0.0, 100.0, f"Amount of {name}, 0 % to 100 %.")
    return Effect(name, text, amount, {control.name.split(".")[1]: control for control in parameters})


_LANES = (
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

_EFFECTS = (
    _effect(
        "echo",
        "What is sent into the echo; it rings on, under the next track too.",
        _beats("echo.time", 0.75, 1 / 32, 8.0, "From one repeat to the next, in beats of the mix."),
        _percent("echo.feedback", 50.0, 0.0, 90.0, "Share of each repeat that comes back in the next."),
        _damping("echo.damping"),
    ),
    _effect(
        "reverb",
        "What is sent into the reverb; it rings on, under the next track too.",
        _beats("reverb.time", 4.0, 1 / 4, 32.0, "Until it has decayed by 60 dB, in beats of the mix."),
        _damping("reverb.damping"),
    ),
    _effect(
        "phaser",
        "How deep the notches are that wander through the sound.",
        _beats("phaser.time", 16.0, 1 / 4, 256.0, "From one sweep to the next, in beats of the mix."),
        Control(
            "phaser.centre",
            Quantity("a value of `phaser.centre`", "800 Hz", HERTZ, 50.0, 10_000.0),
            800.0,
            "Frequency around which the notches wander.",
        ),
        _percent("phaser.depth", 100.0, 0.0, 100.0, "How far they wander, 100 % being two octaves each way."),
        _percent("phaser.feedback", 0.0, 0.0, 90.0, "How sharp the peaks between the notches are."),
    ),
    _effect(
        "flanger",
        "How deep the comb is that wanders through the sound.",
        _beats("flanger.time", 16.0, 1 / 4, 256.0, "From one sweep to the next, in beats of the mix."),
        Control(
            "flanger.delay",
            Quantity("a value of `flanger.delay`", "3 ms", MILLISECONDS, 0.2, 20.0),
            3.0,
            "The delay around which it wanders.",
        ),
        _percent("flanger.depth", 50.0, 0.0, 100.0, "How far it wanders, as a share of the delay."),
        _percent("flanger.feedback", 0.0, 0.0, 90.0, "How sharp the peaks of the comb are."),
    ),
    _effect(
        "gate",
        "How much of the sound is taken away while the gate is closed.",
        _beats("gate.time", 0.5, 1 / 32, 8.0, "From one opening to the next, in beats of the mix."),
        _percent("gate.open", 50.0, 5.0, 95.0, "Share of that time for which it is open."),
    ),
)

_EVENTS = (
    Event("mute", "Silence for a length, such as `0.4 s` or `1 beat`."),
    Event("reverse", "That length is played backwards."),
    Event("brake", "The track slows down to a stop in that length, as a platter does."),
    Event("spin_up", "The track comes up from a standstill and is at its speed after that length."),
)

EFFECTS: Mapping[str, Effect] = MappingProxyType({effect.name: effect for effect in _EFFECTS})

EVENTS: Mapping[str, Event] = MappingProxyType({event.name: event for event in _EVENTS})

CONTROLS: Mapping[str, Control] = MappingProxyType(
    {control.name: control for control in _LANES}
    | {effect.name: effect.amount for effect in _EFFECTS}
    | {control.name: control for effect in _EFFECTS for control in effect.parameters.values()}
)
"""Every lane: controls, amounts of effects, and their parameters as `echo.time`."""

WORDS: tuple[str, ...] = (*(control.name for control in _LANES), *EFFECTS, *EVENTS)
"""The keys of a `moves` map."""

NOISE_LEVEL = CONTROLS["level"]
NOISE_CUTOFF = Control(
    "cutoff",
    Quantity("a cutoff", "800 Hz", HERTZ, 20.0, 20_000.0),
    800.0,
    "Edge, or middle, of the filter that the noise goes through.",
)
"""The two lanes of a noise sweep."""
