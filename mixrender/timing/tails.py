"""The lanes of a track go in; when its effects are at work comes out, and how long they ring on after it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from mixrender.plan.controls import CONTROLS, EFFECTS
from mixrender.timing.moves import MovePoint, neutral_of
from mixrender.timing.placement import EDGE_S
from mixrender.timing.tempo_map import TempoMap
from mixrender.units import gain_to_db

TAIL_DB = 60.0
"""What rings on is over when it has fallen by so much."""

TAIL_FADE_S = 0.050
"""From there on it fades, within this time, to nothing at all."""

REVERB_LATE_S = 0.030
"""So much after the sound itself the first of a reverb is heard, and then decays."""

RINGING = ("echo", "reverb")
"""Effects that are sent to: what they are given rings on."""

MEMORY_S = 1.0
"""A phaser, flanger or filter knows nothing more of what was this long ago that could be heard."""

_ROOM_S = 0.001
"""Spans begin and end this much outside of the moves that they come from: rounding to frames."""

Lanes = Mapping[str, tuple[MovePoint, ...]]


@dataclass(frozen=True)
class Span:
    """Seconds of the mix in which an effect is at work, and may change or add something.

    Its amount is above 0 between `start_s` and `given_until_s` at most; after that it rings on up to
    `stop_s`, of which the last `TAIL_FADE_S` are a fade. Without a tail these two are one.
    """

    start_s: float
    given_until_s: float
    stop_s: float


def echo_tail_beats(*, time_beats: float, feedback_percent: float) -> float:
    """Beats from a sound to its last repeat that is less than 60 dB below the first.

    Repeat m comes after m times, (m - 1) times the loss of the feedback below the first.
    """
    if feedback_percent <= 0.0:
        return time_beats
    return time_beats * math.ceil(TAIL_DB / -gain_to_db(feedback_percent / 100.0) - 1e-9)


def effect_spans(
    lanes: Lanes, effect: str, *, tempo_map: TempoMap, start_s: float, end_s: float
) -> tuple[Span, ...]:
    """When an effect of a track that is heard from `start_s` to `end_s` is at work, in order, apart.

    Spans whose tails reach the next one are one span. A tail is reckoned from the longest time and the most
    feedback that the effect has from the beginning of its span on, up to that of the next.
    """
    amounts = _amount_spans(lanes.get(effect, ()), effect, tempo_map, start_s=start_s, end_s=end_s)
    if effect not in RINGING:
        return tuple(Span(begin_s, end, end) for begin_s, end in amounts)
    found: list[Span] = []
    begins_s = [begin_s for begin_s, _ in amounts]
    for (begin_s, given_s), next_s in zip(amounts, [*begins_s[1:], math.inf], strict=False):
        span = Span(begin_s, given_s, _rings_until_s(lanes, effect, tempo_map, begin_s, given_s, next_s))
        if found and span.start_s <= found[-1].stop_s:
            before = found.pop()
            span = Span(before.start_s, span.given_until_s, max(before.stop_s, span.stop_s))
        found.append(span)
    return tuple(found)


def sets_in_s(lanes: Lanes, effect: str, *, tempo_map: TempoMap) -> list[float]:
    """The seconds at which the amount of an effect begins to leave 0."""
    amounts = _amount_spans(lanes.get(effect, ()), effect, tempo_map, start_s=-math.inf, end_s=math.inf)
    return [begin_s for begin_s, _ in amounts if math.isfinite(begin_s)]


def rings_until_s(lanes: Lanes, *, tempo_map: TempoMap, start_s: float, end_s: float) -> float:
    """Second of the mix at which a track that is heard from `start_s` to `end_s` has died away."""
    spans = [
        span
        for effect in RINGING
        for span in effect_spans(lanes, effect, tempo_map=tempo_map, start_s=start_s, end_s=end_s)
    ]
    return max([end_s, *(span.stop_s for span in spans)])


def needed_from_s(
    lanes: Lanes, from_s: float, until_s: float, *, tempo_map: TempoMap, start_s: float, end_s: float
) -> float:
    """From which second on a track's own sound is needed to hear it from `from_s` up to `until_s`.

    That is where the effects that are at work then began, but no more than their tails before; what an
    insert remembers fades within `MEMORY_S`.
    """
    needed_s = from_s
    for effect in EFFECTS:
        for span in effect_spans(lanes, effect, tempo_map=tempo_map, start_s=start_s, end_s=end_s):
            if span.start_s < until_s and from_s < span.stop_s:
                tail_s = span.stop_s - span.given_until_s if effect in RINGING else 0.0
                needed_s = min(needed_s, max(span.start_s, from_s - tail_s) - MEMORY_S)
    return needed_s


def _rings_until_s(
    lanes: Lanes, effect: str, tempo_map: TempoMap, begin_s: float, given_s: float, next_s: float
) -> float:
    # Parameters step to their values on the beat on which an amount does: nothing rings before that.
    set_beat = tempo_map.beat_at(begin_s + EDGE_S + 2.0 * _ROOM_S)
    beats = [set_beat, tempo_map.beat_at(next_s) if math.isfinite(next_s) else math.inf]
    most = {
        control.name: _most(lanes.get(control.name, ()), control.name, *beats)
        for control in EFFECTS[effect].parameters.values()
    }
    if effect == "echo":
        tail_beats = echo_tail_beats(time_beats=most["echo.time"], feedback_percent=most["echo.feedback"])
        late_s = 0.0
    else:
        tail_beats, late_s = most["reverb.time"], REVERB_LATE_S
    return tempo_map.time_at(tempo_map.beat_at(given_s) + tail_beats) + late_s + TAIL_FADE_S


def _most(points: tuple[MovePoint, ...], control: str, start_beat: float, end_beat: float) -> float:
    """The largest value that a lane may have between two beats."""
    held = [neutral_of(control)] if not points or points[0].move is not None else [points[0].value]
    inside = []
    for point in points:
        if point.end_beat <= start_beat:
            held = [point.value]
        elif point.beat < end_beat:
            inside.append(point.value)
        else:
            if point.move is None:
                inside.append(point.value)
            break
    return max(held + inside)


def _amount_spans(
    points: tuple[MovePoint, ...], control: str, tempo_map: TempoMap, *, start_s: float, end_s: float
) -> list[tuple[float, float]]:
    """Seconds between which an amount is above 0, and the track heard."""
    neutral = CONTROLS[control].neutral
    begin_s = -math.inf if points and points[0].move is None and points[0].value != neutral else None
    spans: list[tuple[float, float]] = []
    for previous, point in pairwise((None, *points)):
        assert point is not None
        ends_s = tempo_map.time_at(point.end_beat)
        if point.value != neutral and begin_s is None:
            leaves = point.beat if point.move is not None or previous is None else previous.end_beat
            # A move shorter than a step is a step, and a step ends on its beat.
            begin_s = min(tempo_map.time_at(leaves), ends_s - EDGE_S) - _ROOM_S
        elif point.value == neutral and begin_s is not None:
            spans.append((begin_s, ends_s + _ROOM_S))
            begin_s = None
    if begin_s is not None:
        spans.append((begin_s, math.inf))
    heard = [(max(begin, start_s), min(end, end_s)) for begin, end in spans]
    merged: list[tuple[float, float]] = []
    for begin, end in heard:
        if begin >= end:
            continue
        if merged and begin <= merged[-1][1]:
            begin = merged.pop()[0]
        merged.append((begin, end))
    return merged
