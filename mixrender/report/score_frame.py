"""The window of a clip in, where its moments lie across a sheet and how high things are on it out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.mixdown.trace import ClipTrace, StripTrace
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import FloatArray

AROUND_BARS = 8.0
"""Bars before and after the overlap that are shown where there is no clip."""

EDGE_S = 0.001
"""A bar line so little before the first frame of a clip, or after its last, is still in the picture."""


@dataclass(frozen=True)
class Sizes:
    """Measures of a sheet in its own units: width, ends of the axis of time, heights of its parts."""

    width: float
    x0: float
    x1: float
    space: float
    """Between two of the five lines of a stave: 12 dB."""
    layer_space: float
    loudness: float
    low: float


WIDE = Sizes(width=1100.0, x0=142.0, x1=1056.0, space=25.0, layer_space=13.0, loudness=92.0, low=64.0)
COMPACT = Sizes(width=350.0, x0=10.0, x1=314.0, space=23.0, layer_space=14.0, loudness=84.0, low=60.0)


@dataclass(frozen=True)
class Stave:
    """One track of the picture: who it is, what was measured of it, and what it is to the transition."""

    track: TrackPlacement
    side: str
    strip: StripTrace | None


@dataclass(frozen=True)
class Frame:
    """What a picture shows: one transition of a mix, from `start_s` on, for `duration_s`, on one axis."""

    result: MixResult
    transition: TransitionPlacement
    compact: bool
    start_s: float
    duration_s: float
    trace: ClipTrace | None
    staves: tuple[Stave, ...]

    @property
    def sizes(self) -> Sizes:
        """The measures of the sheet."""
        return COMPACT if self.compact else WIDE

    @property
    def timeline(self) -> Timeline:
        """The timeline of the mix."""
        return self.result.timeline

    @property
    def tempo_map(self) -> TempoMap:
        """Beats and seconds of the mix."""
        return self.timeline.tempo_map

    @property
    def end_s(self) -> float:
        """Second of the mix at which the picture ends."""
        return self.start_s + self.duration_s

    @property
    def x0(self) -> float:
        """Where the clip begins on the sheet."""
        return self.sizes.x0

    @property
    def x1(self) -> float:
        """Where the clip ends on the sheet."""
        return self.sizes.x1

    @property
    def px_per_s(self) -> float:
        """Units of the sheet for a second."""
        return (self.x1 - self.x0) / self.duration_s

    def x_at(self, time_s: float) -> float:
        """Where a second of the mix lies."""
        return self.x0 + (time_s - self.start_s) * self.px_per_s

    def xs_at(self, times_s: FloatArray) -> FloatArray:
        """Where seconds of the mix lie."""
        return np.asarray(self.x0 + (times_s - self.start_s) * self.px_per_s)

    def x_at_beat(self, beat: float) -> float:
        """Where a beat of the mix lies."""
        return self.x_at(self.tempo_map.time_at(beat))

    def shows(self, time_s: float, *, room_s: float = EDGE_S) -> bool:
        """Whether a second of the mix lies in the picture."""
        return self.start_s - room_s <= time_s <= self.end_s + room_s

    def column_xs(self, count: int, *, at: float) -> FloatArray:
        """Where columns of the trace have their middles (`at` 0.5) or ends (1)."""
        assert self.trace is not None
        places = self.x0 + (np.arange(count) + at) * self.trace.column_s * self.px_per_s
        return np.asarray(np.minimum(places, self.x1))


def frame_of(result: MixResult, index: int, *, compact: bool) -> Frame:
    """The frame of transition `index`, counted from 1. Raises ValueError where there is no such."""
    timeline = result.timeline
    if not 1 <= index <= len(timeline.transitions):
        raise ValueError(f"there is no transition {index}: the mix has {len(timeline.transitions)}")
    transition = timeline.transitions[index - 1]
    measure = result.transitions[index - 1] if index <= len(result.transitions) else None
    start_s, duration_s, trace = _window(timeline, transition, measure)
    return Frame(
        result=result,
        transition=transition,
        compact=compact,
        start_s=start_s,
        duration_s=max(duration_s, 1e-3),
        trace=trace,
        staves=_staves(timeline, transition, trace, start_s, start_s + duration_s),
    )


def _window(
    timeline: Timeline, transition: TransitionPlacement, measure: TransitionMeasure | None
) -> tuple[float, float, ClipTrace | None]:
    if measure is not None and measure.clip is not None:
        return measure.clip.start_s, measure.clip.duration_s, measure.clip.trace
    around = AROUND_BARS * transition.beats_per_bar
    last = max(transition.end_beat, transition.enter_beat)
    start_s = max(timeline.tempo_map.time_at(transition.start_beat - around), 0.0)
    end_s = min(timeline.tempo_map.time_at(last + around), timeline.duration_s)
    return start_s, end_s - start_s, None


def _staves(
    timeline: Timeline,
    transition: TransitionPlacement,
    trace: ClipTrace | None,
    start_s: float,
    end_s: float,
) -> tuple[Stave, ...]:
    strips = {strip.index: strip for strip in trace.strips} if trace else {}
    sides = [("from", timeline.tracks[transition.outgoing]), ("to", timeline.tracks[transition.incoming])]
    for layer in timeline.layers:
        heard = layer.index in strips if trace else layer.start_s < end_s and layer.end_s > start_s
        if heard:
            sides.append(("layer", layer))
    return tuple(Stave(track, side, strips.get(track.index)) for side, track in sides)
