"""Sound and fractional reading positions go in; the sound read there, as from a turntable, comes out."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mixrender.units import FloatArray

ZERO_CROSSINGS = 32
KAISER_BETA = 9.0
STEPS = 512
"""Table entries per zero crossing; read with linear interpolation, which leaves about -100 dB of noise."""

GUARD = 0.91
"""At higher speeds the cutoff is lower than half the rate by this factor besides: by half the kernel's
transition band. It sets in gradually, as 1 / speed, so that speed 1 stays exact and a ramp that starts there
has no step in its treble."""

_FAR = 2.0**52
"""Positions beyond this have no fraction in float64 and no frame of any file."""


def varispeed(x: NDArray[np.float64] | NDArray[np.float32], positions: FloatArray) -> FloatArray:
    """Read `x` at exact fractional positions by windowed-sinc interpolation.

    `x` has shape (n, 2) and is silent outside [0, n). `positions` has shape (m,), finite: positions[j] is
    the place in `x`, in frames, that sounds at output frame j. Speed 1 is a step of 1 per frame; where the
    step is larger, the cutoff falls (by 1 / speed, and see GUARD) so that nothing folds back. It may run
    backwards. Returns shape (m, 2), float64; a whole position at speed <= 1 gives exactly that frame of `x`.

    The kernel is a sinc of 32 zero crossings on either side under a Kaiser window of beta 9: band-limited
    interpolation after J. O. Smith, "Digital Audio Resampling Home Page", CCRMA.

    Raises ValueError for wrong shapes and for positions that are not finite.
    """
    positions = np.ascontiguousarray(positions, dtype=np.float64)
    if x.ndim != 2 or x.shape[1] != 2 or positions.ndim != 1:
        raise ValueError(
            f"varispeed takes sound (n, 2) and positions (m,), not {x.shape} and {positions.shape}"
        )
    if not np.all(np.abs(positions) < _FAR):
        raise ValueError("varispeed positions must be finite and below 2^52 frames")
    out = np.zeros((len(positions), 2))
    if len(positions) and len(x):
        _read(np.ascontiguousarray(x), positions, _speeds(positions), KERNEL, out)
    return out


def reach_frames(speed: float) -> int:
    """How far around a position `varispeed` reads at that speed or any lower one."""
    return math.ceil(ZERO_CROSSINGS * max(speed, 1.0) / GUARD) + 1


def _speeds(positions: FloatArray) -> FloatArray:
    """Step per output frame, taken over the frames on both sides: shape (m,)."""
    if len(positions) < 2:
        return np.ones(len(positions))
    return np.abs(np.gradient(positions))


def _design() -> FloatArray:
    """Right half of the windowed sinc, `STEPS` entries per zero crossing and one beyond the end."""
    at = np.arange(ZERO_CROSSINGS * STEPS + 2) / STEPS
    inside = np.clip(1.0 - (at / ZERO_CROSSINGS) ** 2, 0.0, None)
    kernel: FloatArray = np.sinc(at) * np.i0(KAISER_BETA * np.sqrt(inside)) / np.i0(KAISER_BETA)
    kernel[STEPS::STEPS] = 0.0  # exact zeros keep whole positions exact
    kernel[ZERO_CROSSINGS * STEPS :] = 0.0
    return kernel


KERNEL = _design()
"""The interpolator, for whoever reads at fractional places: entry `STEPS` x is its weight x frames away."""

KERNEL.setflags(write=False)


# One thread on purpose: numba's default pool may not be entered from two threads at once, and spans are
# rendered side by side already; without the GIL they do not wait for each other here.
@njit(cache=True, nogil=True, fastmath=False)
def _read(x, positions, speeds, kernel, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n = x.shape[0]
    for j in range(positions.shape[0]):
        position = positions[j]
        cutoff = 1.0
        if speeds[j] > 1.0:
            cutoff = max(1.0 / speeds[j], GUARD) / speeds[j]
        reach = ZERO_CROSSINGS / cutoff
        first = max(0, math.ceil(position - reach))
        last = min(n - 1, math.floor(position + reach))
        scale = cutoff * STEPS
        left = 0.0
        right = 0.0
        for k in range(first, last + 1):
            place = abs(position - k) * scale
            i = int(place)
            weight = kernel[i] + (place - i) * (kernel[i + 1] - kernel[i])
            left += weight * x[k, 0]
            right += weight * x[k, 1]
        out[j, 0] = left * cutoff
        out[j, 1] = right * cutoff
