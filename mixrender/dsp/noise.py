"""Frame numbers go in; white noise comes out, the same for a frame however it is read."""

from __future__ import annotations

import math

import numpy as np

from mixrender.units import FloatArray

NOISE_RMS = 0.1
"""Level of either channel: -20 dB of full scale; no sample is above √3 times that, -15.2 dB."""

_FRAMES_PER_COUNT = 2
"""The generator makes four numbers of 64 bits for each value of its counter: two frames of two channels."""
_COUNTS = 2**256


def noise(start: int, stop: int, *, seed: int) -> FloatArray:
    """White noise of the frames from `start` up to, not including, `stop`: shape (stop - start, 2).

    Uniformly distributed, mean 0, RMS `NOISE_RMS` from 0 Hz to half the rate; the channels are independent,
    as are other seeds (0 to 2^128 - 1). Frames may be negative. The generator counts instead of keeping a
    state, so that it begins anywhere at once: Philox 4x64 of J. K. Salmon and others, "Parallel random
    numbers: as easy as 1, 2, 3", SC11.
    """
    count, skipped = divmod(start, _FRAMES_PER_COUNT)
    generator = np.random.Generator(np.random.Philox(key=seed, counter=count % _COUNTS))
    shares = generator.random((skipped + max(stop - start, 0), 2))[skipped:]
    return (2.0 * shares - 1.0) * (NOISE_RMS * math.sqrt(3.0))
