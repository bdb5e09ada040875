"""Sound in floating point goes in; whole numbers of 16 or 24 bits come out, dithered if wished.

Triangular dither of two steps peak to peak makes the mean and the power of the error independent of the
signal: S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and Dither: A Theoretical Survey",
JAES 40(5), 1992. The total error is then 3/12 of a squared step, half a step rms: -96.3 dBFS at 16 bits,
-144.5 at 24.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixrender.units import FloatArray

Bits = Literal[16, 24]

DITHER_PEAK_STEPS = 1.5
"""A dithered sample lies at most this far from the sound: one step of noise and half a step of rounding."""


class Quantised(NamedTuple):
    """Whole-number samples, and how many of them lay beyond full scale and were set to it."""

    samples: NDArray[np.int16] | NDArray[np.int32]
    clipped_samples: int


def dither_generator(seed: int) -> np.random.Generator:
    """A source of dither: its noise is the same for the same seed, with every version of numpy."""
    return np.random.Generator(np.random.PCG64(seed))


def quantise(
    x: NDArray[np.floating], *, bits: Bits, rng: np.random.Generator | None = None, dither: bool = True
) -> Quantised:
    """Round sound of shape (n, channels), full scale 1.0, to whole numbers: int16, or int32 with 24 bits.

    One word of the generator's raw stream is used per sample, frame by frame, so a stream that is quantised
    in blocks, one generator for all of them, does not depend on where it is cut. Halves round up. Without
    dither `rng` is not used. Raises ValueError if dither is asked for without a generator.
    """
    scale = float(1 << (bits - 1))
    steps = np.multiply(x, scale, dtype=np.float64)
    if dither:
        if rng is None:
            raise ValueError("dither needs a generator: rng=dither_generator(seed)")
        steps += _triangular(rng, x.size).reshape(x.shape)
    steps += 0.5
    np.floor(steps, out=steps)
    clipped = int(np.count_nonzero((steps < -scale) | (steps > scale - 1.0)))
    np.clip(steps, -scale, scale - 1.0, out=steps)
    return Quantised(steps.astype(np.int16 if bits == 16 else np.int32), clipped)


def _triangular(rng: np.random.Generator, count: int) -> FloatArray:
    """Noise between -1 and 1 of triangular density: the difference of the two halves of each raw word.

    The stream of raw words is guaranteed never to change; that of the generator's own distributions is not.
    """
    halves = rng.bit_generator.random_raw(count).view(np.uint32).reshape(count, 2)
    return (halves[:, 0].astype(np.float64) - halves[:, 1]) * 2.0**-32
