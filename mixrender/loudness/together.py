"""Several measured sounds go in; their loudness as one programme, an album or a whole set, comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from mixrender.facts import Loudness
from mixrender.loudness.meter import integrated_together, range_edges_together
from mixrender.loudness.power import PowerSeries


@dataclass(frozen=True)
class Part:
    """One sound of several: what was measured of it, and its power in steps."""

    loudness: Loudness
    power: PowerSeries


def measure_together(parts: Sequence[Part]) -> Loudness:
    """The loudness of sounds as one programme, in this order; ValueError if there are none.

    The integrated loudness gates the blocks of all together (BS.1770-5, Annex 1), the loudness range their
    short-term values (Tech 3342); what would lie across two sounds is left out. The others are the greatest
    of the parts, each at its time in the whole.
    """
    if not parts:
        raise ValueError("there is nothing to measure together")
    durations_s = [part.loudness.duration_s for part in parts]
    placed = [
        _later(part.loudness, start_s)
        for part, start_s in zip(parts, accumulate(durations_s, initial=0.0), strict=False)
    ]
    powers = [part.power for part in parts]
    quiet_lufs, loud_lufs = range_edges_together(powers)
    momentary = max(placed, key=lambda one: _level(one.max_momentary_lufs))
    short_term = max(placed, key=lambda one: _level(one.max_short_term_lufs))
    sample_peak = max(placed, key=lambda one: _level(one.sample_peak_dbfs))
    true_peak = max(placed, key=lambda one: _level(one.true_peak_dbtp))
    return replace(
        true_peak,
        duration_s=sum(durations_s),
        integrated_lufs=integrated_together(powers),
        loudness_range_lu=None if loud_lufs is None or quiet_lufs is None else loud_lufs - quiet_lufs,
        max_momentary_lufs=momentary.max_momentary_lufs,
        max_momentary_s=momentary.max_momentary_s,
        max_short_term_lufs=short_term.max_short_term_lufs,
        max_short_term_s=short_term.max_short_term_s,
        sample_peak_dbfs=sample_peak.sample_peak_dbfs,
        loud_lufs=loud_lufs,
    )


def _level(value: float | None) -> float:
    return float("-inf") if value is None else value


def _later(loudness: Loudness, start_s: float) -> Loudness:
    """The same figures of a sound that begins at `start_s` seconds of the whole."""

    def later(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + start_s

    return replace(
        loudness,
        max_momentary_s=later(loudness.max_momentary_s),
        max_short_term_s=later(loudness.max_short_term_s),
        true_peak_s=later(loudness.true_peak_s),
    )
