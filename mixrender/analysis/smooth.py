"""Values with weights in, the smooth curve through them out, as stiff as the values themselves ask for.

Whittaker's smoother (Eilers, "A perfect smoother", Analytical Chemistry 2003): squared misfits plus a
stiffness times squared second differences. The stiffness has the least generalised cross-validation (Craven
and Wahba, Numerische Mathematik 1979); outliers are left out (Tukey's biweight).
"""

from __future__ import annotations

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_STIFFNESS = (30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0)
_LEAST_WEIGHT = 1e-4
_OUTLIER = 0.04
_ROUNDS = 4


def smoothed(values: FloatArray, weights: FloatArray, *, breaks: tuple[int, ...] = ()) -> FloatArray:
    """The curve, shape (n,); before each index of `breaks` it may jump and bend.

    `values` and `weights`, shape (n,), n >= 3; misfits of more than 0.04, or twice the usual, are outliers.
    """
    curves = [_robust(values, weights, stiffness, breaks) for stiffness in _STIFFNESS]
    scores = [
        _cross_validation(values - curve, used, stiffness)
        for (curve, used), stiffness in zip(curves, _STIFFNESS, strict=True)
    ]
    return curves[int(np.argmin(scores))][0]


def _robust(
    values: FloatArray, weights: FloatArray, stiffness: float, breaks: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    used = weights + _LEAST_WEIGHT
    for _ in range(_ROUNDS):
        curve = _curve(values, used, stiffness, breaks)
        off = np.abs(values - curve)
        heard = off[weights > 0.05]
        scale = max(_OUTLIER, 2.0 * float(np.median(heard)) if heard.size else 0.0)
        used = weights * np.maximum(1.0 - (off / scale) ** 2, 0.0) ** 2 + _LEAST_WEIGHT
    return curve, used


def _curve(values: FloatArray, weights: FloatArray, stiffness: float, breaks: tuple[int, ...]) -> FloatArray:
    bend = np.full(values.size - 2, stiffness)
    for index in breaks:
        bend[max(index - 2, 0) : index] = 0.0
    bands = np.zeros((3, values.size))
    bands[2] = weights
    bands[2, :-2] += bend
    bands[2, 1:-1] += 4.0 * bend
    bands[2, 2:] += bend
    bands[1, 1:-1] -= 2.0 * bend
    bands[1, 2:] -= 2.0 * bend
    bands[0, 2:] = bend
    return np.asarray(scipy.linalg.solveh_banded(bands, weights * values))


def _cross_validation(misfit: FloatArray, weights: FloatArray, stiffness: float) -> float:
    """Generalised cross-validation, the trace taken as if all weights were their mean."""
    mean = float(weights.mean())
    waves = np.pi * np.arange(misfit.size) / misfit.size
    freedom = float(np.sum(1.0 / (1.0 + stiffness / mean * (2.0 - 2.0 * np.cos(waves)) ** 2)))
    power = float((weights * misfit**2).sum()) / (mean * misfit.size)
    return power / max(1.0 - freedom / misfit.size, 1e-3) ** 2
