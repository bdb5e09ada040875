"""Two tracks whose beats are not matched to where they meet: in seconds or bars, nothing being stretched."""

from __future__ import annotations

from mixrender.plan.model import Length, PlanPath, Transition
from mixrender.timing import positions
from mixrender.timing.placement import Joint, Placed, Placement, bars_of, source_second_of
from mixrender.timing.positions import Side
from mixrender.timing.spans import Span, close, open_beats, open_free
from mixrender.timing.tempo_map import TempoMap
from mixrender.units import beats_to_seconds, seconds_to_beats


def meet_freely(
    placement: Placement,
    before: Placed,
    side: Side,
    transition: Transition,
    entry: int | None,
    path: PlanPath,
) -> Joint | None:
    """Place the incoming track, both playing at the speed they have; None where that cannot be."""
    if isinstance(transition.tempo, tuple) and transition.tempo:
        message = "the tempo cannot change in a transition whose beats are not matched"
        placement.problem((*path, "tempo"), message)
    out = before.side
    tempo_map = placement.tempo_map()
    bar_beats = (out.grid.beats_per_bar if out.has_bars else 4) / before.rate
    enter_s = placement.second_of(side, transition.enter, (*path, "enter")) if transition.enter else None
    leave_s = placement.second_of(out, transition.leave, (*path, "leave")) if transition.leave else None
    if (transition.enter and enter_s is None) or (transition.leave and leave_s is None):
        return None
    if enter_s is None:
        enter_s = _free_enter(side)
    length = transition.overlap or transition.gap
    beats = _free_beats(placement, before, side, length, bar_beats, leave_s, enter_s, tempo_map)
    gap = beats if transition.gap else 0.0
    overlap = 0.0 if transition.gap else beats
    if leave_s is None:
        leave_s = _free_leave(placement, before, overlap, tempo_map)
    start = placement.mix_beat_of_second(before, leave_s)
    end, enter_beat = start + overlap, start + gap
    ends_s = source_second_of(before, end, tempo_map)
    if leave_s > out.duration_s + 1e-6 or ends_s > out.duration_s + 0.25:
        left_s, file_s = max(out.duration_s - leave_s, 0.0), out.order.source_at(leave_s)
        message = f"'{out.track.file.name}' has {left_s:.1f} s left after {file_s:.1f} s; use less"
        placement.problem((*path, "overlap"), message)
        return None
    spans: list[Span] = [open_free(enter_beat, enter_s)]
    rate = before.rate
    if side.has_bars:
        rate = before.rate * placement.count(before, side, transition)
        begin = max(end, enter_beat)
        heard_s = enter_s + tempo_map.time_at(begin) - tempo_map.time_at(enter_beat)
        beat = open_beats(begin, side.grid.beat_at(heard_s), rate)
        spans = [beat] if begin == enter_beat else [*close(spans, begin), beat]
    placed = Placed(side, rate, spans, enter_beat, shift_s=transition.nudge_s)
    placed.entered_beat = max(end, enter_beat)
    placement.tracks.append(placed)
    return Joint(transition, entry, start, end, enter_beat, overlap / bar_beats, bar_beats, False)


def _free_enter(side: Side) -> float:
    if side.has_bars:
        return max(side.grid.time_at(side.grid.bar_to_beat(side.enter_bar)), 0.0)
    return side.first_sound_s


def _free_beats(
    placement: Placement,
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
            bpm = placement.tempo_now(before, tempo_map)
            return seconds_to_beats(length.seconds, bpm)
        return bars_of(length, before.side.grid) * bar_beats
    bpm = placement.tempo_now(before, tempo_map)
    out = before.side
    left_s = out.duration_s - (leave_s if leave_s is not None else 0.5 * out.duration_s)
    room_s = min(left_s, side.duration_s - enter_s)
    for bars in positions.DEFAULT_OVERLAPS_BARS:
        if beats_to_seconds(bars * bar_beats, bpm) <= room_s:
            return bars * bar_beats
    return 0.0


def _free_leave(placement: Placement, before: Placed, overlap_beats: float, tempo_map: TempoMap) -> float:
    side = before.side
    if side.has_bars:
        bars = overlap_beats * before.rate / side.grid.beats_per_bar
        from_bar = placement.free_from_bar(before)
        bar = positions.default_leave(side, bars, from_bar=from_bar)
        return side.grid.time_at(side.grid.bar_to_beat(bar))
    length_s = beats_to_seconds(overlap_beats, placement.tempo_now(before, tempo_map))
    return max(side.heard_until_s - length_s, 0.0)
