"""A sound as it was measured and a part of it go in; the figures of that part come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from mixrender.facts import Loudness
from mixrender.loudness.meter import (
    MOMENTARY_STEPS,
    SHORT_TERM_STEPS,
    Meter,
    integrated_between,
    level_lufs,
    range_edges_together,
    window_powers,
)
from mixrender.loudness.peaks import Peak
from mixrender.loudness.power import STEPS_PER_S, PowerSeries
from mixrender.units import gain_to_db, seconds_to_frames


@dataclass(frozen=True, eq=False)
class MeasuredSound:
    """A whole sound: its figures, its power over time, and the greatest peaks of each of its parts.

    Part i of `peaks`, the true ones, and of `sample_peaks` (full scale 1.0) begins on frame `starts[i]`; the
    first begins on frame 0.
    """

    loudness: Loudness
    power: PowerSeries = field(repr=False)
    starts: tuple[int, ...] = field(repr=False)
    peaks: tuple[Peak, ...] = field(repr=False)
    sample_peaks: tuple[float, ...] = field(repr=False)


def measured_sound(meter: Meter, *, peak_edges: Sequence[int]) -> MeasuredSound:
    """What a meter that was given these edges holds after the whole sound was pushed."""
    starts, parts = (0, *peak_edges), (meter.part_peaks(), meter.part_sample_peaks())
    return MeasuredSound(meter.result(), meter.power(), starts, *parts)


def loudness_between(sound: MeasuredSound, *, start_s: float, end_s: float) -> Loudness:
    """The figures of a part of a sound, its times being seconds of the whole.

    Windows are those that lie wholly inside; the gating is the part's own, and so is the range. The peaks are
    those of the parts that begin inside: exact where the sound was parted at both ends.
    """
    first, last = (round(edge_s * STEPS_PER_S) for edge_s in (max(start_s, 0.0), max(end_s, 0.0)))
    power = PowerSeries(sound.power.energies[first:last], sound.power.sample_rate_hz)
    quiet_lufs, loud_lufs = range_edges_together([power])
    momentary_lufs, momentary_s = _loudest(power, MOMENTARY_STEPS)
    short_term_lufs, short_term_s = _loudest(power, SHORT_TERM_STEPS)
    peak, sample_peak = _peaks_between(sound, start_s=start_s, end_s=end_s)
    from_s = first / STEPS_PER_S
    return Loudness(
        duration_s=end_s - start_s,
        integrated_lufs=integrated_between(sound.power, start_s=start_s, end_s=end_s),
        loudness_range_lu=None if loud_lufs is None or quiet_lufs is None else loud_lufs - quiet_lufs,
        max_momentary_lufs=momentary_lufs,
        max_momentary_s=None if momentary_s is None else from_s + momentary_s,
        max_short_term_lufs=short_term_lufs,
        max_short_term_s=None if short_term_s is None else from_s + short_term_s,
        true_peak_dbtp=gain_to_db(max(peak.level, sample_peak)) if peak else None,
        true_peak_s=peak.frame / sound.power.sample_rate_hz if peak else None,
        sample_peak_dbfs=gain_to_db(sample_peak) if sample_peak > 0.0 else None,
        loud_lufs=loud_lufs,
        true_peak_channel=peak.channel if peak else None,
        channels=sound.loudness.channels if peak else None,
    )


def _loudest(power: PowerSeries, width: int) -> tuple[float | None, float | None]:
    """The greatest loudness of a sliding window, and the time of its middle; None if there is no sound."""
    powers = window_powers(power.energies, width, power.sample_rate_hz)
    if not len(powers) or powers.max() <= 0.0:
        return None, None
    at = int(np.argmax(powers))
    return float(level_lufs(powers[at : at + 1])[0]), (at + width / 2) / STEPS_PER_S


def _peaks_between(sound: MeasuredSound, *, start_s: float, end_s: float) -> tuple[Peak | None, float]:
    """The greatest true peak, None for silence, and sample of the parts that begin in a span."""
    edges = [seconds_to_frames(edge_s, sound.power.sample_rate_hz) for edge_s in (start_s, end_s)]
    first, last = np.searchsorted(sound.starts, edges)
    peak = max(sound.peaks[first:last], key=lambda one: one.level, default=None)
    sample_peak = max(sound.sample_peaks[first:last], default=0.0)
    return (peak if peak is not None and peak.level > 0.0 else None), sample_peak
