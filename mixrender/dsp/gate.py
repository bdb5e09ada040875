"""Beats and an amount go in; the gain of a gate that opens and closes on the beat grid comes out."""

from __future__ import annotations

import numpy as np

from mixrender.dsp.laws import raised_cosine
from mixrender.units import FloatArray


def gate_gain(
    beats: FloatArray,
    amount: float | FloatArray,
    *,
    period_beats: float | FloatArray,
    open_share: float | FloatArray,
    edge_beats: float | FloatArray,
) -> FloatArray:
    """The gain of a gate at beats of the mix: 1 while it is open, 1 - amount while it is closed.

    Parameters: `beats` of shape (n,); the others are numbers or of shape (n,): `amount` from 0 to 1,
    `period_beats` above 0, `open_share` between 0 and 1, `edge_beats` above 0. Returns shape (n,), from 0 to
    1, exactly 1 where the amount is 0. Every value depends on its own frame alone.

    The gate is open in the first `open_share` of every period, counted from beat 0. Its edges are raised
    cosines of `edge_beats`, each within the part that it ends: the gate opens before the line, so that an
    attack on it sounds whole, and has closed when the open part is over. Where a part is shorter than
    `edge_beats`, its edge takes all of it.
    """
    phase_beats = np.mod(beats, period_beats)
    open_beats = open_share * period_beats
    closed_beats = period_beats - open_beats
    closing = (open_beats - phase_beats) / np.minimum(edge_beats, open_beats)
    opening = 1.0 - (period_beats - phase_beats) / np.minimum(edge_beats, closed_beats)
    opened = raised_cosine(np.clip(np.maximum(closing, opening), 0.0, 1.0))
    return np.asarray(1.0 - amount * (1.0 - opened))
