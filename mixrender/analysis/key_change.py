"""The tones of a track in, where it moves to another key, and by how much, out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.chroma import FRAME_RATE_HZ, Tones
from mixrender.keys import Key, fifths_distance

FloatArray = NDArray[np.float64]

_STEP_S = 4.0
_SHORTEST_S = 20.0
_LEAST_SHARE = 0.15
"""Each of the two keys sounds for 20 s and makes 15 % of the music at least."""
_LEAST_FIFTHS = 2
"""Music in one key visits the keys beside it on the circle of fifths all the time: that is no change."""
_LEAST_GAIN = 0.4
"""Each part fits its own key better than the other's by this much correlation; chords reach about 0.1."""
_LEAST_FIT = 0.6
"""Below it a part has no clear key that it could leave or reach."""


@dataclass(frozen=True)
class KeyChange:
    """From `time_s` on all sounds `semitones` higher, -5 to 6."""

    time_s: float
    semitones: int


def find_key_change(tones: Tones, fits_of: Callable[[FloatArray], FloatArray]) -> KeyChange | None:
    """The clearest move of a whole track to another key of the same mode, None if there is none.

    `fits_of` gives how well twelve mean tones fit each key, shape (2, 12).
    """
    sums = np.concatenate([np.zeros((12, 1)), np.cumsum(tones.frames, axis=1)], axis=1)
    best_gain, best = _LEAST_GAIN, None
    for split in _splits(sums):
        before, after = fits_of(sums[:, split]), fits_of(sums[:, -1] - sums[:, split])
        mode, old = divmod(int(before.argmax()), 12)
        new = int(after[mode].argmax())
        gain = min(before[mode, old] - before[mode, new], after[mode, new] - after[mode, old])
        clear = min(before[mode, old], after[mode, new]) >= _LEAST_FIT
        if clear and gain > best_gain and _apart(old, new):
            best_gain, best = gain, (split, old, new)
    if best is None:
        return None
    split, old, new = best
    return KeyChange(_border(tones.frames, sums, split) / FRAME_RATE_HZ, (new - old + 5) % 12 - 5)


def _splits(sums: FloatArray) -> range | list[int]:
    """Frames at which a track may be cut in two, each part being long and loud enough."""
    least, last = round(_SHORTEST_S * FRAME_RATE_HZ), sums.shape[1] - 1
    weights = sums.sum(axis=0) / max(float(sums[:, -1].sum()), 1e-12)
    return [
        split
        for split in range(least, last - least, round(_STEP_S * FRAME_RATE_HZ))
        if _LEAST_SHARE <= weights[split] <= 1.0 - _LEAST_SHARE
    ]


def _apart(old: int, new: int) -> bool:
    return fifths_distance(Key(old, "major"), Key(new, "major")) >= _LEAST_FIFTHS


def _border(frames: FloatArray, sums: FloatArray, split: int) -> int:
    """The frame from which on the tones are more those of the second part than those of the first."""
    before, after = sums[:, split], sums[:, -1] - sums[:, split]
    leaning = after / after.sum() - before / before.sum()
    return int(np.argmin(np.cumsum(leaning @ frames)))
