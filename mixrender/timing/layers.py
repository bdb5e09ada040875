"""Layers of a placed mix's transitions to where each lies in it, or to what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from mixrender.errors import Problem
from mixrender.facts import TrackFacts
from mixrender.plan.controls import EVENTS
from mixrender.plan.model import Layer, Moves, Plan, PlanPath
from mixrender.timing import moves, positions
from mixrender.timing.events import layer_patches
from mixrender.timing.grids import counting_factor
from mixrender.timing.moves import MovePoint, beat_in_transition
from mixrender.timing.place import side_of
from mixrender.timing.placement import Joint, Placed, Placement
from mixrender.timing.positions import Side, play_bar_of, play_second_of
from mixrender.timing.spans import BeatSpan, open_beats, open_free, source_beat_at, span_at
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement
from mixrender.timing.track_lanes import own_points
from mixrender.timing.track_placement import track_placement


def place_layers(
    plan: Plan, placement: Placement, facts: Sequence[TrackFacts], tempo_map: TempoMap
) -> tuple[TrackPlacement, ...]:
    """Every layer of a plan whose layers have these facts; their indices follow those of the tracks.

    What is wrong is added to the problems of the placement; a layer without a place is left out.
    """
    by_name = dict(zip((layer.name for layer in plan.layers), facts, strict=True))
    found: list[TrackPlacement] = []
    for number, joint in enumerate(placement.joints):
        for layer in joint.transition.layers.values():
            side, problems = side_of(plan, layer, by_name[layer.name])
            placement.problems.extend(problems)
            placed = _placed(placement, number, layer, side, tempo_map)
            if placed is None:
                continue
            found.append(
                track_placement(
                    placed,
                    index=len(placement.tracks) + len(found),
                    tempo_map=tempo_map,
                    lanes=_lanes(plan, placement, joint, layer, placed),
                    patches=layer_patches(plan, placement, number, placed, tempo_map),
                    shift_semitones=layer.shift_semitones,
                )
            )
    return tuple(found)


def _placed(
    placement: Placement, number: int, layer: Layer, side: Side, tempo_map: TempoMap
) -> Placed | None:
    """A layer on the beats of the mix; None, and a problem noted, where it cannot be there."""
    joint, out = placement.joints[number], placement.tracks[number]
    path = placement.plan.path_of(layer)
    start = beat_in_transition(
        layer.at,
        start_beat=joint.start_beat,
        end_beat=max(joint.end_beat, joint.start_beat),
        beats_per_bar=joint.beats_per_bar,
    )
    first = placement.tracks[0].start_beat
    if start < first - 1e-6:
        earliest = math.ceil((first - joint.start_beat) / joint.beats_per_bar - 1e-6)
        placement.problem((*path, "at"), f"the mix has not begun there; `{earliest}` or later would do")
        return None
    if layer.beatmatch is True and not side.has_bars:
        placement.problem((*path, "beatmatch"), f"no beat is known of `{layer.name}`: give it a `grid`")
        return None
    if side.has_bars and layer.beatmatch is not False:
        placed = _in_bars(placement, out, joint, layer, side, start, tempo_map, path)
    else:
        placed = _free(placement, layer, side, start, path)
    if placed is None:
        return None
    end = _end_beat(placement, out, joint, layer, placed, tempo_map, path)
    if end is None:
        return None
    placed.end_beat, placed.entered_beat = end, start
    return placed


def _in_bars(
    placement: Placement,
    out: Placed,
    joint: Joint,
    layer: Layer,
    side: Side,
    start: float,
    tempo_map: TempoMap,
    path: PlanPath,
) -> Placed | None:
    """A layer whose bar lines meet those of the outgoing track."""
    written = {"plain": 1.0, "double": 2.0, "half": 0.5}
    now_bpm = tempo_map.tempo_at(start) * out.rate
    factor = written[layer.count] if layer.count else counting_factor(side.grid.tempo_at(0.0), now_bpm)
    rate = out.rate * factor
    at_bar = _bar_of_outgoing(out, start)
    bar = float(side.enter_bar)
    if at_bar is not None:
        bar += positions.fit_fraction(at_bar, factor)
    if layer.enter is not None:
        said = play_bar_of(placement.plan, side, layer.enter, (*path, "enter"))
        if layer.enter.seconds is not None:
            said = placement.plan.problem(
                (*path, "enter"), "beats that meet are counted in bars: write a bar"
            )
        if isinstance(said, Problem):
            placement.problems.append(said)
            return None
        bar = said
        same = out.side.grid.beats_per_bar == side.grid.beats_per_bar
        if at_bar is not None and same and not positions.fractions_meet(at_bar, bar, factor):
            fits = math.floor(bar) + positions.fit_fraction(at_bar, factor)
            message = (
                f"bar {side.file_bar(bar):g} does not lie on the bar lines of `{out.side.track.name}` there; "
                f"{side.file_bar(fits):g} would"
            )
            placement.problem((*path, "enter"), message)
            return None
    return Placed(
        side, rate, [open_beats(start, side.grid.bar_to_beat(bar), rate)], start, shift_s=out.shift_s
    )


def _bar_of_outgoing(out: Placed, mix_beat: float) -> float | None:
    span = span_at(out.spans, mix_beat)
    if not isinstance(span, BeatSpan):
        return None
    return float(round(out.side.grid.beat_to_bar(source_beat_at(span, mix_beat)), 6))


def _free(placement: Placement, layer: Layer, side: Side, start: float, path: PlanPath) -> Placed | None:
    """A layer that plays at its own speed."""
    enter_s: float | Problem = side.first_sound_s
    if layer.enter is not None:
        enter_s = play_second_of(placement.plan, side, layer.enter, (*path, "enter"))
    if isinstance(enter_s, Problem):
        placement.problems.append(enter_s)
        return None
    return Placed(side, 1.0, [open_free(start, enter_s)], start)


def _end_beat(
    placement: Placement,
    out: Placed,
    joint: Joint,
    layer: Layer,
    placed: Placed,
    tempo_map: TempoMap,
    path: PlanPath,
) -> float | None:
    """Mix beat at which a layer ends: as written, or with the overlap, or with its file."""
    start, held = placed.start_beat, _held_until(placed, tempo_map)
    if held <= start + 1e-6:
        placement.problem((*path, "enter"), f"'{layer.file.name}' has ended there; give an earlier place")
        return None
    if layer.length is None:
        end = max(joint.end_beat, joint.enter_beat)
        if end <= start + 1e-6:
            placement.problem(
                (*path, "at"), "the overlap is over there: give an earlier place, or a `length`"
            )
            return None
        return min(end, held)
    if layer.length.seconds is not None:
        end = tempo_map.beat_at(tempo_map.time_at(start) + layer.length.seconds)
    else:
        end = start + moves.length_in_beats(
            layer.length, beats_per_bar=joint.beats_per_bar, beat=1.0 / out.rate
        )
    if end <= start + 1e-6:
        placement.problem((*path, "length"), "its length is 0; write one such as `4 bars`")
        return None
    last = placement.tracks[-1].end_beat
    if end > held + 1e-6 or end > last + 1e-6:
        room_bars = (min(held, last) - start) / joint.beats_per_bar
        what = f"'{layer.file.name}'" if held < last else "the mix"
        message = (
            f"{layer.length} are more than {what} holds there; use {max(room_bars, 0.0):.4g} bars or fewer"
        )
        placement.problem((*path, "length"), message)
        return None
    return end


def _held_until(placed: Placed, tempo_map: TempoMap) -> float:
    """Mix beat at which the file of a layer ends, with the room that its last beat's decay needs."""
    span, side = placed.spans[0], placed.side
    if isinstance(span, BeatSpan):
        last = side.grid.beat_at(side.duration_s) + positions.FADE_ROOM_BEATS
        return span.start_beat + (last - span.source_beat) / span.rate
    left_s = side.duration_s - span.source_s
    return tempo_map.beat_at(tempo_map.time_at(span.start_beat) + left_s)


def _lanes(
    plan: Plan, placement: Placement, joint: Joint, layer: Layer, placed: Placed
) -> dict[str, tuple[MovePoint, ...]]:
    """A layer's own moves and those that the transition writes for it, one lane per control."""
    own = own_points(plan, placement, placed)
    written: Moves = joint.transition.moves.get(layer.name, {})
    points = {
        control: moves.transition_points(
            lane,
            start_beat=joint.start_beat,
            end_beat=max(joint.end_beat, joint.start_beat),
            beats_per_bar=joint.beats_per_bar,
            beat=1.0 / placed.rate,
            curve=joint.transition.curve,
        )
        for control, lane in written.items()
        if control not in EVENTS
    }
    points = moves.settled(points, start_beat=placed.start_beat)
    lanes = {}
    for control in sorted({*own, *points}):
        both = (*own.get(control, ()), *points.get(control, ()))
        lanes[control] = tuple(sorted(both, key=lambda p: p.beat))
        if any(first.end_beat > second.beat + 1e-9 for first, second in pairwise(lanes[control])):
            message = f"a move of `{control}` is not over when the next one begins; make it shorter"
            placement.problem((*plan.path_of(layer), "moves"), message)
    return lanes
