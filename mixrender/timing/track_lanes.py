"""A placed track's way in, its own moves and its way out to one lane per control, and doubts about them."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

from mixrender.errors import Problem
from mixrender.plan.controls import EVENTS
from mixrender.plan.model import LanePoint, Moves, Plan, PlanPath, Position
from mixrender.plan.recipes import transition_moves
from mixrender.timing import moves
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import Placed, Placement
from mixrender.timing.positions import play_bar_of, play_second_of
from mixrender.timing.spans import BeatSpan, mix_beat_of_beat


def track_lanes(plan: Plan, placement: Placement, index: int) -> dict[str, tuple[MovePoint, ...]]:
    """One lane per control from a track's way in, its own moves and its way out."""
    way_in = _side_points(placement, index - 1, "to") if index > 0 else {}
    way_out = _side_points(placement, index, "from") if index < len(placement.joints) else {}
    own = own_points(plan, placement, placement.tracks[index])
    lanes = {}
    for control in sorted({*way_in, *own, *way_out}):
        parts = way_in.get(control, ()), own.get(control, ()), way_out.get(control, ())
        if moves.crossing(parts[0], parts[2]):
            _add_crossing(plan, placement, index, control)
        _check_heard(plan, placement, index, control, way_out=parts[2])
        lanes[control] = tuple(sorted((p for part in parts for p in part), key=lambda p: p.beat))
        _check_order(plan, placement, index, control, lanes[control])
    _check_ends(plan, placement, index, lanes)
    _check_amounts(plan, placement, index, lanes)
    return lanes


def side_moves(placement: Placement, joint_index: int, side: Literal["from", "to"]) -> Moves:
    """Lanes and events of one track of a transition, of its recipe and its own."""
    joint = placement.joints[joint_index]
    return transition_moves(
        joint.transition,
        overlap_bars=joint.overlap_bars,
        beats_per_bar=round(joint.beats_per_bar * placement.tracks[joint_index].rate),
        recipes=placement.plan.recipes,
    )[side]


def _side_points(
    placement: Placement, joint_index: int, side: Literal["from", "to"]
) -> dict[str, tuple[MovePoint, ...]]:
    joint = placement.joints[joint_index]
    start = joint.start_beat if side == "from" else joint.enter_beat
    points = {
        control: moves.transition_points(
            lane,
            start_beat=start,
            end_beat=max(joint.end_beat, start),
            beats_per_bar=joint.beats_per_bar,
            beat=1.0 / placement.tracks[joint_index].rate,
            curve=joint.transition.curve,
        )
        for control, lane in side_moves(placement, joint_index, side).items()
        if control not in EVENTS
    }
    return moves.settled(points, start_beat=start)


def own_points(plan: Plan, placement: Placement, placed: Placed) -> dict[str, tuple[MovePoint, ...]]:
    """The points of a track's or layer's own moves."""
    path = (*plan.path_of(placed.side.track), "moves")

    def position_of(point: LanePoint) -> float:
        assert isinstance(point.position, Position)
        beat = mix_beat_of(plan, placement, placed, point.position, path)
        return placed.start_beat if beat is None else beat

    points = {
        control: moves.track_points(
            lane,
            position_of=position_of,
            beats_per_bar=placed.side.grid.beats_per_bar / placed.rate,
            beat=1.0 / placed.rate,
        )
        for control, lane in placed.side.track.moves.items()
        if control not in EVENTS
    }
    return moves.settled(points, start_beat=placed.start_beat)


def mix_beat_of(
    plan: Plan, placement: Placement, placed: Placed, position: Position, path: PlanPath
) -> float | None:
    """Mix beat on which a place in a placed track sounds; None, and a problem noted at `path`, if none is."""
    side = placed.side
    counted = any(isinstance(span, BeatSpan) for span in placed.spans)
    if position.seconds is None and not (side.has_bars and counted):
        placement.problems.append(
            plan.problem(path, f"no beat is known of `{side.track.name}`: write seconds")
        )
        return None
    place = (play_bar_of if position.seconds is None else play_second_of)(plan, side, position, path)
    if isinstance(place, Problem):
        placement.problems.append(place)
        return None
    if position.seconds is None:
        return mix_beat_of_beat(placed.spans, side.grid.bar_to_beat(place))
    span = placed.spans[0]
    if isinstance(span, BeatSpan):
        return mix_beat_of_beat(placed.spans, side.grid.beat_at(place))
    tempo_map = placement.tempo_map()
    return tempo_map.beat_at(tempo_map.time_at(span.start_beat) + place - span.source_s)


def joint_path(placement: Placement, joint_index: int) -> PlanPath:
    """The place in the plan of a transition; for one made by default that of the track it brings in."""
    joint = placement.joints[joint_index]
    if joint.entry is None:
        return ("tracks", joint.transition.to_track)
    return ("transitions", joint.entry)


def _add_crossing(plan: Plan, placement: Placement, index: int, control: str) -> None:
    name = placement.tracks[index].side.track.name
    message = f"the moves of `{control}` that bring `{name}` in reach beyond those that take it out; "
    problem = plan.problem(joint_path(placement, index), message + "let one end before the other begins")
    placement.problems.append(problem)


def _check_order(
    plan: Plan, placement: Placement, index: int, control: str, points: tuple[MovePoint, ...]
) -> None:
    for point, following in pairwise(points):
        if point.end_beat > following.beat + 1e-9:
            name = placement.tracks[index].side.track.name
            message = (
                f"a move of `{control}` on `{name}` is not over when the next one begins; make it shorter"
            )
            path = (
                joint_path(placement, min(index, len(placement.joints) - 1))
                if placement.joints
                else ("tracks",)
            )
            placement.problems.append(plan.problem(path, message))


def _check_heard(
    plan: Plan, placement: Placement, index: int, control: str, *, way_out: tuple[MovePoint, ...]
) -> None:
    """Warn of points of the way out that lie beyond the end of the track, where it sounds no more."""
    placed = placement.tracks[index]
    if any(point.beat > placed.end_beat + 1e-6 for point in way_out):
        message = f"a point of `{control}` lies after the overlap, where `{placed.side.track.name}` has ended"
        placement.problems.append(plan.problem(joint_path(placement, index), message, "warning"))


def _check_amounts(
    plan: Plan, placement: Placement, index: int, lanes: dict[str, tuple[MovePoint, ...]]
) -> None:
    """Warn of parameters of effects that are never sent anything."""
    track = placement.tracks[index].side.track
    for effect in sorted({control.split(".")[0] for control in lanes} - set(lanes)):
        if any(control.startswith(f"{effect}.") for control in track.moves):
            path: PlanPath = (*plan.path_of(track), "moves", effect)
        else:
            joint = (
                index if index < len(placement.joints) and _writes(placement, index, effect) else index - 1
            )
            path = (*joint_path(placement, joint), "moves", track.name, effect)
        message = f"`{effect}` of `{track.name}` has no `amount`, so it is not heard; write one"
        placement.problems.append(plan.problem(path, message, "warning"))


def _writes(placement: Placement, joint_index: int, effect: str) -> bool:
    """Whether the way out over a joint has any parameter of an effect."""
    return any(name.startswith(f"{effect}.") for name in side_moves(placement, joint_index, "from"))


def _check_ends(
    plan: Plan, placement: Placement, index: int, lanes: dict[str, tuple[MovePoint, ...]]
) -> None:
    """Warn of controls not back at neutral after the way in, and of a level that is cut on the way out."""
    name = placement.tracks[index].side.track.name
    if index > 0:
        joint = placement.joints[index - 1]
        end = max(joint.end_beat, joint.enter_beat)
        for control, points in lanes.items():
            if "." in control:  # parameters of an effect change nothing by themselves
                continue
            value = moves.value_at(points, end, control=control)
            later = [p for p in points if p.beat > end + 1e-9 or p.end_beat > end + 1e-9]
            if not moves.is_neutral(control, value) and not later:
                message = (
                    f"`{control}` of `{name}` is not back at neutral when the overlap ends, and stays there"
                )
                placement.problems.append(plan.problem(joint_path(placement, index - 1), message, "warning"))
    if index < len(placement.joints):
        joint = placement.joints[index]
        level = lanes.get("level")
        loud = level is None or moves.value_at(level, joint.end_beat, control="level") > -float("inf")
        if loud and joint.overlap_bars > 0 and joint.transition.recipe != "cut":
            message = f"`{name}` is not silent when the overlap ends: it is cut there"
            placement.problems.append(plan.problem(joint_path(placement, index), message, "warning"))
