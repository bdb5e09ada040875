"""Chunks of a sound as they pass in, what is kept of them out: stretches as they are, and an outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


class Excerpts:
    """Cuts the sample ranges `spans` out of a mono signal that is pushed chunk by chunk.

    A span may begin before the signal and end after it: what is not there is 0. `sounds[i]` is span `i`.
    """

    def __init__(self, spans: Sequence[tuple[int, int]]):
        self.spans = tuple(spans)
        self.sounds = [np.zeros(max(stop - start, 0), dtype=np.float32) for start, stop in self.spans]
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
        self._powers: list[Floats] = []

    def push(self, block: Floats) -> None:
        """Take the next frames, shape (n, 2); n is a multiple of the hop in every block but the last."""
        borders = np.arange(0, len(block), self.hop)
        counts = np.diff(np.append(borders, len(block)))
        self._peaks.append(np.maximum.reduceat(np.abs(block).max(axis=1), borders))
        self._powers.append(np.add.reduceat((block**2).mean(axis=1), borders) / counts.astype(np.float32))

    def result(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Peak and RMS of each column, full scale = 1."""
        peaks, powers = np.concatenate(self._peaks), np.concatenate(self._powers)
        return peaks.astype(np.float64), np.sqrt(powers.astype(np.float64))
