"""Plan and track facts to the timeline of the mix, or to every problem that keeps it from being one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from mixrender.errors import PlanError, Problem
from mixrender.facts import TrackFacts
from mixrender.plan.model import Plan
from mixrender.timing.events import patches_of
from mixrender.timing.layers import place_layers
from mixrender.timing.length import length_problems
from mixrender.timing.match_key import shifts_semitones
from mixrender.timing.noise import place_noises
from mixrender.timing.place import place
from mixrender.timing.placement import EDGE_S, Joint, Placement
from mixrender.timing.spans import BeatSpan, source_beat_at, span_at
from mixrender.timing.tails import rings_until_s
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import (
    SpeedChange,
    Timeline,
    TrackPlacement,
    TransitionPlacement,
    VoicePlacement,
)
from mixrender.timing.track_lanes import track_lanes
from mixrender.timing.track_placement import track_placement
from mixrender.timing.voices import place_voices
from mixrender.units import ratio_to_percent

SPEED_WARN = 0.08
SPEED_WARN_STRONGLY = 0.12
SPEED_LIMITS = (0.5, 2.0)
"""Changes of a track's speed that are warned of, and those that are refused. 93 % of the tracks in real mixes
are within 8 % of their own tempo (Kim et al., ISMIR 2020)."""


def build_timeline(plan: Plan, facts: Sequence[TrackFacts]) -> Timeline:
    """The timeline of a plan whose `sounds` have these facts, in their order: tracks, layers, voices.

    Raises PlanError with every problem found where there is an error among them; warnings are kept in the
    timeline's `problems`.
    """
    placement = place(plan, facts[: len(plan.tracks)])
    problems = placement.problems
    problems[:0] = plan.warnings
    if _errors(problems) or len(placement.tracks) < len(plan.tracks):
        raise PlanError(_errors(problems) or problems)
    tempo_map = _origin_at_start(placement)
    problems.extend(_jump_problems(plan, placement))
    shifts, unmatched = shifts_semitones(plan, facts[: len(plan.tracks)])
    problems.extend(unmatched)
    tracks = tuple(
        _track(plan, placement, index, tempo_map, shift_semitones=shift) for index, shift in enumerate(shifts)
    )
    problems.extend(_speed_problems(plan, tracks, tempo_map))
    noises = place_noises(placement, tempo_map)
    transitions = tuple(
        _transition(placement, index, tracks, tempo_map, problems) for index in range(len(placement.joints))
    )
    layered = facts[len(plan.tracks) : len(facts) - len(plan.voices)]
    layers = place_layers(plan, placement, layered, tempo_map)
    problems.extend(_speed_problems(plan, layers, tempo_map))
    duration_s = max(_died_away_s((*tracks, *layers), tempo_map), *(noise.end_s for noise in noises), 0.0)
    spoken = facts[len(facts) - len(plan.voices) :]
    voices = place_voices(plan, placement, spoken, tempo_map, duration_s=duration_s)
    duration_s = max(duration_s, _died_away_s(voices, tempo_map))
    if _errors(problems):
        raise PlanError(_errors(problems))
    timeline = Timeline(
        tempo_map,
        tracks,
        transitions,
        duration_s,
        tuple(problems),
        layers=layers,
        voices=voices,
        noises=noises,
    )
    return replace(timeline, problems=(*problems, *length_problems(plan, timeline)))


def _died_away_s(parts: Sequence[TrackPlacement | VoicePlacement], tempo_map: TempoMap) -> float:
    """Second of the mix at which the last of these has died away; 0 where there is none."""
    return max(
        (
            rings_until_s(part.lanes, tempo_map=tempo_map, start_s=part.start_s, end_s=part.end_s)
            for part in parts
        ),
        default=0.0,
    )


def _errors(problems: Sequence[Problem]) -> list[Problem]:
    return [problem for problem in problems if problem.severity == "error"]


def _origin_at_start(placement: Placement) -> TempoMap:
    """The mix's tempo map, whose time 0 is where the delivered file begins."""
    rough = placement.tempo_map()
    start_s = rough.time_at(placement.tracks[0].start_beat) - placement.preroll_s
    return placement.tempo_map(origin_s=-start_s)


def _track(
    plan: Plan, placement: Placement, index: int, tempo_map: TempoMap, *, shift_semitones: float
) -> TrackPlacement:
    first, last = index == 0, index == len(placement.tracks) - 1
    return track_placement(
        placement.tracks[index],
        index=index,
        tempo_map=tempo_map,
        lanes=track_lanes(plan, placement, index),
        patches=patches_of(plan, placement, index, tempo_map),
        shift_semitones=shift_semitones,
        edge_s=placement.preroll_s if first else EDGE_S,
        fade_in_bars=plan.start.fade_bars if first else 0.0,
        fade_out_bars=plan.end.fade_bars if last else 0.0,
    )


# --- tempo -----------------------------------------------------------------------------------------------


def _jump_problems(plan: Plan, placement: Placement) -> list[Problem]:
    """A written jump of the tempo is legal only where one track sounds on each side."""
    problems = []
    for ramp in placement.ramps:
        if not ramp.written or ramp.end_beat > ramp.start_beat:
            continue
        at = ramp.start_beat
        before = [t for t in placement.tracks if t.start_beat < at - 1e-9 and at <= t.end_beat + 1e-9]
        after = [t for t in placement.tracks if t.start_beat <= at + 1e-9 and at + 1e-9 < t.end_beat]
        sounding = max(before, after, key=len)
        if len(sounding) > 1:
            names = " and ".join(f"`{t.side.track.name}`" for t in sounding)
            message = f"{ramp.label} is a jump while {names} sound together; give it a length: `over: 4 bars`"
            problems.append(plan.problem(("transitions",), message))
    return problems


def _speed_range(track: TrackPlacement, start: float, end: float, tempo_map: TempoMap) -> tuple[float, float]:
    """Lowest and highest playing speed between two mix beats."""
    beats = {start, end - 1e-9}
    for low, high, _ in tempo_map.pieces(start, end):
        beats.update((low, high - 1e-9))
    if track.grid.kind == "drifting":
        beats.update(start + i for i in range(int(end - start)))
    speeds = [track.speed_at(beat, tempo_map) for beat in beats]
    return min(speeds), max(speeds)


def _speed_problems(plan: Plan, tracks: Sequence[TrackPlacement], tempo_map: TempoMap) -> list[Problem]:
    problems = []
    for track in tracks:
        slow, fast = _speed_range(track, track.start_beat, track.end_beat, tempo_map)
        worst = slow if 1.0 / slow > fast else fast
        change = abs(worst - 1.0)
        word = "sped up" if worst > 1.0 else "slowed down"
        text = f"`{track.name}` is {word} by {abs(ratio_to_percent(worst)):.1f} %"
        path = plan.path_of_name(track.name)
        if not SPEED_LIMITS[0] <= worst <= SPEED_LIMITS[1]:
            message = f"{text}: half to double speed is what can be done; see `count`, `tempo` and its `grid`"
            problems.append(plan.problem(path, message))
        elif change > SPEED_WARN_STRONGLY + 1e-9:
            problems.append(plan.problem(path, f"{text}: that much is plainly heard", "warning"))
        elif change > SPEED_WARN + 1e-9:
            problems.append(plan.problem(path, f"{text}: more than most listeners miss", "warning"))
    return problems


def _transition(
    placement: Placement,
    index: int,
    tracks: Sequence[TrackPlacement],
    tempo_map: TempoMap,
    problems: Sequence[Problem],
) -> TransitionPlacement:
    joint = placement.joints[index]
    out, into = tracks[index], tracks[index + 1]
    end = max(joint.end_beat, joint.enter_beat)
    path = _path_text(placement, index)
    return TransitionPlacement(
        index=index + 1,
        outgoing=index,
        incoming=index + 1,
        start_beat=joint.start_beat,
        end_beat=joint.end_beat,
        enter_beat=joint.enter_beat,
        start_s=tempo_map.time_at(joint.start_beat),
        end_s=tempo_map.time_at(end),
        overlap_bars=joint.overlap_bars,
        beats_per_bar=joint.beats_per_bar,
        recipe=joint.transition.recipe,
        beatmatched=joint.beatmatched,
        from_tempo_bpm=_own_tempo(out, joint.start_beat),
        to_tempo_bpm=_own_tempo(into, end),
        leave_bar=_bar_at(out, joint.start_beat),
        enter_bar=_bar_at(into, joint.enter_beat),
        leave_s=out.source_s_at(joint.start_beat, tempo_map),
        enter_s=into.source_s_at(joint.enter_beat, tempo_map),
        tempo_change_percent={
            track.name: _speed_change(track, joint, end, tempo_map) for track in (out, into)
        },
        warnings=tuple(p.message for p in problems if p.severity == "warning" and p.path.startswith(path)),
        note=joint.transition.note,
    )


def _path_text(placement: Placement, index: int) -> str:
    joint = placement.joints[index]
    return f"transitions[{joint.entry + 1}]" if joint.entry is not None else "(default)"


def _own_tempo(track: TrackPlacement, mix_beat: float) -> float | None:
    if track.grid.kind == "none":
        return None
    span = span_at(track.spans, mix_beat)
    return track.grid.tempo_at(source_beat_at(span, mix_beat) if isinstance(span, BeatSpan) else 0.0)


def _bar_at(track: TrackPlacement, mix_beat: float) -> float | None:
    span = span_at(track.spans, mix_beat)
    if not isinstance(span, BeatSpan):
        return None
    return float(round(track.file_bar(source_beat_at(span, mix_beat)), 6))


def _speed_change(track: TrackPlacement, joint: Joint, end: float, tempo_map: TempoMap) -> SpeedChange:
    low, high = max(joint.start_beat, track.start_beat), min(end, track.end_beat)
    if high - low < 1e-6:
        # A cut or a gap: what counts is the side on which the track sounds.
        speed = track.speed_at(low if track.start_beat == low else high - 1e-6, tempo_map)
        return SpeedChange(*[_percent(speed)] * 4)
    slow, fast = _speed_range(track, low, high, tempo_map)
    ends = track.speed_at(low, tempo_map), track.speed_at(high - 1e-9, tempo_map)
    return SpeedChange(*(_percent(speed) for speed in (*ends, slow, fast)))


def _percent(speed: float) -> float:
    """Change of speed in per cent, without the last digits, which are rounding."""
    return round(ratio_to_percent(speed), 6) + 0.0
