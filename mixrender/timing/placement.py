"""What is known of a mix while it is being placed: tracks on its beats, transitions, ramps, problems."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from mixrender.errors import Problem
from mixrender.facts import Grid
from mixrender.plan.model import Length, Plan, PlanPath, Position, Transition
from mixrender.timing import positions
from mixrender.timing.build_map import Followed, build_tempo_map
from mixrender.timing.grids import counting_factor
from mixrender.timing.positions import Side
from mixrender.timing.spans import BeatSpan, Span, source_beat_at, source_time_at, span_at
from mixrender.timing.tempo_map import Ramp, TempoMap

FALLBACK_BPM = 120.0
"""Tempo of a mix in which no track has a beat: bars must have some length."""

EDGE_S = 0.010
"""Every track comes up and ends within this time before its line."""

FIRST_SOUND_ROOM_S = 0.020
"""A mix that begins with its first track's first sound begins this much before it."""


@dataclass
class Placed:
    """One track while it is being placed; `end_beat` is known when its way out is."""

    side: Side
    rate: float
    spans: list[Span]
    start_beat: float
    end_beat: float = 0.0
    shift_s: float = 0.0
    entered_beat: float = 0.0


@dataclass(frozen=True)
class Joint:
    """One transition as placed, in mix beats; `entry` is its place among the plan's own, None by default."""

    transition: Transition
    entry: int | None
    start_beat: float
    end_beat: float
    enter_beat: float
    overlap_bars: float
    beats_per_bar: float
    beatmatched: bool


@dataclass
class Placement:
    """All that the walk over a plan finds."""

    plan: Plan
    tracks: list[Placed] = field(default_factory=list)
    joints: list[Joint] = field(default_factory=list)
    ramps: list[Ramp] = field(default_factory=list)
    followed: list[Followed] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    start_bpm: float = FALLBACK_BPM
    preroll_s: float = 0.0

    @property
    def held(self) -> bool:
        """Whether one tempo holds for the whole mix, unless a ramp is written."""
        return self.plan.tempo_bpm is not None

    def tempo_map(self, *, origin_s: float = 0.0) -> TempoMap:
        """The tempo map of all ramps known so far."""
        return build_tempo_map(self.start_bpm, self.ramps, self.followed, origin_s=origin_s)

    def problem(
        self,
        path: PlanPath,
        message: str,
        severity: Literal["error", "warning"] = "error",
    ) -> None:
        """Note a problem at a place of the plan."""
        if path[0] == "tracks" and len(path) == 3:
            # The plan has no entry for this transition, so the fault is in what the default makes of it.
            message = f"the transition into `{path[1]}`, made by default as none is written: {message}"
            path = path[:2]
        self.problems.append(self.plan.problem(path, message, severity))

    def count(self, before: Placed, side: Side, transition: Transition) -> float:
        """Beats of the incoming track to one of the outgoing: 1, 2 or 0.5."""
        written: dict[str, float] = {"plain": 1.0, "double": 2.0, "half": 0.5}
        if transition.count is not None:
            return written[transition.count]
        now = self.tempo_now(before, self.tempo_map()) * before.rate
        return counting_factor(side.grid.tempo_at(0.0), now)

    def free_from_bar(self, placed: Placed) -> float:
        """Bar from which a track may be left by default: it has come in, and a first track been heard."""
        grid = placed.side.grid
        if placed is self.tracks[0]:
            return grid.beat_to_bar(source_beat_of(placed, placed.start_beat)) + 1.0
        return grid.beat_to_bar(source_beat_of(placed, placed.entered_beat))

    def tempo_now(self, before: Placed, tempo_map: TempoMap) -> float:
        """Tempo, in mix beats, that holds once the outgoing track has come in."""
        return tempo_map.tempo_at(max(before.entered_beat, before.start_beat) + 1e-6)

    def mix_beat_of_second(self, placed: Placed, second: float) -> float:
        """Mix beat on which a second of a placed track, as it plays, sounds."""
        span = placed.spans[-1]
        if isinstance(span, BeatSpan):
            return span.start_beat + (placed.side.grid.beat_at(second) - span.source_beat) / span.rate
        tempo_map = self.tempo_map()
        return tempo_map.beat_at(tempo_map.time_at(span.start_beat) + second - span.source_s)

    def second_of(self, side: Side, position: Position, path: PlanPath) -> float | None:
        """Second of a track as it plays that a position means; None, and a problem noted, if none."""
        second = positions.play_second_of(self.plan, side, position, path)
        if isinstance(second, Problem):
            self.problem(path, second.message)
            return None
        return second


def source_beat_of(placed: Placed, mix_beat: float) -> float:
    """Beat of a placed track that sounds at a mix beat, where it is counted in beats."""
    span = span_at(placed.spans, mix_beat)
    assert isinstance(span, BeatSpan)
    return source_beat_at(span, mix_beat)


def source_second_of(placed: Placed, mix_beat: float, tempo_map: TempoMap) -> float:
    """Second of a placed track, as it plays, that sounds at a mix beat."""
    span = span_at(placed.spans, mix_beat)
    return source_time_at(span, mix_beat, grid=placed.side.grid, tempo_map=tempo_map)


def bars_of(length: Length, grid: Grid) -> float:
    """Bars, by a track's grid, in a length given in bars or beats."""
    if length.bars is not None:
        return float(length.bars)
    assert length.beats is not None
    return float(length.beats) / grid.beats_per_bar
