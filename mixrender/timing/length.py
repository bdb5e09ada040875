"""A timeline and the length that the plan wants to the leaves that would bring the mix there."""

from __future__ import annotations

from mixrender.errors import Problem
from mixrender.plan.model import Plan
from mixrender.timing.grids import last_bar_line
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import format_time

NEAR_ENOUGH_S = 5.0
STEP_BARS = 8
"""A leave is moved by whole phrases of this many bars."""


def length_problems(plan: Plan, timeline: Timeline) -> list[Problem]:
    """A warning if the mix misses the plan's `length`, with the leaves that would cure it."""
    if plan.length_s is None:
        return []
    over_s = timeline.duration_s - plan.length_s
    if abs(over_s) <= NEAR_ENOUGH_S:
        return []
    word = "longer" if over_s > 0 else "shorter"
    message = (
        f"the mix lasts {format_time(timeline.duration_s)}, {format_time(abs(over_s))} {word} than wanted"
    )
    moved = _moved_leaves(timeline, over_s)
    if moved:
        message += "; to come near, leave " + ", ".join(moved)
    return [plan.problem(("length",), message, "warning")]


def _moved_leaves(timeline: Timeline, over_s: float) -> list[str]:
    """Leaves moved by phrases, those with the most room first, until the difference is made up."""
    moved = []
    sign = -1 if over_s > 0 else 1
    left_s = abs(over_s)
    for room_bars, transition in sorted(_rooms(timeline, sign), key=lambda pair: -pair[0]):
        bar_s = _bar_s(timeline, transition)
        wanted = round(left_s / bar_s / STEP_BARS) * STEP_BARS
        bars = min(wanted, int(room_bars // STEP_BARS) * STEP_BARS)
        if bars > 0 and transition.leave_bar is not None:
            name = timeline.tracks[transition.outgoing].name
            moved.append(f"`{name}` at {_moved_bar(timeline, transition, sign * bars):g}")
            left_s -= bars * bar_s
    return moved


def _rooms(timeline: Timeline, sign: int) -> list[tuple[float, TransitionPlacement]]:
    """By how many bars each leave could move earlier (-1) or later (+1), where it is counted in bars."""
    rooms = []
    for transition in timeline.transitions:
        track = timeline.tracks[transition.outgoing]
        if transition.leave_bar is None:
            continue
        if sign > 0:
            held = last_bar_line(track.plays_s, track.grid)
            leave = track.grid.beat_to_bar(_leave_beat(timeline, transition))
            rooms.append((held - round(leave, 6) - transition.overlap_bars, transition))
        else:
            before = timeline.transitions[transition.outgoing - 1] if transition.outgoing else None
            entered = max(before.end_beat, before.enter_beat) if before else track.start_beat
            rooms.append(((transition.start_beat - entered) / transition.beats_per_bar - 1.0, transition))
    return rooms


def _leave_beat(timeline: Timeline, transition: TransitionPlacement) -> float:
    """Beat of the outgoing track, as it plays, at which it is left."""
    track = timeline.tracks[transition.outgoing]
    return track.grid.beat_at(track.play_s_at(transition.start_beat, timeline.tempo_map))


def _moved_bar(timeline: Timeline, transition: TransitionPlacement, bars: float) -> float:
    """The bar of its file at which the outgoing track would be left so many bars later."""
    track = timeline.tracks[transition.outgoing]
    beat = _leave_beat(timeline, transition) + bars * track.grid.beats_per_bar
    return round(track.file_bar(beat), 6)


def _bar_s(timeline: Timeline, transition: TransitionPlacement) -> float:
    """Length in seconds of the bar before an overlap."""
    start = transition.start_beat
    return timeline.tempo_map.time_at(start) - timeline.tempo_map.time_at(start - transition.beats_per_bar)
