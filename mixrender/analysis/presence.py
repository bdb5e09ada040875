"""A mono signal and its bars in, how surely kick, drums and bass play in each of them out.

Each is a weighted sum of what the bar's sixteenths sound like. The weights are those of a logistic
regression (L1-penalised, so that few are left) on 160 synthesised arrangements of 4- to 16-bar sections whose
layers were drawn at random: 18 kicks, bass from sine to sampled, below pads, plucks and pianos, with and
without drums.
Voices are not looked for: nothing simple tells a sung note from a played one surely enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.slot_sound import Rows, slot_sound
from mixrender.units import FloatArray

_STAY = 0.92
"""How probably a bar holds what the bar before it held: a change in about every twelfth."""

_SUREST = 6.0
"""No single bar speaks louder than odds of e to the 6."""


@dataclass(frozen=True)
class Presence:
    """Probability from 0 to 1 that kick, any drums, and bass play, each of shape (bars,)."""

    kick: FloatArray
    drums: FloatArray
    bass: FloatArray


@dataclass(frozen=True)
class _Model:
    """Log-odds of one bar: the bias, and for each term a row, a percentile of its sixteenths and a weight."""

    bias: float
    terms: tuple[tuple[str, int, float], ...]


_KICK = _Model(
    -7.262,
    (
        ("maxA", 100, 0.263),
        ("maxB", 100, 0.215),
        ("low_riseA", 100, 1.45),
        ("minB", 100, -0.124),
        ("low_riseB", 100, 1.04),
        ("low_riseC", 100, 0.776),
        ("riseA", 100, -0.0795),
        ("low_rise_noise3", 100, 0.916),
        ("riseA", 50, 0.117),
        ("minB", 75, -0.0273),
        ("max_all1", 50, -0.839),
        ("noisy1", 25, 1.36),
        ("low_fallC", 75, 0.223),
        ("tonal1", 100, -1.11),
        ("fallA", 50, 0.0363),
    ),
)
_DRUMS = _Model(
    -3.211,
    (
        ("rise_noise3", 100, 8.89),
        ("max_noise3", 100, 3.85),
        ("rise_noise1", 100, 1.52),
        ("noisy1", 25, 3.12),
        ("max_noise3", 75, 2.24),
        ("low_riseB", 100, 0.491),
        ("riseD", 50, 0.181),
        ("swell3", 75, 2.81),
        ("max_all2", 75, -1.39),
        ("rise_all1", 50, 1.57),
        ("min_all0", 100, -0.417),
        ("maxB", 25, -0.0112),
        ("minB", 100, -0.0106),
    ),
)
_BASS = _Model(
    8.451,
    (
        ("minB", 100, 0.102),
        ("meanA", 25, 0.0596),
        ("fallB", 25, -0.224),
        ("minA", 25, 0.0494),
        ("minB", 50, 0.0437),
        ("low_riseC", 75, -0.77),
        ("minB", 75, 0.0367),
        ("fallC", 50, -0.0966),
        ("riseA", 100, 0.0406),
        ("rise_all0", 100, 0.691),
        ("min_noise1", 75, -1.79),
        ("fallB", 100, 0.0398),
        ("riseB", 25, -0.164),
        ("low_thump", 75, 0.291),
        ("low_riseB", 100, -0.269),
        ("minC", 50, 0.0162),
        ("max_noise0", 75, 0.385),
        ("low_riseA", 25, 0.802),
        ("minD", 50, 0.0178),
        ("max_all0", 50, 0.301),
        ("low_thump", 50, 0.415),
        ("low_thump", 25, 0.805),
        ("low_riseC", 25, 0.606),
        ("fallC", 25, -0.0434),
    ),
)


def find_presence(signal: NDArray[np.float32], times_s: FloatArray, *, per_bar: int) -> Presence:
    """What plays in each bar; `times_s`: the sixteenths of whole bars from bar 1 on, and the end of the last.

    `signal` is mono at RATE_HZ. A kick is a drum: it is never surer than drums are.
    """
    if times_s.size <= per_bar:
        return Presence(np.zeros(0), np.zeros(0), np.zeros(0))
    rows = slot_sound(signal, times_s)
    rows |= _compounds(rows)
    drums = smoothed(_log_odds(_DRUMS, rows, per_bar))
    kick = np.minimum(smoothed(_log_odds(_KICK, rows, per_bar)), drums)
    return Presence(kick, drums, smoothed(_log_odds(_BASS, rows, per_bar)))


def smoothed(log_odds: FloatArray, *, stay: float = _STAY) -> FloatArray:
    """Probability of each bar given all bars, where a bar goes on as the last one with probability `stay`.

    The forward-backward algorithm for two states (Rabiner, "A tutorial on hidden Markov models", Proc. IEEE
    77, 1989, section III).
    """
    odds = np.exp(np.clip(log_odds, -_SUREST, _SUREST))
    evidence = np.stack([np.ones_like(odds), odds], axis=1)
    step = np.array([[stay, 1.0 - stay], [1.0 - stay, stay]])
    before, after = np.full((odds.size, 2), 0.5), np.ones((odds.size, 2))
    for bar in range(1, odds.size):
        before[bar] = _share(before[bar - 1] * evidence[bar - 1]) @ step
    for bar in range(odds.size - 2, -1, -1):
        after[bar] = _share(step @ (evidence[bar + 1] * after[bar + 1]))
    both = before * evidence * after
    return np.asarray(both[:, 1] / both.sum(axis=1))


def _share(weights: FloatArray) -> FloatArray:
    return np.asarray(weights / weights.sum())


def _log_odds(model: _Model, rows: Rows, per_bar: int) -> FloatArray:
    found = np.full(next(iter(rows.values())).size // per_bar, model.bias)
    for name, percentile, weight in model.terms:
        found += weight * np.percentile(rows[name].reshape(-1, per_bar), percentile, axis=1)
    return found


def _compounds(rows: Rows) -> Rows:
    """Rows made of two: a low sound that begins or dies away quickly, with noise; noise against tone."""
    low = np.maximum(np.maximum(rows["maxA"], rows["maxB"]) + 20.0, 0.0) / 10.0
    attack = {band: low * np.minimum(rows[f"rise{band}"], 20.0) / 10.0 for band in "ABC"}
    return {
        **{f"low_rise{band}": row for band, row in attack.items()},
        "low_rise_noise3": low * rows["rise_noise3"],
        "low_fallC": low * rows["fallC"] / 10.0,
        "low_thump": attack["B"] * rows["fallC"] / 10.0,
        "noisy1": rows["max_noise1"] - rows["max_all1"],
        "tonal1": rows["rise_all1"] - rows["rise_noise1"],
        "swell3": rows["max_noise3"] - rows["min_noise3"],
    }
