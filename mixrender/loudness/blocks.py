"""What is given as sound goes in; an array that the meter can read comes out, or one clear fault."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

GREATEST_SAMPLE = 1e9
"""180 dB over full scale: no sound lies there, and far above it the peaks' arithmetic would overflow."""


def as_block(block: ArrayLike, *, channels: int) -> NDArray[np.floating]:
    """The block as float32 or float64 of native byte order, shape (n, channels); often the block itself.

    Raises ValueError if the shape differs or its numbers are not floating-point: whole numbers have a full
    scale that only the caller knows.
    """
    block = _as_floats(block)
    if block.ndim != 2 or block.shape[1] != channels:
        raise ValueError(f"a block has the shape {block.shape}; it must be (n, {channels})")
    return block


def as_whole_sound(x: ArrayLike) -> NDArray[np.floating]:
    """As `as_block`, of as many channels as there are: shape (n, channels) or, for one channel, (n,)."""
    x = _as_floats(x)
    if x.ndim not in (1, 2):
        raise ValueError(f"a sound has the shape {x.shape}; it must be (n, channels) or (n,)")
    return x[:, None] if x.ndim == 1 else x


def _as_floats(x: ArrayLike) -> NDArray[np.floating]:
    try:
        x = np.asarray(x)
    except ValueError as error:
        raise ValueError(f"a sound must be an array of numbers: {error}") from None
    if x.dtype in (np.float32, np.float64) and x.dtype.isnative:
        return x
    if x.dtype.kind != "f":
        raise ValueError(
            f"a sound holds numbers of the type {x.dtype}; it must be float32 or float64, full scale 1.0 "
            "(divide 16-bit samples by 32768)"
        )
    return x.astype(np.float64)


def unusable_sample(block: NDArray[np.floating], *, start_frame: int) -> str | None:
    """What is wrong with the first sample that cannot be measured, and where; None if all can be."""
    bad = np.argwhere(~(np.abs(block) <= GREATEST_SAMPLE))
    if not len(bad):
        return None
    frame, channel = bad[0]
    value = float(block[frame, channel])
    fault = "far beyond full scale, 1.0" if np.isfinite(value) else "not a finite number"
    return f"the sample at frame {start_frame + frame}, channel {channel + 1}, is {value:g}: {fault}"
