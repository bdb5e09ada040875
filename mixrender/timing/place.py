"""Plan and facts to spans and ramps: walks the transitions in order, puts each track on the mix's beats."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from mixrender.errors import Problem
from mixrender.facts import TrackFacts
from mixrender.plan.model import Plan, PlanPath, Track, Transition
from mixrender.timing.edits import play_order
from mixrender.timing.grids import counting_factor, doubts_of, grid_of
from mixrender.timing.meet_freely import meet_freely
from mixrender.timing.meet_in_bars import meet_in_bars
from mixrender.timing.placement import EDGE_S, FALLBACK_BPM, FIRST_SOUND_ROOM_S, Placed, Placement
from mixrender.timing.positions import Side
from mixrender.timing.spans import open_beats, open_free
from mixrender.timing.tempo_plan import add_tempo, end_follow, follow


def place(plan: Plan, facts: Sequence[TrackFacts]) -> Placement:
    """Place every track of a plan; what is wrong with it is among the `problems` of what is returned.

    A transition that cannot be placed as written is placed by default for the time being, so that the faults
    of those after it are found too.
    """
    placement = Placement(plan)
    sides = []
    for track, fact in zip(plan.tracks, facts, strict=True):
        side, problems = side_of(plan, track, fact)
        placement.problems.extend(problems)
        sides.append(side)
    _place_first(placement, sides)
    entries = {(t.from_track, t.to_track): (i, t) for i, t in enumerate(plan.transitions)}
    for out, into in pairwise(sides):
        pair = (out.track.name, into.track.name)
        plain = Transition(from_track=pair[0], to_track=pair[1])
        entry, transition = entries.get(pair, (None, plain))
        if _place_next(placement, into, entry, transition):
            continue
        found = len(placement.problems)
        placed = _place_next(placement, into, None, plain)
        del placement.problems[found:]
        if not placed:
            return placement
    _place_end(placement)
    return placement


def side_of(plan: Plan, track: Track, facts: TrackFacts) -> tuple[Side, list[Problem]]:
    """A track with its grid corrected and its edits made, and what is wrong or doubtful with them."""
    grid, problems = grid_of(plan, track, facts)
    order, play_grid, faults = play_order(plan, track, facts, grid)
    return Side(track, facts, play_grid, order), [*problems, *doubts_of(plan, track, facts), *faults]


def _place_first(placement: Placement, sides: Sequence[Side]) -> None:
    side, plan = sides[0], placement.plan
    grids = [s.grid for s in sides if s.has_bars]
    first_bpm = grids[0].tempo_at(0.0) if grids else FALLBACK_BPM
    placement.start_bpm = plan.tempo_bpm or first_bpm
    start_s = max(side.first_sound_s - FIRST_SOUND_ROOM_S, 0.0)
    if plan.start.at is not None:
        found = placement.second_of(side, plan.start.at, ("start", "at"))
        if found is not None:
            start_s = found
            placement.preroll_s = min(EDGE_S, max(start_s, 0.0))
    if not side.has_bars:
        placement.tracks.append(Placed(side, 1.0, [open_free(0.0, start_s)], 0.0))
        return
    rate = counting_factor(side.grid.tempo_at(0.0), plan.tempo_bpm) if plan.tempo_bpm else 1.0
    source_beat = side.grid.beat_at(start_s)
    start_beat = source_beat / rate
    placement.tracks.append(Placed(side, rate, [open_beats(start_beat, source_beat, rate)], start_beat))
    if side.grid.kind == "drifting" and not placement.held:
        follow(placement, placement.tracks[0], start_beat)


def _place_end(placement: Placement) -> None:
    last, plan = placement.tracks[-1], placement.plan
    end_s = min(last.side.heard_until_s + 0.5, last.side.duration_s)
    if plan.end.at is not None:
        found = placement.second_of(last.side, plan.end.at, ("end", "at"))
        if found is not None:
            end_s = found
    last.end_beat = placement.mix_beat_of_second(last, end_s)
    end_follow(placement, last.end_beat)
    if last.end_beat <= last.entered_beat or last.end_beat <= last.start_beat:
        message = "the mix would end before its last track has come in; give a later bar"
        placement.problem(("end", "at"), message)
    elif end_s > last.side.duration_s + 1.0:
        held = last.side.last_file_bar_line if last.side.has_bars else None
        message = f"lies beyond the end of '{last.side.track.file.name}'"
        message += f", whose last bar line is {held}" if held is not None else ""
        placement.problem(("end", "at"), message)


def _place_next(placement: Placement, side: Side, entry: int | None, transition: Transition) -> bool:
    before = placement.tracks[-1]
    path: PlanPath = ("tracks", side.track.name) if entry is None else ("transitions", entry)
    beatmatched = _beatmatched(placement, before, side, transition, path)
    if beatmatched is None:
        return False
    meet = meet_in_bars if beatmatched else meet_freely
    joint = meet(placement, before, side, transition, entry, path)
    if joint is None:
        return False
    if joint.start_beat <= max(before.start_beat, _last_start(placement)) + 1e-9:
        message = f"`{before.side.track.name}` would be left before it has come in; leave it later"
        placement.problem((*path, "leave"), message)
        placement.tracks.pop()
        return False
    before.end_beat = max(joint.end_beat, joint.start_beat)
    end_follow(placement, joint.start_beat)
    placement.joints.append(joint)
    add_tempo(placement, len(placement.tracks) - 1, joint, path)
    return True


def _last_start(placement: Placement) -> float:
    return placement.joints[-1].start_beat if placement.joints else placement.tracks[0].start_beat


def _beatmatched(
    placement: Placement, before: Placed, side: Side, transition: Transition, path: PlanPath
) -> bool | None:
    bars = before.side.has_bars and side.has_bars
    if transition.beatmatch and not bars:
        name = side.track.name if before.side.has_bars else before.side.track.name
        message = f"no beat is known of `{name}`; give its `grid`, or write `beatmatch: false`"
        placement.problem((*path, "beatmatch"), message)
        return None
    return bars if transition.beatmatch is None else transition.beatmatch
