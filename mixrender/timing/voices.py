"""Voices as a plan says them and a placed mix to where each voice lies in it, or to what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise

from mixrender.facts import TrackFacts
from mixrender.plan.controls import EVENTS
from mixrender.plan.model import LanePoint, Plan, PlanPath, Position, Voice
from mixrender.timing import moves
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import Placed, Placement
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import VoicePlacement
from mixrender.timing.track_lanes import mix_beat_of
from mixrender.units import format_time

_SLACK_S = 1e-3
"""Rounding of places that are given in bars: a voice may begin or end this much outside of what holds it."""


def place_voices(
    plan: Plan,
    placement: Placement,
    facts: Sequence[TrackFacts],
    tempo_map: TempoMap,
    *,
    duration_s: float,
) -> tuple[VoicePlacement, ...]:
    """Every voice of a plan whose voices have these facts, in a mix of `duration_s`.

    What is wrong is added to the problems of the placement; a voice without a place is left out.
    """
    found = []
    for index, (voice, fact) in enumerate(zip(plan.voices, facts, strict=True)):
        path: PlanPath = ("voices", index)
        start_s = _start_s(plan, placement, voice, path, tempo_map)
        if start_s is None or not _fits(placement, fact, path, start_s=start_s, duration_s=duration_s):
            continue
        found.append(
            VoicePlacement(
                index=index,
                name=voice.name,
                file=voice.path,
                facts=fact,
                start_s=start_s,
                end_s=min(start_s + fact.duration_s, duration_s),
                lanes=_lanes(placement, voice, fact, path, tempo_map, start_s=start_s),
                gain_db=voice.gain_db,
                duck=voice.duck,
                over_lu=voice.over_lu,
                attack_s=voice.attack_s,
                release_s=voice.release_s,
            )
        )
    _warn_of_two_at_once(placement, found)
    return tuple(found)


def _start_s(
    plan: Plan, placement: Placement, voice: Voice, path: PlanPath, tempo_map: TempoMap
) -> float | None:
    """Second of the mix at which a voice begins; None, and a problem noted, where there is none."""
    if voice.track is None:
        assert voice.at.seconds is not None  # `check_plan` has seen to it
        return voice.at.seconds
    placed = next(placed for placed in placement.tracks if placed.side.track.name == voice.track)
    beat = mix_beat_of(plan, placement, placed, voice.at, (*path, "at"))
    if beat is None:
        return None
    start_s = tempo_map.time_at(beat)
    heard_s = tempo_map.time_at(placed.start_beat), tempo_map.time_at(placed.end_beat)
    if heard_s[0] - _SLACK_S <= start_s <= heard_s[1] + _SLACK_S:
        return max(start_s, 0.0)
    side = "before it comes in, at" if start_s < heard_s[0] else "after it has gone, at"
    edge_s = max(heard_s[0] if start_s < heard_s[0] else heard_s[1], 0.0)
    message = (
        f"`{voice.at}` of `{voice.track}` does not sound in the mix: it lies {side} {format_time(edge_s)}; "
        "give another place, or a time of the mix without `track`"
    )
    placement.problem((*path, "at"), message)
    return None


def _fits(
    placement: Placement, facts: TrackFacts, path: PlanPath, *, start_s: float, duration_s: float
) -> bool:
    """Whether a voice lies inside the mix; a silent one does, with a warning."""
    over_s = start_s + facts.duration_s - duration_s
    if start_s >= duration_s:
        message = f"begins at {format_time(start_s)}, but the mix ends at {format_time(duration_s)}"
        placement.problem((*path, "at"), f"the voice {message}; let it begin earlier")
        return False
    if over_s > _SLACK_S:
        message = (
            f"the voice lasts {facts.duration_s:.1f} s from {format_time(start_s)} on, and runs {over_s:.1f} "
            f"s past the end of the mix at {format_time(duration_s)}; let it begin that much earlier"
        )
        placement.problem((*path, "at"), message)
        return False
    if not facts.last_sound_s:
        message = "the file is silent: there is nothing to hear, and the music stays as it is"
        placement.problem((*path, "file"), message, "warning")
    return True


def _lanes(
    placement: Placement,
    voice: Voice,
    facts: TrackFacts,
    path: PlanPath,
    tempo_map: TempoMap,
    *,
    start_s: float,
) -> dict[str, tuple[MovePoint, ...]]:
    """The lanes of a voice; lengths in bars and beats are those of the track that it speaks over."""
    carrier = _carrier(placement, voice, tempo_map, start_s=start_s)

    def position_of(point: LanePoint) -> float:
        assert isinstance(point.position, Position)
        return tempo_map.beat_at(start_s + (point.position.seconds or 0.0))

    lanes = {}
    for control, lane in voice.moves.items():
        lane_path = (*path, "moves", control)
        if control in EVENTS:
            placement.problem(lane_path, f"`{control}` is for tracks; a voice has lanes and effects alone")
            continue
        lanes[control] = moves.track_points(
            lane,
            position_of=position_of,
            beats_per_bar=carrier.side.grid.beats_per_bar / carrier.rate,
            beat=1.0 / carrier.rate,
        )
        if any(first.end_beat > second.beat + 1e-9 for first, second in pairwise(lanes[control])):
            placement.problem(lane_path, "a move is not over when the next one begins; make it shorter")
        if any(_seconds_of(point) > facts.duration_s for point in lane):
            message = f"a point lies after the end of the file, which lasts {facts.duration_s:.1f} s"
            placement.problem(lane_path, message, "warning")
    return moves.settled(lanes, start_beat=tempo_map.beat_at(start_s))


def _seconds_of(point: LanePoint) -> float:
    return point.position.seconds or 0.0 if isinstance(point.position, Position) else 0.0


def _carrier(placement: Placement, voice: Voice, tempo_map: TempoMap, *, start_s: float) -> Placed:
    """The track that a voice names, or else the last that has come in when it begins."""
    named = [placed for placed in placement.tracks if placed.side.track.name == voice.track]
    heard = [p for p in placement.tracks if tempo_map.time_at(p.start_beat) <= start_s + _SLACK_S]
    return (named or heard or placement.tracks)[-1]


def _warn_of_two_at_once(placement: Placement, voices: Sequence[VoicePlacement]) -> None:
    heard = [voice for voice in voices if voice.facts.last_sound_s]
    for first, second in combinations(heard, 2):
        start_s, end_s = max(first.start_s, second.start_s), min(first.end_s, second.end_s)
        if start_s < end_s:
            message = (
                f"two voices sound at once for {end_s - start_s:.1f} s from {format_time(start_s)} on: "
                f"'{first.file.name}' and '{second.file.name}'"
            )
            placement.problem(("voices", second.index, "at"), message, "warning")
