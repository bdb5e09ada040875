"""A starting tempo, ramps and tracks that are followed to the tempo map of a mix."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mixrender.facts import Grid
from mixrender.timing.tempo_map import Ramp, TempoMap, TempoSegment, lay_ramps


@dataclass(frozen=True)
class Followed:
    """A stretch of the mix whose tempo is that of a drifting track, beat by beat.

    Mix beat m is beat `source_beat + (m - start_beat) * rate` of the track.
    """

    start_beat: float
    end_beat: float
    grid: Grid
    source_beat: float
    rate: float

    def source_beat_at(self, mix_beat: float) -> float:
        """The track's beat at a beat of the mix."""
        return self.source_beat + (mix_beat - self.start_beat) * self.rate

    def segments(self, start_beat: float, end_beat: float) -> list[TempoSegment]:
        """One constant segment per beat of the track between two mix beats inside this stretch."""
        first, last = self.grid.first_beat, self.grid.first_beat + len(self.grid.beats_s) - 1
        found = []
        beat = start_beat
        while beat < end_beat - 1e-9:
            source = self.source_beat_at(beat)
            # A position that rounding put just before a beat counts as that beat.
            whole = math.floor(source + 5e-7)
            interval_s = self.grid.time_at(whole + 0.75) - self.grid.time_at(whole + 0.25)
            bpm = 30.0 / interval_s / self.rate
            found.append(TempoSegment(beat, bpm, bpm))
            # Outside the listed beats the tempo stands still: one segment reaches to the list or to the end.
            following = first if whole < first else whole + 1 if whole < last - 1 else math.inf
            beat = self.start_beat + (following - self.source_beat) / self.rate
        return found


def build_tempo_map(
    start_bpm: float, ramps: Sequence[Ramp], followed: Sequence[Followed] = (), *, origin_s: float = 0.0
) -> TempoMap:
    """The tempo map that starts at `start_bpm`, runs each ramp and holds its last value until the next.

    Inside a followed stretch, where no ramp runs, the tempo is the track's own.
    """
    laid = lay_ramps(ramps)
    segments: list[TempoSegment] = []
    bpm = start_bpm
    position = -math.inf
    for ramp in [*laid, None]:
        until = ramp.start_beat if ramp else math.inf
        bpm = _hold(segments, position, until, bpm, followed)
        if ramp is None:
            break
        if ramp.end_beat > ramp.start_beat:
            segments.append(TempoSegment(ramp.start_beat, bpm, ramp.to_bpm))
        bpm, position = ramp.to_bpm, ramp.end_beat
    return TempoMap(_distinct(segments), origin_s=origin_s)


def _hold(
    segments: list[TempoSegment], start: float, end: float, bpm: float, followed: Sequence[Followed]
) -> float:
    """Append what holds between two ramps, and return the tempo at its end."""
    if not start < end:
        return bpm
    segments.append(TempoSegment(start, bpm, bpm))
    for stretch in followed:
        low, high = max(start, stretch.start_beat), min(end, stretch.end_beat)
        if low >= high:
            continue
        inside = stretch.segments(low, high)
        segments.extend(inside)
        if inside:
            bpm = inside[-1].start_bpm
    return bpm


def _distinct(segments: list[TempoSegment]) -> list[TempoSegment]:
    """Segments without those that another one replaces at once, beginning at a finite beat."""
    # What holds before the first change needs no beginning: a beat ahead of the change will do.
    first = min((s.beat for s in segments if math.isfinite(s.beat)), default=1.0) - 1.0
    kept: list[TempoSegment] = []
    for segment in (TempoSegment(max(s.beat, first), s.start_bpm, s.end_bpm) for s in segments):
        if kept and segment.beat <= kept[-1].beat + 1e-9:
            kept[-1] = TempoSegment(kept[-1].beat, segment.start_bpm, segment.end_bpm)
        elif kept and _goes_on(kept[-1], segment):
            continue
        else:
            kept.append(segment)
    return kept


def _goes_on(before: TempoSegment, segment: TempoSegment) -> bool:
    return before.start_bpm == before.end_bpm == segment.start_bpm == segment.end_bpm
