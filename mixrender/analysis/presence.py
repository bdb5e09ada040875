"""A mono signal and its bars in, how surely kick, drums and bass play in each of them out.

Each is a weighted sum of what the bar's sixteenths sound like. The weights are those of a logistic
regression (L1-penalised, so that few are left) on 210 synthesised arrangements of 4- to 16-bar sections whose
layers were drawn at random: many kicks, bass from sine to sampled, below pads, plucks and pianos, with and
without drums; for kick and bass 66 of them without their highs as well. Sampled drums and instruments were
among their sounds. `tests/benchmarks/fit_presence.py` fits by the same method to arrangements of synthesised
sounds alone, for which no files are needed: it does not give these very weights, and its drums and bass were
less often right on other music.
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

FARTHEST = 16.0
"""Log-odds of a bar go no further from 0 than this."""

SUREST_BARS = 90
"""The percentile of a track's bars that stands for its surest ones."""

_SUREST = 6.0
"""No single bar speaks louder than odds of e to the 6."""


@dataclass(frozen=True)
class Presence:
    """Probability from 0 to 1 that kick, any drums, and bass play, each of shape (bars,)."""

    kick: FloatArray
    drums: FloatArray
    bass: FloatArray

    def between(self, first_bar: int, last_bar: int) -> Presence:
        """The same with nothing before a bar (from 1 on) and nothing from a bar line on."""
        bars = np.arange(1, self.kick.size + 1)
        inside = (bars >= first_bar) & (bars < last_bar)
        return Presence(self.kick * inside, self.drums * inside, self.bass * inside)


@dataclass(frozen=True)
class Model:
    """Log-odds of one bar: the bias, and for each term a row, a percentile of its sixteenths and a weight.

    `share` of what the surest bars of the track have is taken off: beside clear kicks a doubtful one is none.
    """

    bias: float
    share: float
    terms: tuple[tuple[str, int, float], ...]


KICK = Model(
    -6.34,
    0.132,
    (
        ("maxA", 100, 0.241),
        ("minB", 100, -0.13),
        ("low_riseA", 100, 1.38),
        ("low_riseB", 100, 1.25),
        ("riseA", 100, -0.117),
        ("maxB", 100, 0.102),
        ("low_riseC", 100, 0.89),
        ("fallB", 50, 0.0926),
        ("riseA", 50, 0.0995),
        ("rise_noise2", 75, 1.74),
        ("low_fallC", 75, 0.302),
        ("low_rise_noise3", 100, 0.485),
        ("max_all0", 50, -0.387),
        ("noisy1", 25, 1.09),
        ("maxC", 100, 0.0253),
        ("max_all1", 50, -0.441),
        ("rise_all0", 50, -0.672),
        ("low_click", 50, -0.748),
        ("minC", 100, -0.0126),
    ),
)
DRUMS = Model(
    -2.07,
    0.0,
    (
        ("rise_noise3", 100, 12.2),
        ("swell3", 75, 9.36),
        ("noisy3", 25, 12.3),
        ("noisy3", 100, -14.9),
        ("rise_noise1", 100, 1.38),
        ("max_noise3", 100, 1.39),
        ("low_click", 50, -2.22),
        ("max_noise3", 75, 1.53),
        ("low_riseA", 100, 0.326),
        ("max_all0", 75, -0.63),
        ("fallB", 75, 0.0516),
        ("maxC", 100, 0.0277),
        ("meanD", 100, -0.0304),
        ("riseC", 50, 0.0583),
        ("noisy1", 100, 1.82),
        ("low_riseB", 100, 0.158),
        ("tonal1", 25, 2),
        ("noisy1", 25, 0.821),
        ("min_all0", 100, -0.279),
        ("rise_all1", 50, 0.852),
        ("max_noise1", 100, 0.267),
        ("tonal1", 50, 1.44),
        ("riseA", 100, -0.0109),
    ),
)
BASS = Model(
    11.1,
    0.373,
    (
        ("minB", 100, 0.131),
        ("minA", 25, 0.0803),
        ("riseA", 100, 0.0954),
        ("minB", 75, 0.0558),
        ("fallB", 25, -0.223),
        ("meanA", 25, 0.0411),
        ("fallC", 50, -0.121),
        ("min_noise1", 75, -2.36),
        ("max_noise0", 75, 0.913),
        ("low_riseA", 25, 1.81),
        ("low_riseC", 75, -0.548),
        ("low_thump", 50, 0.852),
        ("riseB", 25, -0.16),
        ("low_riseB", 100, -0.302),
        ("minB", 50, 0.0195),
        ("riseA", 25, -0.108),
        ("rise_all0", 50, 0.784),
        ("low_thump", 25, 0.866),
        ("rise_noise1", 75, 0.586),
        ("fallA", 75, -0.0184),
        ("fallC", 25, -0.0431),
    ),
)


def find_presence(signal: NDArray[np.float32], times_s: FloatArray, *, per_bar: int) -> Presence:
    """What plays in each bar; `times_s`: the sixteenths of whole bars from bar 1 on, and the end of the last.

    `signal` is mono at RATE_HZ. A kick is a drum: drums are at least as sure as it is.
    """
    if times_s.size <= per_bar:
        return Presence(np.zeros(0), np.zeros(0), np.zeros(0))
    rows = presence_rows(signal, times_s)
    return weighed(*(log_odds(model, rows, per_bar=per_bar) for model in (KICK, DRUMS, BASS)))


def weighed(kick: FloatArray, drums: FloatArray, bass: FloatArray) -> Presence:
    """What plays, by the log-odds of each bar alone, each of shape (bars,), and by its neighbours."""
    return Presence(smoothed(kick), smoothed(np.maximum(drums, kick)), smoothed(bass))


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


def log_odds(model: Model, rows: Rows, *, per_bar: int) -> FloatArray:
    """What a model says of each bar by itself, shape (bars,); `rows` as from `presence_rows`, whole bars."""
    found = np.full(next(iter(rows.values())).size // per_bar, model.bias)
    for name, percentile, weight in model.terms:
        found += weight * percentiles(rows[name], percentile, per_bar=per_bar)
    found = np.clip(found, -FARTHEST, FARTHEST)
    return np.asarray(found - model.share * np.percentile(found, SUREST_BARS))


def percentiles(row: FloatArray, percentile: int, *, per_bar: int) -> FloatArray:
    """That percentile (0 to 100) of the sixteenths of each bar, shape (bars,)."""
    return np.asarray(np.percentile(row.reshape(-1, per_bar), percentile, axis=1))


def presence_rows(signal: NDArray[np.float32], times_s: FloatArray) -> Rows:
    """What the models may weigh: the rows of `slot_sound`, and those made of two of them."""
    rows = slot_sound(signal, times_s)
    return rows | _compounds(rows)


def _compounds(rows: Rows) -> Rows:
    """Rows made of two: a low sound that begins or dies away quickly, with noise; noise against tone."""
    low = np.maximum(np.maximum(rows["maxA"], rows["maxB"]) + 20.0, 0.0) / 10.0
    attack = {band: low * np.minimum(rows[f"rise{band}"], 20.0) / 10.0 for band in "ABC"}
    return {
        **{f"low_rise{band}": row for band, row in attack.items()},
        **{f"low_fall{band}": low * rows[f"fall{band}"] / 10.0 for band in "BC"},
        **{f"low_rise_noise{band}": low * rows[f"rise_noise{band}"] for band in (1, 3)},
        "low_click": attack["B"] * rows["rise_all1"],
        "low_thump": attack["B"] * rows["fallC"] / 10.0,
        **{f"noisy{band}": rows[f"max_noise{band}"] - rows[f"max_all{band}"] for band in (1, 3)},
        "tonal1": rows["rise_all1"] - rows["rise_noise1"],
        "swell3": rows["max_noise3"] - rows["min_noise3"],
    }
