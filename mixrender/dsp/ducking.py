"""The power of speech goes in, the passages in which it speaks come out; and from dips the music's gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixrender.dsp.laws import raised_cosine
from mixrender.units import FloatArray, db_to_gain

STEPS_PER_S = 1000
"""Speech is looked at in steps of about a millisecond: so near to it a passage begins and ends."""

PAUSE_DB = -25.0
"""What is this much below the mean of speech is a pause. The levels that carry speech lie within 15 dB of its
mean (ANSI S3.5-1997, from memory); ten more are left for soft beginnings and endings."""

LEAST_HOLD_S = 0.5
"""Pauses up to this long lie between words, not between sentences: no music comes up. Common practice."""

LEAST_PASSAGE_S = 0.03
"""What is shorter is no syllable but a click. Common practice, no source."""

LEAST_RAMP_S = 0.010
"""The music takes at least this long to give way and to come back, as every step does."""

_GATES_DB = (-70.0, -10.0)


@dataclass(frozen=True)
class Dip:
    """The music lies `depth_db` (>= 0) lower from frame `start` to `stop`.

    It falls in the `attack` frames before `start` and rises in the `release` frames after `stop`.
    """

    start: int
    stop: int
    attack: int
    release: int
    depth_db: float


def step_frames(sample_rate_hz: int) -> int:
    """Frames in a step, of which `passages` takes the powers."""
    return max(round(sample_rate_hz / STEPS_PER_S), 1)


def passages(powers: FloatArray, *, sample_rate_hz: int, hold_s: float) -> list[tuple[int, int]]:
    """Where speech speaks: frames from a first sound up to the end of a last, in order.

    `powers`, shape (steps,), are mean squares of the speech (full scale 1) in steps of `step_frames`.
    Pauses of up to `hold_s` seconds, or LEAST_HOLD_S, are part of a passage; silence has none.
    """
    speaking = np.flatnonzero(powers > _mean_power(powers) * 10.0 ** (PAUSE_DB / 10.0))
    if not speaking.size:
        return []
    step = step_frames(sample_rate_hz)
    hold = max(hold_s, LEAST_HOLD_S) * sample_rate_hz / step
    breaks = np.flatnonzero(np.diff(speaking) - 1 > hold)
    starts = speaking[np.concatenate(([0], breaks + 1))] * step
    stops = (speaking[np.concatenate((breaks, [len(speaking) - 1]))] + 1) * step
    least = LEAST_PASSAGE_S * sample_rate_hz
    return [(int(a), int(b)) for a, b in zip(starts, stops, strict=True) if b - a >= least]


def _mean_power(powers: FloatArray) -> float:
    """Mean power where there is speech: over -70 dB, then over the mean less 10 dB, as BS.1770 gates."""
    absolute_db, relative_db = _GATES_DB
    heard = powers[powers > 10.0 ** (absolute_db / 10.0)]
    if not heard.size:
        return np.inf
    return float(heard[heard > heard.mean() * 10.0 ** (relative_db / 10.0)].mean())


def duck_gain(dips: Sequence[Dip], start: int, stop: int) -> float | FloatArray:
    """Linear gain of the music at frames `start` to `stop`; one number, 1, where no dip reaches.

    A ramp goes by a raised cosine of the level in dB. Where dips overlap the deepest counts. The value at a
    frame depends on that frame alone.
    """
    near = [dip for dip in dips if dip.start - dip.attack < stop and start < dip.stop + dip.release]
    if not near:
        return 1.0
    frames = np.arange(start, stop, dtype=np.float64)
    depth_db = np.zeros(len(frames))
    for dip in near:
        falling = (frames - (dip.start - dip.attack)) / dip.attack
        rising = ((dip.stop + dip.release) - frames) / dip.release
        share = raised_cosine(np.clip(np.minimum(falling, rising), 0.0, 1.0))
        np.maximum(depth_db, dip.depth_db * share, out=depth_db)
    return db_to_gain(-depth_db)
