"""Sound and the cutoff of a filter at every sample go in; high-, low- or band-passed sound comes out.

A second-order state-variable filter by trapezoidal integration: 12 dB per octave (a band-pass has 6 on each
side and 0 dB in its middle), stable however fast its cutoff moves. Sources: A. Simper, "Solving the
continuous SVF equations using trapezoidal integration and equivalent currents", 2013; A. Wishnick,
"Time-Varying Filters for Musical Applications", DAFx-14, which proves that its output stays bounded under any
modulation.
"""

from __future__ import annotations

import math
from typing import Literal

import numba
import numpy as np

from mixrender.units import FloatArray

BUTTERWORTH_Q = math.sqrt(0.5)
MAX_CUTOFF_OF_RATE = 0.49
"""Cutoffs are held below this share of the sample rate, where the bilinear transform still has a sense."""

FilterKind = Literal["highpass", "lowpass", "bandpass"]
_KINDS: tuple[FilterKind, ...] = ("highpass", "lowpass", "bandpass")


def silent_state() -> FloatArray:
    """The state after silence: the two integrators of each of two channels, shape (2, 2)."""
    return np.zeros((2, 2))


def resting_state() -> FloatArray:
    """The state of a filter that is not in use; it wakes as if its first sample had sounded for ever."""
    return np.full((2, 2), np.nan)


def svf(
    x: FloatArray,
    cutoff_hz: FloatArray,
    *,
    kind: FilterKind,
    sample_rate_hz: int,
    state: FloatArray | None = None,
    q: float = BUTTERWORTH_Q,
) -> tuple[FloatArray, FloatArray]:
    """Filter a block of sound with a cutoff for every sample.

    Parameters: `x` of shape (n, 2); `cutoff_hz` of shape (n,), above 0, held below 0.49 of the sample rate;
    `state` as the block before returned it (None: silence before). Returns the sound, shape (n, 2), and the
    state after it; a stream may be cut into blocks anywhere with equal results.
    """
    state = silent_state() if state is None else state
    return svf_faded(
        x, cutoff_hz, np.ones(len(x)), kind=kind, sample_rate_hz=sample_rate_hz, state=state, q=q
    )


def svf_faded(
    x: FloatArray,
    cutoff_hz: FloatArray,
    wet: FloatArray,
    *,
    kind: FilterKind,
    sample_rate_hz: int,
    state: FloatArray | None = None,
    q: float = BUTTERWORTH_Q,
) -> tuple[FloatArray, FloatArray]:
    """Filter a block of sound of which only the share `wet`, shape (n,), 0 to 1, goes through the filter.

    As `svf`, except that the filter rests wherever `wet` is 0 (state None: it rests before): there the sound
    is `x` itself and the state is forgotten, so a block without any `wet` may be left out.
    """
    if not len(x) == len(cutoff_hz) == len(wet):
        raise ValueError(f"{len(x)} frames of sound, {len(cutoff_hz)} cutoffs and {len(wet)} shares differ")
    state = resting_state() if state is None else state.copy()
    y = np.empty((len(x), 2))
    _run(
        np.ascontiguousarray(x, dtype=np.float64),
        np.minimum(cutoff_hz, MAX_CUTOFF_OF_RATE * sample_rate_hz) * (math.pi / sample_rate_hz),
        np.ascontiguousarray(wet, dtype=np.float64),
        _KINDS.index(kind),
        1.0 / q,
        state,
        y,
    )
    return y, state


@numba.njit(cache=True)
def _run(
    x: FloatArray,
    half_angle: FloatArray,
    wet: FloatArray,
    kind: int,
    k: float,
    state: FloatArray,
    y: FloatArray,
) -> None:
    """One pass over a block, into `state` and `y`; `kind` counts in `_KINDS`.

    g = tan(pi fc / fs), k = 1 / Q, a1 = 1 / (1 + g (g + k)), a2 = g a1, a3 = g a2.
    """
    last_angle = -1.0
    a1 = a2 = a3 = 0.0
    for n in range(x.shape[0]):
        share = wet[n]
        if share == 0.0:
            y[n, 0] = x[n, 0]
            y[n, 1] = x[n, 1]
            state[:, :] = np.nan
            continue
        if half_angle[n] != last_angle:  # a cutoff that stands still costs no tangent
            last_angle = half_angle[n]
            g = math.tan(last_angle)
            a1 = 1.0 / (1.0 + g * (g + k))
            a2 = g * a1
            a3 = g * a2
        for c in range(2):
            v0 = x[n, c]
            if math.isnan(state[c, 0]):
                state[c, 0] = 0.0
                state[c, 1] = v0
            v3 = v0 - state[c, 1]
            v1 = a1 * state[c, 0] + a2 * v3
            v2 = state[c, 1] + a2 * state[c, 0] + a3 * v3
            state[c, 0] = 2.0 * v1 - state[c, 0]
            state[c, 1] = 2.0 * v2 - state[c, 1]
            filtered = v0 - k * v1 - v2 if kind == 0 else v2 if kind == 1 else k * v1
            y[n, c] = (1.0 - share) * v0 + share * filtered
