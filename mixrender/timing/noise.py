"""A placed mix goes in; the sweeps of noise over its transitions come out, each with its place and lanes."""

from __future__ import annotations

import math
from dataclasses import replace

from mixrender.plan.model import Lane
from mixrender.timing import moves
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import EDGE_S, Joint, Placement
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import NoisePlacement
from mixrender.timing.track_lanes import joint_path


def place_noises(placement: Placement, tempo_map: TempoMap) -> tuple[NoisePlacement, ...]:
    """The noise sweep of every transition that has one, from the first to the last point of its level.

    One that does not begin and end silent comes or goes in 10 ms there, with a warning in the problems of
    the placement.
    """
    found = []
    for index, joint in enumerate(placement.joints):
        sweep = joint.transition.noise_sweep
        if sweep is None:
            continue
        lanes = {
            control: _points(placement, index, lane, joint)
            for control, lane in (("level", sweep.level), ("cutoff", sweep.cutoff))
        }
        level = lanes["level"]
        path = (*joint_path(placement, index), "noise_sweep", "level")
        if level[-1].end_beat <= placement.tracks[0].start_beat:
            message = "the noise is over before the mix begins; let its `level` have later points"
            placement.problems.append(placement.plan.problem(path, message))
            continue
        after_s = tempo_map.time_at(level[-1].end_beat) - tempo_map.time_at(placement.tracks[-1].end_beat)
        if after_s > 0.5:  # half a second is what the mix holds after its last sound anyway
            message = f"the noise goes on for {after_s:.1f} s after the last track has ended"
            placement.problems.append(placement.plan.problem(path, message, "warning"))
        for is_cut, edge, word in (
            (level[0].move is None and level[0].value > -math.inf, "begin", "first"),
            (level[-1].value > -math.inf, "end", "last"),
        ):
            if is_cut:
                message = (
                    f"the noise does not {edge} silent: it is cut there; let the {word} point of its "
                    "`level` be `silent`"
                )
                placement.problems.append(placement.plan.problem(path, message, "warning"))
        level = _with_edges(level, tempo_map)
        found.append(
            NoisePlacement(
                transition=index + 1,
                start_s=max(min(_begins_s(point, tempo_map) for point in level), 0.0),
                end_s=tempo_map.time_at(level[-1].end_beat),
                lanes=lanes | {"level": level},
                filter=sweep.filter,
            )
        )
    return tuple(found)


def _points(placement: Placement, index: int, lane: Lane, joint: Joint) -> tuple[MovePoint, ...]:
    return moves.transition_points(
        lane,
        start_beat=joint.start_beat,
        end_beat=max(joint.end_beat, joint.start_beat),
        beats_per_bar=joint.beats_per_bar,
        beat=1.0 / placement.tracks[index].rate,
        curve=joint.transition.curve,
    )


def _with_edges(level: tuple[MovePoint, ...], tempo_map: TempoMap) -> tuple[MovePoint, ...]:
    """A level that comes from silence by its first point, and goes to silence after its last."""
    first, last = level[0], level[-1]
    if first.move is None and first.value > -math.inf:
        level = (replace(first, move="at once"), *level[1:])
    if last.value > -math.inf:
        gone_beat = tempo_map.beat_at(tempo_map.time_at(last.end_beat) + EDGE_S)
        level = (*level, MovePoint(gone_beat, -math.inf, "at once", last.curve))
    return level


def _begins_s(point: MovePoint, tempo_map: TempoMap) -> float:
    """When the move to a point may begin: a step ends on its beat."""
    begins_s = tempo_map.time_at(point.beat)
    return begins_s if point.move is None else min(begins_s, tempo_map.time_at(point.end_beat) - EDGE_S)
