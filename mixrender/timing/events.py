"""Events of a placed track's own moves and of its transitions' to patches of its sound, or to problems."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import cast

from mixrender.errors import Problem
from mixrender.plan.controls import EVENTS
from mixrender.plan.model import InPosition, LanePoint, Length, Moves, Plan, PlanPath, Position
from mixrender.timing.moves import beat_in_transition, length_in_beats
from mixrender.timing.placement import Placed, Placement, source_second_of
from mixrender.timing.play_order import SLACK_S, Patch, PatchKind
from mixrender.timing.positions import Side, play_second_of
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.track_lanes import joint_path, side_moves


@dataclass(frozen=True)
class _Event:
    """One event as written, and the patches it comes to: one, or one for each pass in which it sounds."""

    path: PlanPath
    said: str
    patches: tuple[Patch, ...]


def patches_of(plan: Plan, placement: Placement, index: int, tempo_map: TempoMap) -> tuple[Patch, ...]:
    """The patches of track `index`, in order and apart; what is wrong goes to the placement's problems."""
    placed = placement.tracks[index]
    events = [*_own_events(plan, placement, placed)]
    if index > 0:
        lanes = side_moves(placement, index - 1, "to")
        start = placement.joints[index - 1].enter_beat
        events += _joint_events(placement, index - 1, placed, lanes, tempo_map, start_beat=start)
    if index < len(placement.joints):
        lanes = side_moves(placement, index, "from")
        start = placement.joints[index].start_beat
        events += _joint_events(placement, index, placed, lanes, tempo_map, start_beat=start)
    return _checked(plan, placement, placed, events, tempo_map)


def layer_patches(
    plan: Plan, placement: Placement, joint_index: int, placed: Placed, tempo_map: TempoMap
) -> tuple[Patch, ...]:
    """The patches of a layer of a transition, from its own moves and from the transition's."""
    joint = placement.joints[joint_index]
    lanes = joint.transition.moves.get(placed.side.track.name, {})
    events = [
        *_own_events(plan, placement, placed),
        *_joint_events(placement, joint_index, placed, lanes, tempo_map, start_beat=joint.start_beat),
    ]
    return _checked(plan, placement, placed, events, tempo_map)


def _checked(
    plan: Plan, placement: Placement, placed: Placed, events: Sequence[_Event], tempo_map: TempoMap
) -> tuple[Patch, ...]:
    heard = [event for event in events if _is_heard(plan, placement, placed, event, tempo_map)]
    placement.problems.extend(_joint_crossings(plan, placed.side, heard))
    return _apart(plan, placement, heard)


# --- a track's own ---------------------------------------------------------------------------------------


def _own_events(plan: Plan, placement: Placement, placed: Placed) -> Iterator[_Event]:
    side = placed.side
    for kind in EVENTS:
        path = (*plan.path_of(side.track), "moves", kind)
        for point in side.track.moves.get(kind, ()):
            found = _own_patches(plan, side, cast(PatchKind, kind), point, path)
            if isinstance(found, Problem):
                placement.problems.append(found)
            elif found:
                yield _Event(path, f"`{kind}` at `{point.position}`", found)


def _own_patches(
    plan: Plan, side: Side, kind: PatchKind, point: LanePoint, path: PlanPath
) -> tuple[Patch, ...] | Problem:
    """The patches of one event: a bar is that of one pass, seconds are those of every pass."""
    position, length = point.position, point.move
    assert isinstance(position, Position) and isinstance(length, Length)
    if length.seconds is None and not side.has_bars:
        return plan.problem(path, f"no beat is known of `{side.track.name}`: write lengths in seconds")
    if position.seconds is None or position.pass_number is not None:
        start_s = play_second_of(plan, side, position, path)
        if isinstance(start_s, Problem):
            return start_s
        return (Patch(kind, start_s, _end_s(start_s, length, side)),)
    file_s = position.seconds
    if not side.order.passes_at(file_s) and kind != "mute":
        text = f"`{position}` is skipped by edits, so nothing happens there"
        return plan.problem(path, text, "warning")
    patches = _in_every_pass(side, kind, file_s, length)
    if not patches:
        return plan.problem(path, f"`{position}` is skipped by edits, so nothing happens there", "warning")
    return patches


def _in_every_pass(side: Side, kind: PatchKind, file_s: float, length: Length) -> tuple[Patch, ...]:
    """Patches wherever a second of the file sounds; a mute wherever any of what it silences does."""
    if kind != "mute" or not side.order.passages:
        starts_s = side.order.passes_at(file_s)
        return tuple(Patch(kind, start_s, _end_s(start_s, length, side)) for start_s in starts_s)
    if length.seconds is not None:
        until_s = file_s + length.seconds
    else:
        grid = side.file_grid
        until_s = grid.time_at(grid.beat_at(file_s) + _beats(length, side))
    found = []
    for passage in side.order.passages:
        low, high = max(file_s, passage.source_s), min(until_s, passage.source_s + passage.length_s)
        if high > low + SLACK_S:
            shift_s = passage.play_s - passage.source_s
            found.append(Patch(kind, low + shift_s, high + shift_s))
    return tuple(found)


def _end_s(start_s: float, length: Length, side: Side) -> float:
    """Second of the track as it plays at which a length from a second on is over."""
    if length.seconds is not None:
        return start_s + length.seconds
    return side.grid.time_at(side.grid.beat_at(start_s) + _beats(length, side))


def _beats(length: Length, side: Side) -> float:
    return length_in_beats(length, beats_per_bar=side.grid.beats_per_bar, beat=1.0)


# --- a transition's --------------------------------------------------------------------------------------


def _joint_events(
    placement: Placement,
    joint_index: int,
    placed: Placed,
    lanes: Moves,
    tempo_map: TempoMap,
    *,
    start_beat: float,
) -> Iterator[_Event]:
    """The events of a transition's lanes for one track; positions count from `start_beat` on."""
    joint = placement.joints[joint_index]
    for kind, lane in lanes.items():
        if kind not in EVENTS:
            continue
        path = joint_path(placement, joint_index)
        if kind in joint.transition.moves.get(placed.side.track.name, {}):
            path = (*path, "moves", placed.side.track.name, kind)
        for point in lane:
            assert isinstance(point.position, InPosition) and isinstance(point.move, Length)
            begin = beat_in_transition(
                point.position,
                start_beat=start_beat,
                end_beat=max(joint.end_beat, start_beat),
                beats_per_bar=joint.beats_per_bar,
            )
            start_s = source_second_of(placed, begin, tempo_map)
            if point.move.seconds is not None:
                end_s = start_s + point.move.seconds
            else:
                beat = 1.0 / placement.tracks[joint_index].rate
                beats = length_in_beats(point.move, beats_per_bar=joint.beats_per_bar, beat=beat)
                end_s = source_second_of(placed, begin + beats, tempo_map)
            patch = Patch(cast(PatchKind, kind), start_s, end_s)
            yield _Event(path, f"`{kind}` at `{point.position}`", (patch,))


# --- checks ----------------------------------------------------------------------------------------------


def _is_heard(plan: Plan, placement: Placement, placed: Placed, event: _Event, tempo_map: TempoMap) -> bool:
    """Whether anything of an event sounds; a warning where nothing does, or where the track ends in it."""
    name = placed.side.track.name
    first_s, last_s = (source_second_of(placed, b, tempo_map) for b in (placed.start_beat, placed.end_beat))
    heard = [p for p in event.patches if p.end_s > first_s + SLACK_S and p.start_s < last_s - SLACK_S]
    if not heard:
        text = f"the {event.said} lies where `{name}` does not sound, so nothing happens"
        placement.problems.append(plan.problem(event.path, text, "warning"))
    elif any(p.kind != "mute" and p.end_s > last_s + 1e-4 for p in heard):
        text = f"the {event.said} is not over when `{name}` ends"
        placement.problems.append(plan.problem(event.path, text, "warning"))
    return bool(heard)


def _joint_crossings(plan: Plan, side: Side, events: Sequence[_Event]) -> Iterator[Problem]:
    joints_s = side.order.joints_s()
    for event in events:
        crossed = any(
            patch.start_s + SLACK_S < joint_s < patch.end_s - SLACK_S
            for patch in event.patches
            for joint_s in joints_s
            if patch.kind != "mute"
        )
        if crossed:
            text = f"the {event.said} runs across a place where an edit of `{side.track.name}` jumps"
            yield plan.problem(event.path, text, "warning")


def _apart(plan: Plan, placement: Placement, events: Sequence[_Event]) -> tuple[Patch, ...]:
    """The patches of all events in order; mutes that meet become one, others that overlap are at fault."""
    pairs = sorted(
        ((patch, event) for event in events for patch in event.patches),
        key=lambda pair: (pair[0].start_s, pair[0].end_s),
    )
    said: set[tuple[int, int]] = set()
    for (patch, event), (following, other) in pairwise(pairs):
        both_mute = patch.kind == following.kind == "mute"
        apart = following.start_s >= patch.end_s - SLACK_S or both_mute
        if not apart and (id(event), id(other)) not in said:
            said.add((id(event), id(other)))
            text = f"the {other.said} begins before the {event.said} is over; let one end first"
            placement.problems.append(plan.problem(other.path, text))
    found: list[Patch] = []
    for patch, _ in pairs:
        before = found[-1] if found else None
        if before and before.kind == patch.kind == "mute" and patch.start_s <= before.end_s + SLACK_S:
            found[-1] = replace(before, end_s=max(before.end_s, patch.end_s))
        else:
            found.append(patch)
    return tuple(found)
