"""Measured loudness and a target go in; the verdict, by how much each figure is off, and the cure come out.

Distances are counted to the one decimal that EBU Tech 3341 (2.8) gives a display: nobody is told that
-1.0 dBTP is more than -1 dBTP, nor that -1.25 dBTP is more than -1.25.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mixrender.facts import Loudness
from mixrender.loudness.targets import Target

INTEGRATED, TRUE_PEAK, SHORT_TERM, RANGE = "integrated", "true peak", "short-term maximum", "loudness range"


@dataclass(frozen=True)
class Criterion:
    """One figure beside its bounds; None: no such bound, or `value` is not measurable."""

    name: str
    unit: str
    value: float | None
    lowest: float | None
    highest: float | None

    @property
    def distance(self) -> float | None:
        """How far the figure lies over the nearest allowed value, or under it (minus); 0: it is allowed."""
        if self.value is None:
            return None
        over = 0.0 if self.highest is None else max(self.value - self.highest, 0.0)
        under = 0.0 if self.lowest is None else min(self.value - self.lowest, 0.0)
        return round(over + under, 1) + 0.0

    @property
    def passed(self) -> bool | None:
        """Whether the figure is allowed; None where it is not measurable."""
        return None if self.distance is None else self.distance == 0.0


@dataclass(frozen=True)
class Judgement:
    """The verdict on a piece of sound: its criteria, and the gain that brings its loudness to the target.

    `true_peak_after_dbtp` is the true peak that it would have then. Both are None where they cannot be told.
    """

    target: Target
    criteria: tuple[Criterion, ...]
    gain_db: float | None
    true_peak_after_dbtp: float | None

    @property
    def passed(self) -> bool | None:
        """Whether every criterion is met; None where one is not measurable and no other has failed."""
        verdicts = [criterion.passed for criterion in self.criteria]
        if False in verdicts:
            return False
        return None if None in verdicts else True

    @property
    def over_after_db(self) -> float | None:
        """By how much the true peak would lie over the target's after the gain; minus: under it."""
        if self.true_peak_after_dbtp is None:
            return None
        return round(self.true_peak_after_dbtp - self.target.true_peak_dbtp, 1) + 0.0


def judge(loudness: Loudness, target: Target) -> Judgement:
    """The verdict on one piece of sound."""
    return _judged(loudness, target, lowest_lufs=target.lowest_lufs, gain_db=_gain_db(loudness, target))


def judge_all(measured: Sequence[Loudness], target: Target) -> list[Judgement]:
    """The verdicts on several; where the target is one for the loudest, all get the gain that suits that."""
    levels = [loudness.integrated_lufs for loudness in measured if loudness.integrated_lufs is not None]
    if not target.of_loudest or not levels:
        return [judge(loudness, target) for loudness in measured]
    loudest = next(loudness for loudness in measured if loudness.integrated_lufs == max(levels))
    gain_db = _gain_db(loudest, target)
    return [
        _judged(
            loudness,
            target,
            lowest_lufs=target.lowest_lufs if loudness is loudest else None,
            gain_db=gain_db,
        )
        for loudness in measured
    ]


def _judged(
    loudness: Loudness, target: Target, *, lowest_lufs: float | None, gain_db: float | None
) -> Judgement:
    limits = [
        (INTEGRATED, "LUFS", loudness.integrated_lufs, lowest_lufs, target.highest_lufs),
        (TRUE_PEAK, "dBTP", loudness.true_peak_dbtp, None, target.true_peak_dbtp),
        (SHORT_TERM, "LUFS", loudness.max_short_term_lufs, None, target.max_short_term_lufs),
        (RANGE, "LU", loudness.loudness_range_lu, None, target.max_range_lu),
    ]
    criteria = tuple(Criterion(*one) for one in limits if one[4] is not None)
    peak_dbtp = loudness.true_peak_dbtp
    after = None if gain_db is None or peak_dbtp is None else peak_dbtp + gain_db
    return Judgement(target, criteria, gain_db, after)


def _gain_db(loudness: Loudness, target: Target) -> float | None:
    """The gain that brings the loudness to the nearest that is asked for: x dB are x LU."""
    if loudness.integrated_lufs is None or target.aims_lufs is None:
        return None
    low, high = target.aims_lufs
    return min(max(loudness.integrated_lufs, low), high) - loudness.integrated_lufs
