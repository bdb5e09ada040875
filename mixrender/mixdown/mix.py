"""The strips of all tracks to their sum, block by block, before the master."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from mixrender.mixdown.strip import Strip
from mixrender.units import FloatArray

BLOCK_FRAMES = 65536


class Mix:
    """The sum of all strips: `read` gives any stretch of it, the same however it is cut."""

    def __init__(self, strips: Sequence[Strip], *, frames: int, sample_rate_hz: int):
        self.strips = tuple(strips)
        self.frames = frames
        self.sample_rate_hz = sample_rate_hz

    def read(self, start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, float64 (stop - start, 2); the tracks are added in their order."""
        out = np.zeros((stop - start, 2))
        for strip in self.strips:
            if strip.start < stop and strip.stop > start:
                out += strip.read(start, stop)
        return out

    def blocks(
        self, start: int = 0, stop: int | None = None, *, block_frames: int = BLOCK_FRAMES
    ) -> Iterator[FloatArray]:
        """The stretch from `start` to `stop` (the end) in blocks of at most `block_frames`."""
        end = self.frames if stop is None else stop
        for begin in range(start, end, block_frames):
            yield self.read(begin, min(begin + block_frames, end))
