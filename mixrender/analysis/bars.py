"""What sounds on each sixteenth in, on which of the sixteen a bar begins out.

Cues, strongest first: where sections change, where the kick falls, where the harmony changes, snares on the
second and fourth beat, the first hit of the track.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from mixrender.analysis.slots import PER_BEAT, Slots

FloatArray = NDArray[np.float64]

_SECTIONS = 6.4
_KICK = 2.7
_HARMONY = 2.2
_HARMONY_CLARITY = 0.35
_FAINT_HARMONY = 0.01
_BACKBEAT = 1.0
_FIRST_HIT = 0.7
_PULSE = 2.0
_FAINT_CHANGE = 2.0
"""Changes that add up to less than this say little: loops that repeat exactly still differ a little."""


@dataclass(frozen=True)
class BarStart:
    """Slot 0 to 16 less one on which bars begin (`slot`), and how sure that is.

    `probability` is of the slot itself, `pulse_probability` of the beat it lies on (0 to 1);
    `rival_slots` is how many sixteenths the second best lies after the best, -8 to 8.
    """

    slot: int
    probability: float
    pulse_probability: float
    rival_slots: int


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
    parts = cues(slots, beats_per_bar=beats_per_bar, first_slot=first_slot)
    return np.asarray(sum(parts.values()))


def cues(slots: Slots, *, beats_per_bar: int, first_slot: int) -> dict[str, FloatArray]:
    """The score of each cue, by name, each of shape (4 * beats_per_bar,)."""
    per_bar = PER_BEAT * beats_per_bar
    kick, burst = _by_slot(slots.kick, per_bar), _by_slot(slots.burst, per_bar)
    total = _by_slot(slots.attacks[:4].sum(axis=0), per_bar)
    first = np.zeros(per_bar)
    first[first_slot % per_bar] = _FIRST_HIT
    return {
        "sections": _SECTIONS * _votes(section_changes(slots, per_bar=per_bar), per_bar),
        "kick": _KICK * kick / max(kick.max(), 1e-9),
        "harmony": _harmony(slots, per_bar),
        "backbeat": _BACKBEAT * _backbeat(burst),
        "first hit": first,
        "pulse": _PULSE * _pulse(total, kick),
    }


def section_changes(slots: Slots, *, per_bar: int) -> FloatArray:
    """How much the two bars from each slot on differ from the two before it, shape (n,); 0 near the ends."""
    features = np.concatenate(
        [
            _standardised(slots.levels) * 1.0,
            _standardised(slots.attacks) * 0.8,
            _standardised(slots.pitches) * np.sqrt(4.0 / slots.pitches.shape[0]),
        ]
    )
    width = min(2 * per_bar, slots.times_s.size // 2)
    sums = np.concatenate([np.zeros((features.shape[0], 1)), np.cumsum(features, axis=1)], axis=1)
    means = (sums[:, width:] - sums[:, :-width]) / width
    change = np.zeros(slots.times_s.size)
    steps = ((means[:, width:] - means[:, :-width]) ** 2).sum(axis=0)
    change[width : width + steps.size] = steps
    return change


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


def _harmony(slots: Slots, per_bar: int) -> FloatArray:
    """How much more the pitches change on each slot than on the others."""
    pitches = slots.pitches
    half = per_bar // 2
    sums = np.concatenate([np.zeros((pitches.shape[0], 1)), np.cumsum(pitches, axis=1)], axis=1)
    means = (sums[:, half:] - sums[:, :-half]) / half
    before, after = means[:, :-half], means[:, half:]
    norm = np.linalg.norm(before, axis=0) * np.linalg.norm(after, axis=0)
    change = np.zeros(slots.times_s.size)
    steps = 1.0 - (before * after).sum(axis=0) / np.maximum(norm, 1e-9)
    change[half : half + steps.size] = np.where(norm > 1e-6, steps, 0.0)
    by_slot = _by_slot(np.minimum(change, np.percentile(change, 97)), per_bar)
    peak, spread = float(by_slot.max()), float(by_slot.std())
    if spread <= 1e-9:
        return np.zeros(per_bar)
    score = (
        _HARMONY * (by_slot - by_slot.min()) / peak + _HARMONY_CLARITY * (by_slot - by_slot.mean()) / spread
    )
    return np.asarray(score * peak / (peak + _FAINT_HARMONY))


def _backbeat(burst: FloatArray) -> FloatArray:
    """How much of the noise bursts lies on the second and fourth beat rather than the first and third."""
    beats = burst.size // PER_BEAT
    at = np.stack([np.roll(burst, -PER_BEAT * i) for i in range(beats)])
    return np.asarray((at[1::2].sum(axis=0) - at[0::2].sum(axis=0)) / np.maximum(at.sum(axis=0), 1e-9))


def _pulse(total: FloatArray, kick: FloatArray) -> FloatArray:
    """How strong the pulse is on which each slot lies: 0 for the strongest, down to -1."""
    strength = total.reshape(-1, PER_BEAT).mean(axis=0) / max(total.mean(), 1e-9)
    strength = strength + 0.5 * kick.reshape(-1, PER_BEAT).mean(axis=0) / max(kick.mean(), 1e-9)
    return np.tile(np.clip((strength - strength.max()) / 1.5, -1.0, 0.0), total.size // PER_BEAT)


def _by_slot(values: FloatArray, per_bar: int) -> FloatArray:
    whole = values[: values.size // per_bar * per_bar]
    return np.asarray(whole.reshape(-1, per_bar).mean(axis=0))


def _standardised(rows: FloatArray) -> FloatArray:
    spread = rows.std(axis=1, keepdims=True)
    return np.asarray((rows - rows.mean(axis=1, keepdims=True)) / np.maximum(spread, 1e-6))
