"""One number, or one for each frame, goes in; one for each frame comes out."""

from __future__ import annotations

import numpy as np

from mixrender.units import FloatArray


def per_frame(value: float | FloatArray, n_frames: int) -> FloatArray:
    """A parameter of an effect at every frame, shape (n_frames,), contiguous for compiled loops.

    Raises ValueError where `value` is an array of any other length.
    """
    values = np.asarray(value, dtype=np.float64)
    if values.shape not in {(), (n_frames,)}:
        raise ValueError(f"{n_frames} frames of sound and a parameter of shape {values.shape} differ")
    return np.ascontiguousarray(np.broadcast_to(values, (n_frames,)))
