"""Sound, an amount and a corner frequency at every frame go in; sound with moving notches comes out.

Four first-order all-passes in a row turn the phase by up to two whole turns; added to the dry sound they
leave a notch wherever the phase has turned by half of one. Each all-pass is a rotation of its input and its
state, and so is the feedback around them: the normalised lattice of A. H. Gray and J. D. Markel, "A
normalized digital filter structure", IEEE Trans. ASSP-23, 1975 (from memory). A rotation keeps the sum of
squares, so the all-passed sound never holds more energy than what went in, however corner and feedback move.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from mixrender.dsp.per_frame import per_frame
from mixrender.units import FloatArray

STAGES = 4
MAX_FEEDBACK = 0.9
MAX_CORNER_OF_RATE = 0.49
"""Corners are held below this share of the sample rate, where the bilinear transform still has a sense."""


def sweep_hz(
    beats: FloatArray,
    *,
    period_beats: float | FloatArray,
    centre_hz: float | FloatArray,
    depth_octaves: float | FloatArray,
) -> FloatArray:
    """The corner in Hz at beats of the mix, shape (n,): centre · 2^(depth · sin(2π beat / period)).

    On every whole period it goes up through the centre; `depth_octaves` is how far it goes to either side.
    """
    octaves: FloatArray = depth_octaves * np.sin(2.0 * np.pi * (beats / period_beats))
    return centre_hz * np.exp2(octaves)


def phaser(
    sound: FloatArray,
    amount: float | FloatArray,
    corner_hz: float | FloatArray,
    feedback: float | FloatArray,
    *,
    sample_rate_hz: int,
    state: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Mix a block of sound with itself all-passed: (1 - amount / 2) dry + (amount / 2) all-passed.

    Parameters: `sound` of shape (n, 2); the others are numbers or of shape (n,): `amount` from 0 to 1,
    `corner_hz`, at which each of the all-passes has turned the phase by 90° (held within 0 and 0.49 of the
    rate), `feedback` from 0 to 0.9 (held there); `state` as the block before returned it, shape (2, 4) (None:
    at rest). Returns the sound, shape (n, 2), and the state after it; a stream may be cut into blocks
    anywhere with equal results.

    With A for the four all-passes, what is added is H = (A - f) / (1 - f A), all-passed as well. At amount 1
    the response is (1 + H) / 2 = (1 - f) (1 + A) / (2 (1 - f A)): 0 dB at most whatever the feedback, which
    narrows the peaks and leaves the notches where they are, at nothing:
    tan(π notch / rate) = tan(π corner / rate) · tan(π/8) and · tan(3π/8).

    Where the amount is 0 the sound is `sound` to the bit and the state is forgotten, so a block without any
    amount may be left out, with state None after it.
    """
    n_frames = len(sound)
    state = np.zeros((2, STAGES)) if state is None else state.copy()
    out = np.empty((n_frames, 2))
    corners = np.clip(per_frame(corner_hz, n_frames), 0.0, MAX_CORNER_OF_RATE * sample_rate_hz)
    _run(
        np.ascontiguousarray(sound, dtype=np.float64),
        per_frame(amount, n_frames),
        corners * (math.pi / sample_rate_hz),
        np.clip(per_frame(feedback, n_frames), 0.0, MAX_FEEDBACK),
        state,
        out,
    )
    return out, state


@numba.njit(cache=True, nogil=True, fastmath=False)
def _run(
    sound: FloatArray,
    amount: FloatArray,
    half_angle: FloatArray,
    feedback: FloatArray,
    state: FloatArray,
    out: FloatArray,
) -> None:  # pragma: no cover - compiled
    """One pass over a block, into `state` and `out`.

    g = tan(π fc / fs). Each stage turns (input, state) by the angle whose cosine, `through`, is
    (g - 1) / (g + 1) and whose sine, `across`, is 2 √g / (g + 1). The loop has no delay, so its input is
    solved for: the chain gives `held` by its state alone and `through`⁴ of its input besides.
    """
    last_angle = -1.0
    through = across = 0.0
    for n in range(sound.shape[0]):
        wet = 0.5 * amount[n]
        if wet == 0.0:
            out[n, 0] = sound[n, 0]
            out[n, 1] = sound[n, 1]
            state[:, :] = 0.0
            continue
        if half_angle[n] != last_angle:  # a corner that stands still costs no tangent
            last_angle = half_angle[n]
            g = math.tan(last_angle)
            through = (g - 1.0) / (g + 1.0)
            across = 2.0 * math.sqrt(g) / (g + 1.0)
        back = feedback[n]
        into = math.sqrt(1.0 - back * back)
        for c in range(2):
            x = sound[n, c]
            held = 0.0
            for k in range(STAGES):
                held = through * held + across * state[c, k]
            v = (into * x + back * held) / (1.0 - back * through**STAGES)
            for k in range(STAGES):
                kept = state[c, k]
                state[c, k] = across * v - through * kept
                v = through * v + across * kept
            out[n, c] = (1.0 - wet) * x + wet * (into * v - back * x)
