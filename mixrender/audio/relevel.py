"""A source, its stretched sound and their map go in; the slow gain that gives the level back comes out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.errors import ToolError
from mixrender.units import FloatArray, db_to_gain

LARGEST_CHANGE_DB = 2.5
"""A stretched region whose level differs by more than this from its source is broken, not stretched."""

LARGEST_CHANGE_SHIFTED_DB = 8.0
"""The same where the pitch changes too: lone clicks lose 2.5 dB by a shift of 5 semitones, 5.6 dB by 11."""

GAIN_RANGE_DB = (-0.5, 1.5)
"""The engine takes 0.2 to 0.5 dB; what is far from that in one place is the sound's own doing and is left."""

_SLICE_S = 0.05
_WINDOW_S = 1.0
_PIN_S = 2.0
_QUIET = 1e-4
"""Parts 40 dB below the region's mean power hardly count: what little is there may be the engine's own
echo."""

ReadFrames = Callable[[int, int], NDArray[np.float32] | FloatArray]


@dataclass(frozen=True)
class GainCurve:
    """A gain over target frames: `level_db[i]` at `frames[i]`, straight in dB between, constant outside."""

    frames: FloatArray
    level_db: FloatArray

    def at(self, start: int, stop: int) -> FloatArray:
        """Factors for the target frames [start, stop): shape (stop - start, 1)."""
        gain = db_to_gain(np.interp(np.arange(start, stop), self.frames, self.level_db))
        return gain[:, np.newaxis]


def restoring_gain(
    read_source: ReadFrames,
    read_stretched: ReadFrames,
    knots: FloatArray,
    *,
    sample_rate_hz: int,
    pin_head: bool,
    pin_tail: bool,
    largest_change_db: float = LARGEST_CHANGE_DB,
) -> GainCurve:
    """Gain by which the stretched sound has the source's level, from the power of both in windows of 1 s.

    `knots` has rows (source frame, target frame); `read_stretched` reads by target frames. The gain keeps
    within -0.5 to +1.5 dB, and is 0 dB at a pinned end, from which it sets in over 2 s. Raises ToolError if
    the level of the whole region has changed by more than `largest_change_db`.
    """
    first, last = round(float(knots[0, 1])), round(float(knots[-1, 1]))
    count = max(1, round((last - first) / (_SLICE_S * sample_rate_hz)))
    target = np.rint(np.linspace(first, last, count + 1)).astype(np.int64)
    source = np.rint(np.interp(target, knots[:, 1], knots[:, 0])).astype(np.int64)
    before, after = _powers(read_source, source), _powers(read_stretched, target)
    _check_change(float(np.mean(before)), float(np.mean(after)), largest_change_db)
    middles = (target[1:] + target[:-1]) / 2.0
    gain_db = np.clip(_smooth_ratio_db(before, after), *GAIN_RANGE_DB)
    pin_frames = min(_PIN_S * sample_rate_hz, (last - first) / 2.0)
    frames = np.concatenate(([first], middles, [last])).astype(np.float64)
    level_db = np.concatenate((gain_db[:1], gain_db, gain_db[-1:]))
    if pin_head:
        level_db = level_db * np.clip((frames - first) / pin_frames, 0.0, 1.0)
    if pin_tail:
        level_db = level_db * np.clip((last - frames) / pin_frames, 0.0, 1.0)
    return GainCurve(frames, level_db)


def _check_change(before: float, after: float, largest_change_db: float) -> None:
    if before <= 0.0:
        return
    change_db = 10.0 * math.log10(after / before) if after > 0.0 else -math.inf
    if not abs(change_db) <= largest_change_db:
        raise ToolError(
            f"rubberband changed the level of a stretched region by {change_db:+.1f} dB (at most "
            f"{largest_change_db:g} dB is sound); try another version of rubberband, or another tempo"
        )


def _powers(read: ReadFrames, edges: NDArray[np.int64]) -> FloatArray:
    """Mean power of both channels between neighbouring edges: shape (len(edges) - 1,)."""
    out = np.zeros(len(edges) - 1)
    for i in range(0, len(out), 64):
        part = edges[i : i + 65]
        squares = np.square(read(int(part[0]), int(part[-1])).astype(np.float64)).sum(axis=1)
        sums = np.diff(np.concatenate(([0.0], np.cumsum(squares)))[part - part[0]])
        out[i : i + 64] = np.maximum(sums, 0.0) / np.maximum(np.diff(part), 1)
    return out


def _smooth_ratio_db(before: FloatArray, after: FloatArray) -> FloatArray:
    window = np.hanning(round(_WINDOW_S / _SLICE_S) + 3)[1:-1]
    quiet = _QUIET * float(np.mean(before))
    if quiet <= 0.0:
        return np.zeros(len(before))
    half = len(window) // 2
    smooth = [
        np.convolve(
            np.pad(power, half, mode="reflect" if len(power) > half else "edge"), window, mode="valid"
        )
        / window.sum()
        + quiet
        for power in (before, after)
    ]
    ratio_db: FloatArray = 10.0 * np.log10(smooth[0] / smooth[1])
    return ratio_db
