"""The power of a track and spans of it in, the loudness of each span out: gated, or that of its mean."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from mixrender.facts import Grid
from mixrender.loudness.meter import ABSOLUTE_GATE_LUFS, integrated_between, level_lufs
from mixrender.loudness.power import PowerSeries, step_edge
from mixrender.units import FloatArray

Span = tuple[float, float]
"""Start and end in seconds of the sound."""

SILENCE_LUFS = ABSOLUTE_GATE_LUFS
"""What a silent bar gets: the standard counts nothing below it."""


def integrated_lufs(power: PowerSeries, spans: Sequence[Span]) -> list[float | None]:
    """What a meter by BS.1770-5 says of each span alone, in LUFS, from the blocks that lie wholly in it.

    None where no block is above -70 LUFS, and where a span is shorter than one block (0.4 s).
    """
    return [integrated_between(power, start_s=start_s, end_s=end_s) for start_s, end_s in spans]


def mean_lufs(power: PowerSeries, spans: Sequence[Span]) -> list[float]:
    """Loudness of the mean K-weighted power in each span, not gated, in LUFS; -70 and less is -70."""
    if not spans:
        return []
    ends = np.arange(power.energies.size + 1)
    times_s = step_edge(ends, sample_rate_hz=power.sample_rate_hz) / power.sample_rate_hz
    so_far = np.concatenate(([0.0], np.cumsum(power.energies)))
    edges_s = np.clip(np.array(spans), 0.0, times_s[-1])
    energies = np.diff(np.interp(edges_s, times_s, so_far), axis=1)[:, 0]
    frames = np.maximum(np.diff(edges_s, axis=1)[:, 0] * power.sample_rate_hz, 1.0)
    return [float(level) for level in _floored_lufs(energies / frames)]


def bar_spans(grid: Grid, *, duration_s: float) -> list[Span]:
    """Start and end of every whole bar from bar 1 to the end of the sound; none without a grid."""
    if grid.kind == "none":
        return []
    last_bar = int(grid.beat_to_bar(grid.beat_at(duration_s)))
    return list(itertools.pairwise(grid.time_at(grid.bar_to_beat(bar)) for bar in range(1, last_bar + 1)))


def _floored_lufs(powers: FloatArray) -> FloatArray:
    least = 10.0 ** (SILENCE_LUFS / 10.0)  # below the floor by the 0.7 dB of the standard's offset
    return np.maximum(level_lufs(np.maximum(powers, least)), SILENCE_LUFS)
