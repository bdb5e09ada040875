"""A sample rate goes in; the two second-order sections of the K weighting of ITU-R BS.1770-5 come out.

The standard tabulates them at 48 kHz and asks for "the same frequency response" at other rates. The usual
bilinear transform bends the top of the curve. Here the poles of the table are moved to the other rate (an
equal decay in seconds), and the numerator is the one that has the table's magnitude at three frequencies:
M. Vicanek, "Matched Second Order Digital Filters", 2016. Greatest deviation from the curve at 48 kHz, up to
20 kHz or 0.45 of the rate: 0.0001 dB from 32 to 192 kHz, 0.0005 dB at 22.05 kHz, 0.03 dB at 8 kHz.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from mixrender.errors import InputError
from mixrender.units import FloatArray

MIN_RATE_HZ = 8_000
MAX_RATE_HZ = 192_000

TABLE_48_KHZ = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621),
)
"""b0, b1, b2, a1, a2 of the shelf and of the high pass: BS.1770-5, Annex 1, tables 1 and 2."""

_TABLE_RATE_HZ = 48_000
_MIDDLE_HZ = 1_000.0
"""By the standard's check tone, on the rise of the shelf; the high pass is at its full gain."""

_TOP_HZ = 20_000.0
_TOP_OF_RATE = 0.45

Section = tuple[float, float, float, float, float]


def k_weighting(sample_rate_hz: int) -> FloatArray:
    """Coefficients b0, b1, b2, a1, a2 (a0 is 1) of the two sections in series, shape (2, 5).

    At 48 kHz they are the standard's table itself. Raises InputError outside 8 to 192 kHz, and if the rate is
    not a whole number.
    """
    if isinstance(sample_rate_hz, bool) or not isinstance(sample_rate_hz, int | np.integer):
        raise InputError(f"A sample rate is a whole number of Hz such as 44100, not {sample_rate_hz!r}.")
    if not MIN_RATE_HZ <= sample_rate_hz <= MAX_RATE_HZ:
        raise InputError(
            f"Loudness cannot be measured at {sample_rate_hz} Hz: the sample rate must lie between "
            f"{MIN_RATE_HZ} and {MAX_RATE_HZ} Hz. Convert the file to 44100 or 48000 Hz."
        )
    if sample_rate_hz == 48_000:
        return np.array(TABLE_48_KHZ)
    return np.array([_shelf(sample_rate_hz), _highpass(sample_rate_hz)])


def _shelf(sample_rate_hz: int) -> Section:
    """The shelf's magnitude is the table's at 0 Hz, on its rise, and at the top."""
    a1, a2 = _moved_poles(TABLE_48_KHZ[0], sample_rate_hz)
    top_hz = min(_TOP_HZ, _TOP_OF_RATE * sample_rate_hz)
    # The squared magnitude of a numerator is a weighted sum of three terms; the first weight is known.
    at_zero = _wanted(0.0, a1, a2, sample_rate_hz)
    (p0, p1, p2), (q0, q1, q2) = (_terms(hz, sample_rate_hz) for hz in (_MIDDLE_HZ, top_hz))
    p = _wanted(_MIDDLE_HZ, a1, a2, sample_rate_hz) - at_zero * p0
    q = _wanted(top_hz, a1, a2, sample_rate_hz) - at_zero * q0
    at_half_rate = (p * q2 - q * p2) / (p1 * q2 - q1 * p2)
    between = (p1 * q - q1 * p) / (p1 * q2 - q1 * p2)
    low, high = math.sqrt(at_zero), math.sqrt(at_half_rate)
    b0 = ((low + high) / 2.0 + math.sqrt(((low + high) / 2.0) ** 2 + between)) / 2.0
    return b0, (low - high) / 2.0, -between / (4.0 * b0), a1, a2


def _highpass(sample_rate_hz: int) -> Section:
    """The high pass keeps its two zeros at 0 Hz; its gain is the table's where that is flat."""
    b0, b1, b2, _, _ = TABLE_48_KHZ[1]
    a1, a2 = _moved_poles(TABLE_48_KHZ[1], sample_rate_hz)
    gain = _magnitude(TABLE_48_KHZ[1], _MIDDLE_HZ, _TABLE_RATE_HZ) / _magnitude(
        (b0, b1, b2, a1, a2), _MIDDLE_HZ, sample_rate_hz
    )
    return gain * b0, gain * b1, gain * b2, a1, a2


def _moved_poles(section: Section, sample_rate_hz: int) -> tuple[float, float]:
    """a1 and a2 at another rate of a section whose poles are a conjugate pair."""
    _, _, _, a1, a2 = section
    pole = -a1 / 2.0 + cmath.sqrt(a1 * a1 / 4.0 - a2)
    moved = cmath.exp(cmath.log(pole) * (_TABLE_RATE_HZ / sample_rate_hz))
    return -2.0 * moved.real, abs(moved) ** 2


def _magnitude(section: Section, frequency_hz: float, sample_rate_hz: int) -> float:
    b0, b1, b2, a1, a2 = section
    z = cmath.exp(-2j * math.pi * frequency_hz / sample_rate_hz)
    return abs((b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z))


def _terms(frequency_hz: float, sample_rate_hz: int) -> tuple[float, float, float]:
    """The terms of a squared magnitude: one at 0 Hz alone, one at half the rate, one between (Vicanek)."""
    half = math.sin(math.pi * frequency_hz / sample_rate_hz) ** 2
    return 1.0 - half, half, 4.0 * half * (1.0 - half)


def _wanted(frequency_hz: float, a1: float, a2: float, sample_rate_hz: int) -> float:
    """Squared magnitude that the numerator over these poles needs to have the table's shelf."""
    poles = 1.0 / _magnitude((1.0, 0.0, 0.0, a1, a2), frequency_hz, sample_rate_hz)
    return float((_magnitude(TABLE_48_KHZ[0], frequency_hz, _TABLE_RATE_HZ) * poles) ** 2)
