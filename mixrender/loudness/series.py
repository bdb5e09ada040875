"""The power of a sound in steps goes in; its momentary and its short-term loudness over time come out."""

from __future__ import annotations

import numpy as np

from mixrender.loudness.meter import (
    ABSOLUTE_GATE_LUFS,
    HOP_STEPS,
    MOMENTARY_STEPS,
    SHORT_TERM_STEPS,
    level_lufs,
    window_powers,
)
from mixrender.loudness.power import STEPS_PER_S, PowerSeries
from mixrender.units import FloatArray

SERIES_HZ = STEPS_PER_S // HOP_STEPS
"""Values a second: EBU Tech 3341 asks for 10 or more."""

Series = tuple[FloatArray, FloatArray]
"""Times in seconds and loudness in LUFS, arrays of one length."""


def momentary_series(power: PowerSeries) -> Series:
    """Loudness of each window of 0.4 s, ten a second, not gated (EBU Tech 3341, 2.2).

    The time of a value is the middle of its window: the first is 0.2 s. NaN where the window is at -70 LUFS,
    the absolute gate, or below: not measurable. Both arrays are empty where the sound is shorter than one
    window. The greatest value may lie a little below the meter's maximum, which is looked for every 5 ms.
    """
    return _series(power, MOMENTARY_STEPS)


def short_term_series(power: PowerSeries) -> Series:
    """As `momentary_series`, with windows of 3 s: the first time is 1.5 s."""
    return _series(power, SHORT_TERM_STEPS)


def _series(power: PowerSeries, width: int) -> Series:
    powers = window_powers(power.energies, width, power.sample_rate_hz, hop=HOP_STEPS)
    lufs = np.full(len(powers), np.nan)
    sounding = powers > 0.0
    lufs[sounding] = level_lufs(powers[sounding])
    lufs[~(lufs > ABSOLUTE_GATE_LUFS)] = np.nan
    return (np.arange(len(powers)) * HOP_STEPS + width / 2) / STEPS_PER_S, lufs
