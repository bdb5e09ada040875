"""The timeline of a mix: what sounds when, exactly, as plain data that everything after it reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.timing.moves import MovePoint
from mixrender.timing.play_order import Patch, PlayOrder
from mixrender.timing.spans import BeatSpan, Span, source_beat_at, source_time_at, span_at
from mixrender.timing.tempo_map import TempoMap


@dataclass(frozen=True)
class TrackPlacement:
    """One track in the mix: where it lies, at what speed, and what is done to it.

    `grid` and `spans` are those of the track as it plays: `order` says what of its file that is, `patches`
    what happens to it in place. `facts` are those of the file.
    It is heard from mix beat `start_beat` to `end_beat`; `rate` is the number of its beats to one of the
    mix's. `shift_s` plays it that much later than its grid says. Fades are lengths in mix beats from its
    start and to its end; 0 means the 10 ms that every edge has.
    """

    index: int
    name: str
    file: Path
    facts: TrackFacts
    grid: Grid
    rate: float
    spans: tuple[Span, ...]
    start_beat: float
    end_beat: float
    start_s: float
    end_s: float
    lanes: dict[str, tuple[MovePoint, ...]]
    key: str | None = None
    gain_db: float = 0.0
    shift_s: float = 0.0
    fade_in_beats: float = 0.0
    fade_out_beats: float = 0.0
    key_lock: bool = True
    shift_semitones: float = 0.0
    formants: Literal["follow", "keep"] = "follow"
    order: PlayOrder = field(default_factory=PlayOrder)
    patches: tuple[Patch, ...] = ()

    def speed_at(self, mix_beat: float, tempo_map: TempoMap) -> float:
        """Playing speed at a mix beat: 1 is the track's own tempo, above 1 is faster."""
        span = span_at(self.spans, mix_beat)
        if not isinstance(span, BeatSpan):
            return 1.0
        own_bpm = self.grid.tempo_at(source_beat_at(span, mix_beat))
        return tempo_map.tempo_at(mix_beat) * self.rate / own_bpm

    @property
    def file_grid(self) -> Grid:
        """The grid in seconds of the file."""
        return self.order.file_grid or self.grid

    @property
    def plays_s(self) -> float:
        """How long the whole track plays."""
        return self.order.end_s if self.order.passages else self.facts.duration_s

    def play_s_at(self, mix_beat: float, tempo_map: TempoMap) -> float:
        """Second of the track as it plays that sounds at a mix beat, before `shift_s`."""
        span = span_at(self.spans, mix_beat)
        return source_time_at(span, mix_beat, grid=self.grid, tempo_map=tempo_map)

    def source_s_at(self, mix_beat: float, tempo_map: TempoMap) -> float:
        """Second of the file that sounds at a mix beat, before `shift_s`."""
        return self.order.source_at(self.play_s_at(mix_beat, tempo_map))

    def file_bar(self, beat: float) -> float:
        """Bar of the file that sounds at a beat of the track as it plays."""
        if not self.order.passages:
            return self.grid.beat_to_bar(beat)
        grid = self.file_grid
        return grid.beat_to_bar(grid.beat_at(self.order.source_at(self.grid.time_at(beat))))


@dataclass(frozen=True)
class VoicePlacement:
    """A voice in the mix: its file plays untouched from `start_s` of the mix to `end_s`.

    Its lanes are in beats of the mix. Where `duck` is set the music gives way so that the voice is `over_lu`
    louder while it speaks: within `attack_s` before it does, and back within `release_s` after.
    """

    index: int
    name: str
    file: Path
    facts: TrackFacts
    start_s: float
    end_s: float
    lanes: dict[str, tuple[MovePoint, ...]]
    gain_db: float
    duck: bool
    over_lu: float
    attack_s: float
    release_s: float


@dataclass(frozen=True)
class NoisePlacement:
    """A noise sweep of transition `transition` (counted from 1) from `start_s` to `end_s` of the mix.

    `lanes` has its `level` and its `cutoff` in beats of the mix.
    """

    transition: int
    start_s: float
    end_s: float
    lanes: dict[str, tuple[MovePoint, ...]]
    filter: Literal["lowpass", "bandpass", "highpass"]


@dataclass(frozen=True)
class SpeedChange:
    """The change of a track's tempo across a transition, in per cent; + is faster."""

    start: float
    end: float
    min: float
    max: float


@dataclass(frozen=True)
class TransitionPlacement:
    """One transition in the mix; `outgoing` and `incoming` are indices of tracks.

    The overlap runs from `start_beat` to `end_beat` in beats of the mix; after a gap the incoming track
    begins at `enter_beat`, which else is `start_beat`. `beats_per_bar` is the number of mix beats in a bar of
    the outgoing track, in which positions are counted. Tempos are each in its own track's counting.
    """

    index: int
    outgoing: int
    incoming: int
    start_beat: float
    end_beat: float
    enter_beat: float
    start_s: float
    end_s: float
    overlap_bars: float
    beats_per_bar: float
    recipe: str
    beatmatched: bool
    from_tempo_bpm: float | None
    to_tempo_bpm: float | None
    leave_bar: float | None
    enter_bar: float | None
    leave_s: float
    enter_s: float
    tempo_change_percent: dict[str, SpeedChange]
    warnings: tuple[str, ...] = ()
    note: str | None = None


@dataclass(frozen=True)
class Timeline:
    """A whole mix in time. Time 0 is the start of the delivered file; beat 0 is bar 1 of the first track.

    Tracks follow each other; layers sound under their transitions, voices and noise over what there is.
    """

    tempo_map: TempoMap
    tracks: tuple[TrackPlacement, ...]
    transitions: tuple[TransitionPlacement, ...]
    duration_s: float
    problems: tuple[Problem, ...] = ()
    layers: tuple[TrackPlacement, ...] = ()
    voices: tuple[VoicePlacement, ...] = ()
    noises: tuple[NoisePlacement, ...] = ()

    @property
    def sounding(self) -> tuple[TrackPlacement, ...]:
        """Tracks and layers; the index of each is its place here."""
        return self.tracks + self.layers

    def beats(self) -> tuple[int, list[float]]:
        """Number of the first beat, and the times in seconds of every beat from there to the end.

        Between two transitions the beats are those of the track that plays there, in its own counting.
        """
        first: int | None = None
        times_s: list[float] = []
        for reign in self._reigns():
            for beat in range(reign.first_whole, reign.end_whole):
                time_s = self.tempo_map.time_at((beat - reign.phase) / reign.rate)
                if -1e-9 <= time_s <= self.duration_s:
                    first = beat + reign.offset if first is None else first
                    times_s.append(max(time_s, 0.0))
        return first or 0, times_s

    def tempo_points(self) -> list[tuple[float, float, float]]:
        """Where the tempo changes, as (time in s, beat, tempo in BPM), numbered and counted as `beats` does.

        Between two points the tempo is linear in beats; a jump is two points at one time.
        """
        points: list[tuple[float, float, float]] = []
        for reign in self._reigns():
            for low, high, _ in self.tempo_map.pieces(reign.start_beat, reign.end_beat):
                ends = ((low, self.tempo_map.tempo_at(low)), (high, self.tempo_map.tempo_before(high)))
                for beat, bpm in ends:
                    number = beat * reign.rate + reign.phase + reign.offset
                    point = (self.tempo_map.time_at(beat), number, bpm * reign.rate)
                    if not points or any(abs(a - b) > 1e-9 for a, b in zip(points[-1], point, strict=True)):
                        points.append(point)
        return points

    def _reigns(self) -> list[_Reign]:
        """The stretches of the mix whose beats are those of one track, in order, numbered through."""
        reigns: list[_Reign] = []
        for i, track in enumerate(self.tracks):
            begin, end = self._reign_start(i), self._reign_start(i + 1)
            if begin >= end:
                continue
            span = span_at(track.spans, (begin + end) / 2)
            counted = isinstance(span, BeatSpan)
            rate = span.rate if isinstance(span, BeatSpan) else 1.0
            phase = span.source_beat - span.start_beat * rate if isinstance(span, BeatSpan) else 0.0
            if not counted and reigns:
                # A track without beats: those of the one before go on.
                rate, phase = reigns[-1].rate, reigns[-1].phase
            # A beat on the border itself belongs to what follows it.
            first_whole = math.ceil(begin * rate + phase - 1e-6)
            end_whole = math.ceil(end * rate + phase - 1e-6)
            offset = reigns[-1].end_whole + reigns[-1].offset - first_whole if reigns else 0
            reigns.append(_Reign(begin, end, rate, phase, first_whole, end_whole, offset))
        return reigns

    def _reign_start(self, index: int) -> float:
        """Mix beat from which a track's beats are those counted: the end of the overlap that brings it in."""
        if index == 0:
            return self.tracks[0].start_beat
        if index == len(self.tracks):
            return self.tracks[-1].end_beat
        transition = self.transitions[index - 1]
        return max(transition.end_beat, transition.enter_beat)


@dataclass(frozen=True)
class _Reign:
    """Mix beats whose count is a track's: its beat at mix beat m is m * rate + phase."""

    start_beat: float
    end_beat: float
    rate: float
    phase: float
    first_whole: int
    end_whole: int
    offset: int
