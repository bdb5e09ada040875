"""Sound, an amount and a delay at every frame go in; sound with the notches of a moving comb comes out.

The delay is read by a windowed sinc of 16 frames (Kaiser, after J. O. Smith, "Digital Audio Resampling Home
Page", CCRMA). The feedback turns dry and delayed sound as a lattice does (see dsp/phaser.py), so that it
makes nothing louder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np

from mixrender.dsp.laws import raised_cosine
from mixrender.dsp.per_frame import per_frame
from mixrender.units import FloatArray

MAX_DELAY_S = 0.040
MAX_FEEDBACK = 0.9
HALF_TAPS = 8
"""Half the frames that the interpolation takes, and so the shortest delay in frames: 0.17 ms at 48 kHz."""
KAISER_BETA = 6.75
"""For the least error up to 16 kHz at a rate of 44.1 kHz."""
STEPS = 512
"""Rows of the kernel's table for each frame of delay; between two of them it is read linearly."""
FEEDBACK_FADE_S = 0.010
"""How long the feedback takes to set in where the amount leaves 0, so that no edge goes round in the loop."""


@dataclass(frozen=True)
class FlangerState:
    """What a flanger knows of the past: what went into its delay line, shape (n, 2), oldest first.

    `loop_frames` counts how far the feedback has set in.
    """

    line: FloatArray
    loop_frames: int


def sweep_frames(
    beats: FloatArray,
    *,
    period_beats: float | FloatArray,
    delay_s: float | FloatArray,
    depth: float | FloatArray,
    sample_rate_hz: int,
) -> FloatArray:
    """The delay in frames at beats of the mix, shape (n,): delay · (1 + depth · sin(2π beat / period)).

    On every whole period it goes up through `delay_s`; `depth`, from 0 to 1, is how far it goes to either
    side, as a share of it.
    """
    swing: FloatArray = depth * np.sin(2.0 * np.pi * (beats / period_beats))
    return sample_rate_hz * delay_s * (1.0 + swing)


def memory_frames(sample_rate_hz: int) -> int:
    """After so many frames without any amount, the state follows from the sound of these frames alone."""
    return _line_frames(sample_rate_hz) + _fade_frames(sample_rate_hz)


def flanger(
    sound: FloatArray,
    amount: float | FloatArray,
    delay_frames: float | FloatArray,
    feedback: float | FloatArray,
    *,
    sample_rate_hz: int,
    state: FlangerState | None = None,
) -> tuple[FloatArray, FlangerState]:
    """Mix a block of sound with itself delayed: (1 - amount / 2) dry + (amount / 2) delayed.

    Parameters: `sound` of shape (n, 2); the others are numbers or of shape (n,): `amount` from 0 to 1,
    `delay_frames` (held within 8 frames and 40 ms), `feedback` from 0 to 0.9 (held there); `state` as the
    block before returned it (None: silence before). Returns the sound, shape (n, 2), and the state after it;
    a stream may be cut into blocks anywhere with equal results.

    With Z for the delay and f for the feedback, what is added is H = (Z - f) / (1 - f Z), of level 1 at all
    frequencies. At amount 1 the response is (1 + H) / 2 = (1 - f) (1 + Z) / (2 (1 - f Z)): 0 dB at the
    multiples of 1 / delay whatever the feedback, which narrows these peaks, and nothing half-way between.
    However the delay moves, no peak is above 1 + f times the largest that went in (between frames too).
    The interpolation is off by -61 dB at most up to 0.363 of the rate (16 kHz at 44.1 kHz); whole delays are
    exact.

    Where the amount is 0 the sound is `sound` to the bit, but the delay line goes on taking it in. Blocks
    without any amount may be left out up to `memory_frames` before the first amount.
    """
    n_frames = len(sound)
    line_frames, fade_frames = _line_frames(sample_rate_hz), _fade_frames(sample_rate_hz)
    state = FlangerState(np.zeros((line_frames, 2)), 0) if state is None else state
    line = np.concatenate((state.line, np.zeros((n_frames, 2))))
    out = np.empty((n_frames, 2))
    loop_frames = _run(
        np.ascontiguousarray(sound, dtype=np.float64),
        per_frame(amount, n_frames),
        np.clip(per_frame(delay_frames, n_frames), HALF_TAPS, MAX_DELAY_S * sample_rate_hz),
        np.clip(per_frame(feedback, n_frames), 0.0, MAX_FEEDBACK),
        _KERNEL,
        raised_cosine(np.arange(fade_frames + 1) / fade_frames),
        state.loop_frames,
        line,
        out,
    )
    return out, FlangerState(line[n_frames:].copy(), loop_frames)


def _line_frames(sample_rate_hz: int) -> int:
    return math.ceil(MAX_DELAY_S * sample_rate_hz) + HALF_TAPS


def _fade_frames(sample_rate_hz: int) -> int:
    return math.ceil(FEEDBACK_FADE_S * sample_rate_hz)


def _design() -> FloatArray:
    """The weights of 16 neighbouring frames for each of `STEPS` + 1 places between the middle two.

    Each row adds up to one, so that a constant keeps its level; the first and the last are one frame alone.
    """
    offsets = np.arange(1 - HALF_TAPS, HALF_TAPS + 1) - np.arange(STEPS + 1)[:, np.newaxis] / STEPS
    inside = np.clip(1.0 - (offsets / HALF_TAPS) ** 2, 0.0, None)
    kernel: FloatArray = np.sinc(offsets) * np.i0(KAISER_BETA * np.sqrt(inside))
    kernel /= kernel.sum(axis=1, keepdims=True)
    kernel[[0, -1]] = np.round(kernel[[0, -1]])
    return kernel


_KERNEL = _design()
_KERNEL.setflags(write=False)


@numba.njit(cache=True, nogil=True, fastmath=False)
def _run(
    sound: FloatArray,
    amount: FloatArray,
    delay: FloatArray,
    feedback: FloatArray,
    kernel: FloatArray,
    fade: FloatArray,
    loop_frames: int,
    line: FloatArray,
    out: FloatArray,
) -> int:  # pragma: no cover - compiled
    """One pass over a block, into the end of `line` and `out`; returns how far the feedback has set in.

    The fraction is taken of the delay alone, not of a place in the line, which would round otherwise in
    another block.
    """
    line_frames = line.shape[0] - sound.shape[0]
    for n in range(sound.shape[0]):
        wet = 0.5 * amount[n]
        loop_frames = max(loop_frames - 1, 0) if wet == 0.0 else min(loop_frames + 1, len(fade) - 1)
        if loop_frames == 0:
            for c in range(2):
                line[line_frames + n, c] = out[n, c] = sound[n, c]
            continue
        back = feedback[n] * fade[loop_frames]
        into = math.sqrt(1.0 - back * back)
        whole = math.ceil(delay[n])
        place = (whole - delay[n]) * STEPS
        row = int(place)
        rest = place - row
        first = line_frames + n - whole + 1 - HALF_TAPS
        left = right = 0.0
        for k in range(2 * HALF_TAPS):
            weight = kernel[row, k] + rest * (kernel[row + 1, k] - kernel[row, k])
            left += weight * line[first + k, 0]
            right += weight * line[first + k, 1]
        for c, delayed in enumerate((left, right)):
            x = sound[n, c]
            line[line_frames + n, c] = into * x + back * delayed
            out[n, c] = x if wet == 0.0 else (1.0 - wet) * x + wet * (into * delayed - back * x)
    return loop_frames
