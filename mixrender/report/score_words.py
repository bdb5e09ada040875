"""A transition in, what its picture says of it in sentences out: for its head and for screen readers."""

from __future__ import annotations

from collections.abc import Iterator

from mixrender.keys import described, parse_key
from mixrender.plan.controls import EFFECTS
from mixrender.plan.model import Plan
from mixrender.report.score_events import event_brackets, over_brackets
from mixrender.report.score_frame import Frame
from mixrender.report.score_lanes import LINES, runs_of
from mixrender.report.score_text import fitted, number_text, one_line
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import format_time

_NAME_EMS = 60.0
"""Longer names are shortened in sentences."""


def title_words(frame: Frame) -> str:
    """`Transition 1: ferry into lantern`."""
    out, into = _names(frame)
    return f"Transition {frame.transition.index}: {out} into {into}"


def head_words(frame: Frame, plan: Plan) -> tuple[str, list[str]]:
    """What stands over a picture that stands alone: what it is, and the figures that matter."""
    transition = frame.transition
    out, into = _names(frame)
    first = f"{transition.index}   {out} → {into}"
    parts = [one_line(plan.title)] if plan.title else []
    parts += [f"at {format_time(transition.start_s)}", _overlap(frame)]
    if transition.recipe != "none":
        parts.append(f"recipe {one_line(transition.recipe)}")
    return first, [*parts, *_bpm(frame), *_key(frame)]


def about_words(frame: Frame) -> str:
    """One sentence of what overlaps, where, and what is done to it."""
    transition = frame.transition
    out, into = _names(frame)
    places = [
        f"bar {number_text(bar, digits=0 if bar == round(bar) else 2)} of {name}"
        for bar, name in ((transition.leave_bar, out), (transition.enter_bar, into))
        if bar is not None
    ]
    where = f" from {' and '.join(places)} on" if places else ""
    words = {_short(stave.track.name): list(_done(frame, stave.track)) for stave in frame.staves}
    done = [f"{name}: {', '.join(said)}" for name, said in words.items() if said]
    done += [bracket.words for bracket in over_brackets(frame)]
    moves = f"; {'; '.join(done)}" if done else ""
    return f"{out} goes over into {into}: {_overlap(frame)}{where}{moves}."


def _names(frame: Frame) -> tuple[str, str]:
    tracks, transition = frame.timeline.tracks, frame.transition
    return _short(tracks[transition.outgoing].name), _short(tracks[transition.incoming].name)


def _short(name: str) -> str:
    return fitted(name, size=1.0, room=_NAME_EMS)


def _overlap(frame: Frame) -> str:
    transition = frame.transition
    if transition.enter_beat > transition.end_beat + 1e-9:
        gap_s = frame.tempo_map.time_at(transition.enter_beat) - transition.start_s
        return f"a gap of {number_text(gap_s, digits=1)} s"
    if frame.timeline.tracks[transition.outgoing].grid.kind == "none":
        return f"an overlap of {number_text(transition.end_s - transition.start_s, digits=1)} s"
    bars = round(transition.overlap_bars, 2)
    return "a cut" if bars == 0 else f"an overlap of {bars:g} {'bar' if bars == 1 else 'bars'}"


def _bpm(frame: Frame) -> Iterator[str]:
    start, end = frame.transition.from_tempo_bpm, frame.transition.to_tempo_bpm
    if start is not None and end is not None:
        yield f"{start:.5g} → {end:.5g} BPM" if abs(start - end) > 0.005 else f"{start:.5g} BPM"


def _key(frame: Frame) -> Iterator[str]:
    tracks, transition = frame.timeline.tracks, frame.transition
    keys = tracks[transition.outgoing].key, tracks[transition.incoming].key
    if keys[0] is not None and keys[1] is not None:
        both = keys[0] if keys[0] == keys[1] else f"{keys[0]} → {keys[1]}"
        yield f"{both}: {described(parse_key(keys[0]), parse_key(keys[1]))}"


def _done(frame: Frame, track: TrackPlacement) -> Iterator[str]:
    """Everything that a picture shows of a track's moves, in words."""
    for control in (*LINES, *EFFECTS):
        runs = runs_of(frame, track, control)
        if control in EFFECTS and runs:
            yield f"{control} up to {number_text(max(float(run.values.max()) for run in runs))} %"
        elif runs:
            yield runs[0].words(compact=False)
    yield from dict.fromkeys(bracket.words for bracket in event_brackets(frame, track))
