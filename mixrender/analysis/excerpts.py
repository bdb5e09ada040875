"""Chunks of a sound as they pass in, what is kept of them out: stretches as they are, and an outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


class Excerpts:
    """Cuts the sample ranges `spans` out of a mono signal that is pushed chunk by chunk.

    A span may begin before the signal and end after it: what is not there is 0. `sounds[i]` is span `i`, and
    `joined` all of them one after the other.
    """

    def __init__(self, spans: Sequence[tuple[int, int]]):
        self.spans = tuple(spans)
        lengths = [max(stop - start, 0) for start, stop in self.spans]
        self.joined = np.zeros(sum(lengths), dtype=np.float32)
        self.sounds = np.split(self.joined, np.cumsum(lengths)[:-1]) if lengths else []
        self._at = 0

    def push(self, chunk: Floats) -> None:
        """Take the next samples, shape (n,)."""
        end = self._at + chunk.size
        for (start, stop), sound in zip(self.spans, self.sounds, strict=True):
            a, b = max(start, self._at), min(stop, end)
            if a < b:
                sound[a - start : b - start] = chunk[a - self._at : b - self._at]
        self._at = end


class Outline:
    """Greatest magnitude and mean power of every `hop` frames of a stereo sound, in columns."""

    def __init__(self, *, hop: int):
        self.hop = hop
        self._peaks: list[Floats] = []
        self._powers: list[NDArray[np.floating]] = []

    def push(self, block: Floats) -> None:
        """Take the next frames, shape (n, 2); n is a multiple of the hop in every block but the last."""
        borders = np.arange(0, len(block), self.hop)
        counts = np.diff(np.append(borders, len(block))).astype(np.float32)
        # Channel by channel: reducing along an axis of two is ten times slower.
        left, right = np.ascontiguousarray(block.T)
        self._peaks.append(np.maximum.reduceat(np.maximum(np.abs(left), np.abs(right)), borders))
        self._powers.append(np.add.reduceat(0.5 * (left**2 + right**2), borders) / counts)

    def result(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Peak and RMS of each column, full scale = 1."""
        peaks, powers = np.concatenate(self._peaks), np.concatenate(self._powers)
        return peaks.astype(np.float64), np.sqrt(powers.astype(np.float64))
