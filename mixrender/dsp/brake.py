"""A number of frames goes in; where a platter that stops or starts within them reads its record comes out.

The motor slows and speeds up evenly, as if by a constant force. Pitch follows speed, 1200 log2(speed) cents.
The level does not: the output of a pick-up that senses velocity falls with the speed by 6 dB per octave, but
the equaliser of records rises towards the bass by about as much (from memory), so only the last of the
movement is faded, where a groove that stands still would leave a constant.
"""

from __future__ import annotations

import numpy as np

from mixrender.dsp.laws import raised_cosine
from mixrender.units import FloatArray

FADE_SHARE = 0.05
"""The share of a stop or start, at standstill, that is faded: the speed is below 0.05 there."""


def brake_positions(n_frames: int) -> FloatArray:
    """Places in the source, in frames after the first, at each frame of a stop: shape (n_frames,).

    Speed 1 - t/T and so t - t²/(2T): the first frame is the source's own at full speed, the stop is reached
    at T = `n_frames`, when T/2 frames of the source have passed.
    """
    t = np.arange(n_frames, dtype=np.float64)
    return t - t * t / (2.0 * n_frames)


def spin_up_positions(n_frames: int) -> FloatArray:
    """Places in the source, in frames after the first, at each frame of a start: shape (n_frames,).

    Speed t/T and so T/2 + t²/(2T): at T = `n_frames` it is at T with speed 1, so that the source goes on
    there untouched. What sounds is the second half of the T frames.
    """
    t = np.arange(n_frames, dtype=np.float64)
    return n_frames / 2.0 + t * t / (2.0 * n_frames)


def brake_gain(n_frames: int, *, least_fade_frames: int = 0) -> FloatArray:
    """The gain of a stop, shape (n_frames,): 1, then a raised cosine to nothing at `n_frames`.

    The fade takes the last `FADE_SHARE`, or `least_fade_frames` if that is more and there are so many.
    """
    fade_frames = min(max(FADE_SHARE * n_frames, least_fade_frames), n_frames)
    left = n_frames - np.arange(n_frames, dtype=np.float64)
    return raised_cosine(np.minimum(left / fade_frames, 1.0)) if n_frames else left


def spin_up_gain(n_frames: int, *, least_fade_frames: int = 0) -> FloatArray:
    """The gain of a start, shape (n_frames,): nothing at its first frame, then as `brake_gain` backwards."""
    return np.concatenate(([0.0], brake_gain(n_frames, least_fade_frames=least_fade_frames)[:0:-1]))[
        :n_frames
    ]
