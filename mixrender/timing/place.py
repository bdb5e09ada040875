"""Plan and facts to spans and ramps: walks the transitions in order, puts each track on the mix's beats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from mixrender.errors import Problem
from mixrender.facts import Grid, TrackFacts
from mixrender.plan.model import Length, Plan, PlanPath, Position, TempoRamp, Transition
from mixrender.timing import positions
from mixrender.timing.build_map import Followed, build_tempo_map
from mixrender.timing.grids import counting_factor, enter_bar, grid_of, last_bar_line
from mixrender.timing.positions import Side
from mixrender.timing.spans import (
    BeatSpan,
    Span,
    close,
    mix_beat_of_beat,
    open_beats,
    open_free,
    source_beat_at,
    source_time_at,
    span_at,
)
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
    """All that the walk finds."""

    tracks: list[Placed] = field(default_factory=list)
    joints: list[Joint] = field(default_factory=list)
    ramps: list[Ramp] = field(default_factory=list)
    followed: list[Followed] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    start_bpm: float = FALLBACK_BPM
    preroll_s: float = 0.0

    def tempo_map(self, *, origin_s: float = 0.0) -> TempoMap:
        """The tempo map of all ramps known so far."""
        return build_tempo_map(self.start_bpm, self.ramps, self.followed, origin_s=origin_s)


class Placer:
    """Walks a plan; `place` returns what it found, problems included, instead of raising."""

    def __init__(self, plan: Plan, facts: Sequence[TrackFacts]):
        self._plan = plan
        self._out = Placement()
        self._sides: list[Side] = []
        for track, fact in zip(plan.tracks, facts, strict=True):
            grid, problems = grid_of(plan, track, fact)
            self._out.problems.extend(problems)
            self._sides.append(Side(track, fact, grid))
        self._held = plan.tempo_bpm is not None

    def place(self) -> Placement:
        """Place every track; stops at the first transition that cannot be placed at all."""
        self._place_first()
        entries = {(t.from_track, t.to_track): (i, t) for i, t in enumerate(self._plan.transitions)}
        for index in range(1, len(self._sides)):
            pair = (self._sides[index - 1].track.name, self._sides[index].track.name)
            entry, transition = entries.get(pair, (None, None))
            if transition is None:
                transition = Transition(from_track=pair[0], to_track=pair[1])
            if not self._place_next(index, entry, transition):
                return self._out
        self._place_end()
        return self._out

    # --- the two ends of the mix -------------------------------------------------------------------------

    def _place_first(self) -> None:
        side, plan = self._sides[0], self._plan
        grids = [s.grid for s in self._sides if s.has_bars]
        first_bpm = grids[0].tempo_at(0.0) if grids else FALLBACK_BPM
        self._out.start_bpm = plan.tempo_bpm or first_bpm
        start_s = max(side.facts.first_sound_s - FIRST_SOUND_ROOM_S, 0.0)
        if plan.start.at is not None:
            found = self._second_of(side, plan.start.at, ("start", "at"))
            if found is not None:
                start_s = found
                self._out.preroll_s = min(EDGE_S, max(start_s, 0.0))
        if not side.has_bars:
            self._out.tracks.append(Placed(side, 1.0, [open_free(0.0, start_s)], 0.0))
            return
        rate = counting_factor(side.grid.tempo_at(0.0), plan.tempo_bpm) if plan.tempo_bpm else 1.0
        source_beat = side.grid.beat_at(start_s)
        start_beat = source_beat / rate
        self._out.tracks.append(Placed(side, rate, [open_beats(start_beat, source_beat, rate)], start_beat))
        if side.grid.kind == "drifting" and not self._held:
            self._follow(self._out.tracks[0], start_beat)

    def _place_end(self) -> None:
        last, plan = self._out.tracks[-1], self._plan
        end_s = min(last.side.facts.last_sound_s + 0.5, last.side.facts.duration_s)
        if plan.end.at is not None:
            found = self._second_of(last.side, plan.end.at, ("end", "at"))
            if found is not None:
                end_s = found
        last.end_beat = self._mix_beat_of_second(last, end_s)
        self._end_follow(last.end_beat)
        if last.end_beat <= last.entered_beat or last.end_beat <= last.start_beat:
            message = "the mix would end before its last track has come in; give a later bar"
            self._problem(("end", "at"), message)
        elif end_s > last.side.facts.duration_s + 1.0:
            held = last_bar_line(last.side.facts, last.side.grid) if last.side.has_bars else None
            message = f"lies beyond the end of '{last.side.track.file.name}'"
            message += f", whose last bar line is {held}" if held is not None else ""
            self._problem(("end", "at"), message)

    # --- one transition ----------------------------------------------------------------------------------

    def _place_next(self, index: int, entry: int | None, transition: Transition) -> bool:
        before = self._out.tracks[-1]
        side = self._sides[index]
        path: PlanPath = ("tracks", side.track.name) if entry is None else ("transitions", entry)
        beatmatched = self._beatmatched(before, side, transition, path)
        if beatmatched is None:
            return False
        met = self._meet_in_bars if beatmatched else self._meet_freely
        joint = met(before, side, transition, entry, path)
        if joint is None:
            return False
        if joint.start_beat <= max(before.start_beat, self._last_start()) + 1e-9:
            message = f"`{before.side.track.name}` would be left before it has come in; leave it later"
            self._problem((*path, "leave"), message)
            return False
        before.end_beat = max(joint.end_beat, joint.start_beat)
        self._end_follow(joint.start_beat)
        self._out.joints.append(joint)
        self._add_tempo(index, joint, path)
        return True

    def _last_start(self) -> float:
        return self._out.joints[-1].start_beat if self._out.joints else self._out.tracks[0].start_beat

    def _beatmatched(self, before: Placed, side: Side, transition: Transition, path: PlanPath) -> bool | None:
        bars = before.side.has_bars and side.has_bars
        if transition.beatmatch and not bars:
            name = side.track.name if before.side.has_bars else before.side.track.name
            message = f"no beat is known of `{name}`; give its `grid`, or write `beatmatch: false`"
            self._problem((*path, "beatmatch"), message)
            return None
        return bars if transition.beatmatch is None else transition.beatmatch

    def _meet_in_bars(
        self,
        before: Placed,
        side: Side,
        transition: Transition,
        entry: int | None,
        path: PlanPath,
    ) -> Joint | None:
        grid, out = side.grid, before.side
        factor = self._count(before, side, transition)
        rate = before.rate * factor
        leave = self._written_bar(transition.leave, out, (*path, "leave"))
        enter = self._written_bar(transition.enter, side, (*path, "enter"))
        if leave == "fault" or enter == "fault":
            return None
        # Bars of the incoming track to one of the outgoing, where their bars hold different numbers of beats.
        bar_factor = factor * out.grid.beats_per_bar / grid.beats_per_bar
        if enter is None:
            enter = positions.default_enter(side, leave=leave, factor=factor)
        from_bar = self._free_from_bar(before)
        length = transition.overlap or transition.gap
        if length is not None and length.seconds is not None:
            field_name = "overlap" if transition.overlap else "gap"
            message = "beats that meet are counted in bars: write `16 bars`, or `beatmatch: false`"
            self._problem((*path, field_name), message)
            return None
        gap_bars = self._bars_of(transition.gap, out.grid) if transition.gap else 0.0
        if transition.overlap:
            overlap = self._bars_of(transition.overlap, out.grid)
        elif transition.gap:
            overlap = 0.0
        else:
            overlap = positions.default_overlap(
                out, side, leave=leave, enter=enter, from_bar=from_bar, factor=bar_factor
            )
        if leave is None:
            leave = positions.default_leave(out, overlap, from_bar=from_bar)
            leave += positions.fit_fraction(enter, 1.0 / factor)
        if not self._bars_fit(before, side, leave, enter, overlap, factor, path):
            return None
        bar_beats = out.grid.beats_per_bar / before.rate
        start = mix_beat_of_beat(before.spans, out.grid.bar_to_beat(leave))
        enter_beat = start + gap_bars * bar_beats
        end = start + overlap * bar_beats
        placed = Placed(side, rate, [open_beats(enter_beat, grid.bar_to_beat(enter), rate)], enter_beat)
        placed.shift_s = before.shift_s + transition.nudge_s
        placed.entered_beat = max(end, enter_beat)
        self._out.tracks.append(placed)
        self._odd_bars(out.grid, grid, path)
        return Joint(transition, entry, start, end, enter_beat, overlap, bar_beats, True)

    def _bars_fit(
        self,
        before: Placed,
        side: Side,
        leave: float,
        enter: float,
        overlap: float,
        factor: float,
        path: PlanPath,
    ) -> bool:
        out = before.side
        if out.grid.beats_per_bar == side.grid.beats_per_bar and not positions.fractions_meet(
            leave, enter, factor
        ):
            fits = int(enter // 1) + positions.fit_fraction(leave, factor)
            message = f"bar {enter:g} does not lie on the bar lines of `{out.track.name}` at bar {leave:g}; "
            self._problem((*path, "enter"), message + f"{fits:g} or {fits + 1:g} would")
            return False
        if leave + overlap > out.end_bars:
            self._out.problems.append(positions.shortage(self._plan, out, leave, overlap, (*path, "overlap")))
            return False
        enter_s = side.grid.time_at(side.grid.bar_to_beat(enter))
        if enter > side.end_bars or enter_s < -60.0:
            last = last_bar_line(side.facts, side.grid)
            message = f"bar {enter:g} lies outside '{side.track.file.name}', which has bars up to {last}"
            self._problem((*path, "enter"), message)
            return False
        needed = (
            overlap * out.grid.beats_per_bar / before.rate * before.rate * factor / side.grid.beats_per_bar
        )
        if enter + needed > side.end_bars:
            held = max(int((side.end_bars - enter) // factor), 0)
            message = (
                f"an overlap of {overlap:g} bars is longer than what '{side.track.file.name}' holds after "
                f"bar {enter:g}; use {held} bars or fewer"
            )
            self._problem((*path, "overlap"), message)
            return False
        return True

    def _meet_freely(
        self,
        before: Placed,
        side: Side,
        transition: Transition,
        entry: int | None,
        path: PlanPath,
    ) -> Joint | None:
        """A transition in which nothing is stretched: both tracks play at the speed they have."""
        if isinstance(transition.tempo, tuple) and transition.tempo:
            message = "the tempo cannot change in a transition whose beats are not matched"
            self._problem((*path, "tempo"), message)
        out = before.side
        tempo_map = self._out.tempo_map()
        bar_beats = (out.grid.beats_per_bar if out.has_bars else 4) / before.rate
        enter_s = self._second_of(side, transition.enter, (*path, "enter")) if transition.enter else None
        leave_s = self._second_of(out, transition.leave, (*path, "leave")) if transition.leave else None
        if (transition.enter and enter_s is None) or (transition.leave and leave_s is None):
            return None
        if enter_s is None:
            enter_s = self._free_enter(side)
        length = transition.overlap or transition.gap
        beats = self._free_beats(before, side, length, bar_beats, leave_s, enter_s, tempo_map)
        gap = beats if transition.gap else 0.0
        overlap = 0.0 if transition.gap else beats
        if leave_s is None:
            leave_s = self._free_leave(before, overlap, tempo_map)
        start = self._mix_beat_of_second(before, leave_s)
        end, enter_beat = start + overlap, start + gap
        ends_s = self._source_second(before, end, tempo_map)
        if leave_s >= out.facts.duration_s or ends_s > out.facts.duration_s + 0.25:
            left_s = max(out.facts.duration_s - leave_s, 0.0)
            message = f"'{out.track.file.name}' has {left_s:.1f} s left after {leave_s:.1f} s; use less"
            self._problem((*path, "overlap"), message)
            return None
        spans: list[Span] = [open_free(enter_beat, enter_s)]
        rate = before.rate
        if side.has_bars:
            rate = before.rate * self._count(before, side, transition)
            begin = max(end, enter_beat)
            heard_s = enter_s + tempo_map.time_at(begin) - tempo_map.time_at(enter_beat)
            beat = open_beats(begin, side.grid.beat_at(heard_s), rate)
            spans = [beat] if begin == enter_beat else [*close(spans, begin), beat]
        placed = Placed(side, rate, spans, enter_beat, shift_s=transition.nudge_s)
        placed.entered_beat = max(end, enter_beat)
        self._out.tracks.append(placed)
        return Joint(transition, entry, start, end, enter_beat, overlap / bar_beats, bar_beats, False)

    def _free_enter(self, side: Side) -> float:
        if side.has_bars:
            return max(side.grid.time_at(side.grid.bar_to_beat(enter_bar(side.facts, side.grid))), 0.0)
        return side.facts.first_sound_s

    def _free_beats(
        self,
        before: Placed,
        side: Side,
        length: Length | None,
        bar_beats: float,
        leave_s: float | None,
        enter_s: float,
        tempo_map: TempoMap,
    ) -> float:
        """Length in mix beats of a transition without matched beats, written or by default."""
        if length is not None:
            if length.seconds is not None:
                bpm = self._tempo_now(before, tempo_map)
                return length.seconds * bpm / 60.0
            return self._bars_of(length, before.side.grid) * bar_beats
        bpm = self._tempo_now(before, tempo_map)
        out = before.side.facts
        left_s = out.duration_s - (leave_s if leave_s is not None else 0.5 * out.duration_s)
        room_s = min(left_s, side.facts.duration_s - enter_s)
        for bars in positions.DEFAULT_OVERLAPS_BARS:
            if bars * bar_beats * 60.0 / bpm <= room_s:
                return bars * bar_beats
        return 0.0

    def _free_leave(self, before: Placed, overlap_beats: float, tempo_map: TempoMap) -> float:
        side = before.side
        if side.has_bars:
            bars = overlap_beats * before.rate / side.grid.beats_per_bar
            from_bar = self._free_from_bar(before)
            bar = positions.default_leave(side, bars, from_bar=from_bar)
            return side.grid.time_at(side.grid.bar_to_beat(bar))
        length_s = overlap_beats * 60.0 / self._tempo_now(before, tempo_map)
        return max(side.facts.last_sound_s - length_s, 0.0)

    # --- tempo -------------------------------------------------------------------------------------------

    def _add_tempo(self, index: int, joint: Joint, path: PlanPath) -> None:
        placed = self._out.tracks[index]
        side = placed.side
        begins = joint.enter_beat if joint.enter_beat > joint.start_beat else joint.start_beat
        ends = max(joint.end_beat, joint.enter_beat)
        label = f"the glide from `{joint.transition.from_track}` to `{joint.transition.to_track}`"
        if not joint.beatmatched:
            if side.has_bars:
                bpm = side.grid.tempo_at(self._source_beat(placed, ends)) / placed.rate
                self._out.ramps.append(Ramp(ends, ends, bpm, False, label))
                self._follow(placed, ends)
            return
        asked = joint.transition.tempo
        if asked == "hold" or (asked is None and self._held):
            return
        own_bpm = side.grid.tempo_at(self._source_beat(placed, ends)) / placed.rate
        if asked is None:
            self._out.ramps.append(Ramp(begins if ends > begins else ends, ends, own_bpm, False, label))
            self._follow(placed, ends)
            return
        assert not isinstance(asked, str)
        before = self._out.tracks[index - 1]
        for number, ramp in enumerate(asked):
            self._add_ramp(ramp, joint, own_bpm, (before.rate, placed.rate), (*path, "tempo"), number)

    def _add_ramp(
        self,
        ramp: TempoRamp,
        joint: Joint,
        own_bpm: float,
        rates: tuple[float, float],
        path: PlanPath,
        number: int,
    ) -> None:
        origin = joint.end_beat if ramp.start.from_end else joint.start_beat
        start = origin + ramp.start.bars * joint.beats_per_bar
        length = ramp.over_bars if ramp.over_bars is not None else joint.overlap_bars
        to_bpm = own_bpm
        if ramp.to_bpm is not None:
            # Counted as the outgoing or the incoming track counts: whichever is the smaller change.
            now = self._out.tempo_map().tempo_at(start)
            to_bpm = min((ramp.to_bpm / rate for rate in rates), key=lambda bpm: max(bpm / now, now / bpm))
        label = f"the ramp of `{joint.transition.from_track}` to `{joint.transition.to_track}`"
        label += f" at {ramp.start.bars:g} bars"
        new = Ramp(start, start + length * joint.beats_per_bar, to_bpm, True, label)
        for other in self._out.ramps:
            meets = new.start_beat < other.end_beat - 1e-9 and other.start_beat < new.end_beat - 1e-9
            if other.written and meets:
                self._problem(
                    path, f"{new.label} overlaps {other.label}; let one end before the other begins"
                )
                return
        self._out.ramps.append(new)

    def _follow(self, placed: Placed, from_beat: float) -> None:
        if placed.side.grid.kind != "drifting":
            return
        source = self._source_beat(placed, from_beat)
        self._out.followed.append(Followed(from_beat, float("inf"), placed.side.grid, source, placed.rate))

    def _end_follow(self, end_beat: float) -> None:
        """Let a track that the tempo follows no longer lead it after `end_beat`."""
        if self._out.followed and self._out.followed[-1].end_beat == float("inf"):
            last = self._out.followed.pop()
            if last.start_beat < end_beat:
                self._out.followed.append(
                    Followed(last.start_beat, end_beat, last.grid, last.source_beat, last.rate)
                )

    # --- small questions ---------------------------------------------------------------------------------

    def _count(self, before: Placed, side: Side, transition: Transition) -> float:
        """Beats of the incoming track to one of the outgoing: 1, 2 or 0.5."""
        written: dict[str, float] = {"plain": 1.0, "double": 2.0, "half": 0.5}
        if transition.count is not None:
            return written[transition.count]
        now = self._tempo_now(before, self._out.tempo_map()) * before.rate
        return counting_factor(side.grid.tempo_at(0.0), now)

    def _free_from_bar(self, placed: Placed) -> float:
        """Bar from which a track may be left by default: it has come in, and a first track been heard."""
        grid = placed.side.grid
        if placed is self._out.tracks[0]:
            return grid.beat_to_bar(self._source_beat(placed, placed.start_beat)) + 1.0
        return grid.beat_to_bar(self._source_beat(placed, placed.entered_beat))

    def _tempo_now(self, before: Placed, tempo_map: TempoMap) -> float:
        """Tempo, in mix beats, that holds once the outgoing track has come in."""
        return tempo_map.tempo_at(max(before.entered_beat, before.start_beat) + 1e-6)

    def _source_beat(self, placed: Placed, mix_beat: float) -> float:
        span = span_at(placed.spans, mix_beat)
        assert isinstance(span, BeatSpan)
        return source_beat_at(span, mix_beat)

    def _source_second(self, placed: Placed, mix_beat: float, tempo_map: TempoMap) -> float:
        span = span_at(placed.spans, mix_beat)
        return source_time_at(span, mix_beat, grid=placed.side.grid, tempo_map=tempo_map)

    def _mix_beat_of_second(self, placed: Placed, second: float) -> float:
        span = placed.spans[-1]
        if isinstance(span, BeatSpan):
            return span.start_beat + (placed.side.grid.beat_at(second) - span.source_beat) / span.rate
        tempo_map = self._out.tempo_map()
        return tempo_map.beat_at(tempo_map.time_at(span.start_beat) + second - span.source_s)

    def _second_of(self, side: Side, position: Position, path: PlanPath) -> float | None:
        if position.seconds is not None:
            return position.seconds
        if not side.has_bars:
            self._problem(
                path, f"no beat is known of `{side.track.name}`, so it has no bars: write seconds, `184.2 s`"
            )
            return None
        bar = positions.bar_of(self._plan, position, side.track, path)
        if isinstance(bar, Problem):
            self._out.problems.append(bar)
            return None
        return side.grid.time_at(side.grid.bar_to_beat(bar))

    def _written_bar(
        self, position: Position | None, side: Side, path: PlanPath
    ) -> float | Literal["fault"] | None:
        if position is None:
            return None
        if position.seconds is not None:
            message = "beats that meet are counted in bars: write a bar or a cue, or `beatmatch: false`"
            self._problem(path, message)
            return "fault"
        bar = positions.bar_of(self._plan, position, side.track, path)
        if isinstance(bar, Problem):
            self._out.problems.append(bar)
            return "fault"
        return bar

    def _bars_of(self, length: Length, grid: Grid) -> float:
        if length.bars is not None:
            return float(length.bars)
        assert length.beats is not None
        return float(length.beats) / grid.beats_per_bar

    def _odd_bars(self, out: Grid, grid: Grid, path: PlanPath) -> None:
        if out.beats_per_bar != grid.beats_per_bar:
            message = (
                f"bars of {out.beats_per_bar} and of {grid.beats_per_bar} beats meet: the first bar lines "
                "fall together, after that only the beats do"
            )
            self._problem(path, message, "warning")

    def _problem(
        self,
        path: PlanPath,
        message: str,
        severity: Literal["error", "warning"] = "error",
    ) -> None:
        self._out.problems.append(self._plan.problem(path, message, severity))
