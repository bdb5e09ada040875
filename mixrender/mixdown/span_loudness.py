"""A timeline and its mix as measured go in; the figures of each track and overlap in it come out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from mixrender.dsp.limiter import REDUCTIONS_PER_S
from mixrender.loudness.meter import integrated_between
from mixrender.loudness.power import PowerSteps
from mixrender.loudness.spans import MeasuredSound, loudness_between
from mixrender.mixdown.measure import Read
from mixrender.mixdown.mix import BLOCK_FRAMES
from mixrender.mixdown.result import MasterFigures, SpanFigures, TrackMeasure
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import seconds_to_frames

LEAST_ALONE_S = 3.0
"""A track that is alone for less than one short-term window does not count for the spread."""

PEAK_CELLS = 400
LEAST_CELL_S = 1.0
"""True peaks over time are told in at most so many cells, each at least so long, and at every edge."""


def peak_edges(timeline: Timeline, *, frames: int, sample_rate_hz: int) -> list[int]:
    """Frames at which the true peaks of a mix are parted: edges of tracks and overlaps, and even cells."""
    edges_s = [edge_s for track in timeline.tracks for edge_s in (track.start_s, track.end_s)]
    edges_s += [edge_s for joint in timeline.transitions for edge_s in (joint.start_s, joint.end_s)]
    cell_s = max(frames / sample_rate_hz / PEAK_CELLS, LEAST_CELL_S)
    edges = {seconds_to_frames(edge_s, sample_rate_hz) for edge_s in edges_s}
    edges |= set(range(0, frames, seconds_to_frames(cell_s, sample_rate_hz)))
    return sorted(edge for edge in edges if 0 < edge < frames)


def levels_before_master(timeline: Timeline, read: Read, *, sample_rate_hz: int) -> list[float | None]:
    """Integrated loudness of each track where it plays alone; `read` gives the mix in front of the master."""
    return [
        _integrated(read, span, sample_rate_hz=sample_rate_hz) if span else None
        for span in (alone_span_s(timeline, index) for index in range(len(timeline.tracks)))
    ]


def _integrated(read: Read, span_s: tuple[float, float], *, sample_rate_hz: int) -> float | None:
    power = PowerSteps(sample_rate_hz=sample_rate_hz, channels=2)
    start, stop = (seconds_to_frames(edge_s, sample_rate_hz) for edge_s in span_s)
    for begin in range(start, stop, BLOCK_FRAMES):
        power.push(read(begin, min(begin + BLOCK_FRAMES, stop)))
    return integrated_between(power.series(), start_s=0.0, end_s=span_s[1] - span_s[0])


def track_measures(
    timeline: Timeline,
    sound: MeasuredSound,
    master: MasterFigures,
    *,
    before_master_lufs: Sequence[float | None],
) -> tuple[TrackMeasure, ...]:
    """The figures of every track in the mix: over its whole span, and where it plays alone."""
    measures = []
    for index, (track, lufs) in enumerate(zip(timeline.tracks, before_master_lufs, strict=True)):
        alone = alone_span_s(timeline, index)
        measures.append(
            TrackMeasure(
                in_mix=span_figures(sound, master, start_s=track.start_s, end_s=track.end_s),
                alone=span_figures(sound, master, start_s=alone[0], end_s=alone[1]) if alone else None,
                before_master_lufs=lufs,
            )
        )
    return tuple(measures)


def alone_span_s(timeline: Timeline, index: int) -> tuple[float, float] | None:
    """The longest span of the mix in which a track plays alone; None where it is under LEAST_ALONE_S."""
    track = timeline.tracks[index]
    free = [(track.start_s, track.end_s)]
    for other in timeline.tracks:
        if other.index != track.index:
            free = [
                span
                for start_s, end_s in free
                for span in ((start_s, min(end_s, other.start_s)), (max(start_s, other.end_s), end_s))
                if span[0] < span[1]
            ]
    longest = max(free, key=lambda span: span[1] - span[0], default=None)
    return longest if longest and longest[1] - longest[0] >= LEAST_ALONE_S else None


def overlap_figures(
    transition: TransitionPlacement, sound: MeasuredSound, master: MasterFigures
) -> SpanFigures | None:
    """The figures of an overlap; None of a cut or a gap, which has none."""
    if transition.end_s <= transition.start_s:
        return None
    return span_figures(sound, master, start_s=transition.start_s, end_s=transition.end_s)


def span_figures(sound: MeasuredSound, master: MasterFigures, *, start_s: float, end_s: float) -> SpanFigures:
    """Loudness and gain reduction of the mix between two of its seconds.

    The reduction is that of the tenths of a second that the span touches; both are 0 without a limiter.
    """
    start_s, end_s = max(start_s, 0.0), min(end_s, sound.loudness.duration_s)
    tenths = slice(math.floor(start_s * REDUCTIONS_PER_S + 1e-6), math.ceil(end_s * REDUCTIONS_PER_S - 1e-6))
    most_db, means_db = master.gain_reduction_db[tenths], master.mean_gain_reductions_db[tenths]
    return SpanFigures(
        start_s=start_s,
        end_s=end_s,
        loudness=loudness_between(sound, start_s=start_s, end_s=end_s),
        max_gain_reduction_db=float(most_db.max(initial=0.0)),
        mean_gain_reduction_db=float(np.mean(means_db)) if len(means_db) else 0.0,
    )
