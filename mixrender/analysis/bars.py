"""What sounds on each sixteenth in, on which of the sixteenths of a bar the bar line lies out.

Every sixteenth is a candidate. Each cue gives it a figure, `WEIGHTS` turns the figures into log-odds, and a
softmax over the candidates into probabilities (a conditional logit model: McFadden, "Conditional logit
analysis of qualitative choice behavior", 1974).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.slots import PER_BEAT, Slots

FloatArray = NDArray[np.float64]

WEIGHTS = {
    "sections of a bar": 3.0,
    "sections of four bars": 3.6,
    "sections with a hit": 2.5,
    "harmony": 2.5,
    "kick": 1.6,
    "kick on all beats": 2.2,
    "kick on odd beats": 1.0,
    "low level": 1.8,
    "bursts on beats": 1.7,
    "backbeat": 2.4,
    "attacks on beats": 1.0,
    "first hit": 1.3,
}
"""Log-odds for one unit of each cue; fitted by `tests/benchmarks/fit_cues.py` to generated music."""

_FAINT_HARMONY = 0.01
_FEW_NOTES = 0.006
"""Share of held notes in all that sounds: drums alone have 0.001, music with chords 0.02 and more."""

_FAINT_CHANGE = 2.0
"""Changes that add up to less than this say little: loops that repeat exactly still differ a little."""

_HARD_HIT = 6.0
"""Attacks more than this many standard deviations above the mean say no more than that."""


@dataclass(frozen=True)
class BarStart:
    """The slot, 0 up to a bar's sixteenths, on which bars begin (`slot`), and how sure that is.

    `probability` is of the slot itself, `pulse_probability` of the beat it lies on (0 to 1);
    `rival_slots` is how many sixteenths the second best lies after the best, up to half a bar either way.
    """

    slot: int
    probability: float
    pulse_probability: float
    rival_slots: int

    @property
    def given_pulse(self) -> float:
        """Probability of the slot among those that lie on the same pulse, 0 to 1."""
        return self.probability / max(self.pulse_probability, 1e-9)


def bar_start(slots: Slots, *, beats_per_bar: int = 4, first_slot: int = 0) -> BarStart:
    """The slot, counted from slot 0, on which bars begin; `first_slot` is the first one that sounds."""
    per_bar = PER_BEAT * beats_per_bar
    if slots.times_s.size < 2 * per_bar:
        return BarStart(first_slot % per_bar, 0.0, 0.0, 0)
    scores = slot_scores(slots, beats_per_bar=beats_per_bar, first_slot=first_slot)
    odds = np.exp(scores - scores.max())
    odds /= odds.sum()
    best, second = (int(i) for i in np.argsort(-odds, kind="stable")[:2])
    step = (second - best + per_bar // 2) % per_bar - per_bar // 2
    on_pulse = float(odds[best % PER_BEAT :: PER_BEAT].sum())
    return BarStart(best, float(odds[best]), on_pulse, step)


def slot_scores(slots: Slots, *, beats_per_bar: int = 4, first_slot: int = 0) -> FloatArray:
    """Log-odds of each slot of a bar to be its first, shape (4 * beats_per_bar,)."""
    found = cues(slots, beats_per_bar=beats_per_bar, first_slot=first_slot)
    return np.asarray(sum(WEIGHTS[name] * values for name, values in found.items()))


def cues(slots: Slots, *, beats_per_bar: int = 4, first_slot: int = 0) -> dict[str, FloatArray]:
    """The figure of each cue for each slot of a bar, by name, each of shape (4 * beats_per_bar,)."""
    per_bar = PER_BEAT * beats_per_bar
    kick, burst = by_slot(slots.kick, per_bar), by_slot(slots.burst, per_bar)
    low_level = by_slot(slots.levels[0], per_bar)
    first = np.zeros(per_bar)
    first[first_slot % per_bar] = 1.0
    return {
        "sections of a bar": _votes(section_changes(slots, width=per_bar), per_bar),
        "sections of four bars": _votes(section_changes(slots, width=4 * per_bar), per_bar),
        "sections with a hit": _votes(section_changes(slots, width=2 * per_bar) * _hits(slots), per_bar),
        "harmony": _harmony(slots, per_bar),
        "kick": kick / max(kick.max(), 1e-9),
        "kick on all beats": _on_all_beats(kick),
        "kick on odd beats": _odd_beats(kick),
        "low level": 0.3 * (low_level - low_level.mean()) / max(low_level.std(), 1e-6),
        "bursts on beats": _on_beats(burst),
        # Few bursts on the beats at all: then which beat has more of them says little.
        "backbeat": -_odd_beats(burst) * np.minimum(2.0 * _on_beats(burst), 1.0),
        "attacks on beats": _on_beats(by_slot(slots.attacks[:4].sum(axis=0), per_bar)),
        "first hit": first,
    }


def section_changes(slots: Slots, *, width: int) -> FloatArray:
    """How much the `width` slots from each slot on differ from those before it, shape (n,); 0 at the ends."""
    features = np.concatenate(
        [
            _standardised(slots.levels) * 1.0,
            _standardised(slots.attacks) * 0.8,
            _standardised(slots.pitches) * np.sqrt(4.0 / slots.pitches.shape[0]),
        ]
    )
    before, after, width = _around(features, width)
    change = np.zeros(slots.times_s.size)
    steps = ((after - before) ** 2).sum(axis=0)
    change[width : width + steps.size] = steps
    return change


def by_slot(values: FloatArray, per_bar: int) -> FloatArray:
    """The mean of each slot of a bar, shape (per_bar,); `values` has one figure a slot."""
    whole = values[: values.size // per_bar * per_bar]
    return np.asarray(whole.reshape(-1, per_bar).mean(axis=0))


def _votes(change: FloatArray, per_bar: int) -> FloatArray:
    """The share of the largest changes that falls on each slot of the bar."""
    near = scipy.ndimage.maximum_filter1d(change, per_bar + 1)
    peaks = np.flatnonzero((change == near) & (change > 0.0))
    # The first and last slot that are compared at all are no peaks: what lies beyond is unknown.
    compared = np.flatnonzero(change > 0.0)
    peaks = peaks[(peaks > compared[0]) & (peaks < compared[-1])] if compared.size else peaks
    wanted = max(4, change.size // (8 * per_bar))
    best = peaks[np.argsort(-change[peaks], kind="stable")][:wanted]
    votes = np.zeros(per_bar)
    np.add.at(votes, best % per_bar, np.sqrt(change[best]))
    return np.asarray(votes / (votes.sum() + _FAINT_CHANGE))


def _hits(slots: Slots) -> FloatArray:
    """How hard each slot is hit, 0.3 to 2.3: sections begin with a crash, fills only lead to it."""
    loud = np.maximum(_standardised(slots.attacks[[0, 3, 4]]), 0.0).sum(axis=0)
    return np.asarray(0.3 + np.minimum(loud, _HARD_HIT) / 3.0)


def _harmony(slots: Slots, per_bar: int) -> FloatArray:
    """How much more the pitches change on each slot than on the others, in standard deviations.

    Drums alone have pitches that change as well, but say nothing about harmony.
    """
    before, after, width = _around(slots.pitches, per_bar // 2)
    norm = np.linalg.norm(before, axis=0) * np.linalg.norm(after, axis=0)
    change = np.zeros(slots.times_s.size)
    steps = 1.0 - (before * after).sum(axis=0) / np.maximum(norm, 1e-9)
    change[width : width + steps.size] = np.where(norm > 1e-6, steps, 0.0)
    mean = by_slot(np.minimum(change, np.percentile(change, 97)), per_bar)
    peak, spread = float(mean.max()), float(mean.std())
    if spread <= 1e-9:
        return np.zeros(per_bar)
    clear = peak / (peak + _FAINT_HARMONY) * _tonality(slots.pitches)
    return np.asarray((mean - mean.mean()) / spread * clear)


def _tonality(pitches: FloatArray) -> float:
    """Whether there are held notes at all, 0 to 1: what stands out among its neighbours for three slots."""
    notes = np.maximum(pitches - scipy.ndimage.median_filter(pitches, size=(7, 1)), 0.0)
    held = np.minimum(np.minimum(notes[:, :-2], notes[:, 1:-1]), notes[:, 2:])
    share = float(held.sum() / max(float(pitches.sum()), 1e-9))
    return share**2 / (share**2 + _FEW_NOTES**2)


def _odd_beats(values: FloatArray) -> FloatArray:
    """How much more the first and third beat from each slot on hold than the others, -1 to 1."""
    at = np.stack([np.roll(values, -PER_BEAT * i) for i in range(values.size // PER_BEAT)])
    if len(at) == 3:
        # A bar of three has one strong beat: a kick on the first, snares on the second and third.
        return np.asarray((2.0 * at[0] - at[1] - at[2]) / np.maximum(2.0 * at.sum(axis=0), 1e-9))
    return np.asarray((at[0::2].sum(axis=0) - at[1::2].sum(axis=0)) / np.maximum(at.sum(axis=0), 1e-9))


def _on_all_beats(values: FloatArray) -> FloatArray:
    """The weakest beat of the pulse of each slot beside the strongest slot of all, 0 to 1."""
    weakest = values.reshape(-1, PER_BEAT).min(axis=0) / max(values.max(), 1e-9)
    return np.tile(weakest, values.size // PER_BEAT)


def _on_beats(values: FloatArray) -> FloatArray:
    """The share of everything that lies on the pulse of each slot, 0 to 1."""
    pulse = values.reshape(-1, PER_BEAT).sum(axis=0) / max(values.sum(), 1e-9)
    return np.tile(pulse, values.size // PER_BEAT)


def _around(rows: FloatArray, width: int) -> tuple[FloatArray, FloatArray, int]:
    """Means of `width` slots (less in a short track) before and from each slot with as many on each side."""
    width = max(min(width, rows.shape[1] // 2), 1)
    sums = np.concatenate([np.zeros((rows.shape[0], 1)), np.cumsum(rows, axis=1)], axis=1)
    means = (sums[:, width:] - sums[:, :-width]) / width
    return means[:, :-width], means[:, width:], width


def _standardised(rows: FloatArray) -> FloatArray:
    spread = rows.std(axis=1, keepdims=True)
    return np.asarray((rows - rows.mean(axis=1, keepdims=True)) / np.maximum(spread, 1e-6))
