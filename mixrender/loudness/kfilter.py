"""A sample rate goes in; the two second-order sections of the K weighting of ITU-R BS.1770-5 come out.

The standard tabulates them at 48 kHz and asks for "the same frequency response" at other rates. They are
derived here by the bilinear transform from the analogue prototypes behind the table (a high shelf and a high
pass), with the parameters that the source of libebur128 gives; the numerator of the high pass is scaled so
that its pass band keeps the gain it has at 48 kHz, which libebur128 leaves out. Greatest deviation from the
48 kHz curve up to 20 kHz: 0.002 dB at 44.1 kHz, 0.01 dB from 32 to 192 kHz.
"""

from __future__ import annotations

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

_SHELF_HZ = 1681.974450955533
_SHELF_Q = 0.7071752369554196
_SHELF_DB = 3.999843853973347
_SHELF_EXPONENT = 0.4996667741545416
_HIGHPASS_HZ = 38.13547087602444
_HIGHPASS_Q = 0.5003270373238773


def k_weighting(sample_rate_hz: int) -> FloatArray:
    """Coefficients b0, b1, b2, a1, a2 (a0 is 1) of the two sections in series, shape (2, 5).

    At 48 kHz they are the standard's table itself. Raises InputError outside 8 to 192 kHz.
    """
    if not MIN_RATE_HZ <= sample_rate_hz <= MAX_RATE_HZ:
        raise InputError(
            f"Loudness cannot be measured at {sample_rate_hz} Hz: the sample rate must lie between "
            f"{MIN_RATE_HZ} and {MAX_RATE_HZ} Hz. Convert the file to 44100 or 48000 Hz."
        )
    if sample_rate_hz == 48_000:
        return np.array(TABLE_48_KHZ)
    return np.array([_shelf(sample_rate_hz), _highpass(sample_rate_hz)])


def _shelf(sample_rate_hz: int) -> tuple[float, ...]:
    k = math.tan(math.pi * _SHELF_HZ / sample_rate_hz)
    high = 10.0 ** (_SHELF_DB / 20.0)
    band = high**_SHELF_EXPONENT
    a0 = 1.0 + k / _SHELF_Q + k * k
    return (
        (high + band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _SHELF_Q + k * k) / a0,
    )


def _highpass(sample_rate_hz: int) -> tuple[float, ...]:
    k = math.tan(math.pi * _HIGHPASS_HZ / sample_rate_hz)
    a0 = _highpass_a0(sample_rate_hz)
    gain = _highpass_a0(48_000) / a0
    return (
        gain,
        -2.0 * gain,
        gain,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _HIGHPASS_Q + k * k) / a0,
    )


def _highpass_a0(sample_rate_hz: int) -> float:
    """Gain of the pass band when the numerator is 1, -2, 1, as the table has it."""
    k = math.tan(math.pi * _HIGHPASS_HZ / sample_rate_hz)
    return 1.0 + k / _HIGHPASS_Q + k * k
