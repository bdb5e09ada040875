"""A plan and its timeline to what is done to the tracks, in one line for each move, edit, layer and voice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mixrender.plan.controls import CONTROLS, EFFECTS, EVENTS
from mixrender.plan.lanes import Moves
from mixrender.plan.model import Edit, Layer, Plan, Track, Transition
from mixrender.plan.places import Length
from mixrender.plan.plan_text import lane_texts, moves_text
from mixrender.plan.recipes import transition_moves
from mixrender.timing.match_key import key_matched
from mixrender.timing.play_order import order_in_bars
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import beats_to_seconds, format_time, ratio_to_percent

EVENT_WORDS = {
    "mute": "silent",
    "reverse": "played backwards",
    "brake": "slowing down to a stop",
    "spin_up": "coming up from a standstill",
}


class MoveLine(NamedTuple):
    """What is done: where (a transition's number, or empty), to what, and in words."""

    where: str
    what: str
    words: str


def move_lines(plan: Plan, timeline: Timeline) -> list[MoveLine]:
    """What the plan writes beyond recipes, in the order of tracks, transitions and voices."""
    lines: list[MoveLine] = []
    for track, placed in zip(plan.tracks, timeline.tracks, strict=True):
        lines += _track_lines(track, placed, timeline)
    by_pair = {(t.from_track, t.to_track): t for t in plan.transitions}
    for placed_transition in timeline.transitions:
        pair = tuple(
            timeline.tracks[i].name for i in (placed_transition.outgoing, placed_transition.incoming)
        )
        written = by_pair.get((pair[0], pair[1]))
        if written is not None:
            lines += _transition_lines(written, placed_transition, timeline)
    for voice in timeline.voices:
        over = f", {voice.over_lu:g} LU over the music" if voice.duck else ", the music as loud as before"
        words = f"speaks at {format_time(voice.start_s)} for {voice.end_s - voice.start_s:.1f} s{over}"
        lines.append(MoveLine("", voice.file.name, words))
    return lines


def expanded(plan: Plan, timeline: Timeline) -> str:
    """Every transition with the lanes that its recipe and its own moves come to, as text of a plan."""
    by_pair = {(t.from_track, t.to_track): t for t in plan.transitions}
    parts = []
    for placed in timeline.transitions:
        out, into = timeline.tracks[placed.outgoing], timeline.tracks[placed.incoming]
        written = by_pair.get((out.name, into.name)) or Transition(from_track=out.name, to_track=into.name)
        lanes = transition_moves(
            written,
            overlap_bars=placed.overlap_bars,
            beats_per_bar=round(placed.beats_per_bar * out.rate),
            recipes=plan.recipes,
        )
        of_layers = {name: written.moves[name] for name in written.layers if name in written.moves}
        names = {"from": out.name, "to": into.name} | {name: name for name in of_layers}
        sides: dict[str, Moves] = {"from": lanes["from"], "to": lanes["to"], **of_layers}
        text = moves_text(sides, names, indent=4)
        head = f"# {placed.index}: {placed.recipe}, {placed.overlap_bars:g} bars{_kept_apart(written)}"
        fields = "".join(f"    {word}: {value}\n" for word, value in _place_texts(written, placed))
        parts.append(f"{head}\n  - from: {out.name}\n    to: {into.name}\n{fields}    recipe: none\n{text}\n")
    return "transitions:\n" + "\n".join(parts)


def _place_texts(written: Transition, placed: TransitionPlacement) -> Iterator[tuple[str, object]]:
    """What the lanes of a transition stand on, as fields of the plan; the overlap in any case."""
    for word in ("leave", "enter", "overlap", "gap", "curve", "count"):
        value = getattr(written, word)
        if word == "overlap" and value is None and written.gap is None:
            yield word, Length(bars=placed.overlap_bars)
        elif value is not None and (word != "curve" or word in written.model_fields_set):
            yield word, value


def _kept_apart(written: Transition) -> str:
    """A word about what a transition has besides, which text made of its lanes must not lose."""
    words = ("tempo", "beatmatch", "nudge", "match_key", "layers", "noise_sweep")
    set_ = [word for word in words if {word, f"{word}_s"} & written.model_fields_set]
    return f"; keep its {', '.join(f'`{word}`' for word in set_)}" if set_ else ""


def _track_lines(track: Track, placed: TrackPlacement, timeline: Timeline) -> Iterator[MoveLine]:
    for edit in track.edits:
        yield MoveLine("", track.name, _edit_words(edit))
    if track.edits and placed.grid.kind != "none":
        yield MoveLine("", track.name, f"bars in the order {order_in_bars(placed)}")
    yield from _lane_lines("", track.name, track.moves, timeline)


def _transition_lines(
    written: Transition, placed: TransitionPlacement, timeline: Timeline
) -> Iterator[MoveLine]:
    where, out, into = str(placed.index), timeline.tracks[placed.outgoing], timeline.tracks[placed.incoming]
    if written.match_key != "off" and out.key is not None and into.key is not None:
        words = f"`match_key`: {key_matched(out.key, into.key, into.shift_semitones)}"
        yield MoveLine(where, into.name, words)
    for name, layer in written.layers.items():
        yield MoveLine(where, name, _layer_words(layer, timeline))
        yield from _lane_lines(where, name, layer.moves, timeline)
    for name, lanes in written.moves.items():
        yield from _lane_lines(where, name, lanes, timeline)
    if written.noise_sweep is not None:
        seconds = [n.end_s - n.start_s for n in timeline.noises if n.transition == placed.index]
        words = f"noise through a {written.noise_sweep.filter} for {sum(seconds):.1f} s"
        yield MoveLine(where, "noise_sweep", words)


def _lane_lines(where: str, name: str, moves: Moves, timeline: Timeline) -> Iterator[MoveLine]:
    for word, text in lane_texts(moves).items():
        if word in EVENTS:
            for point in moves[word]:
                yield MoveLine(
                    where, name, f"`{word}` at {point.position}: {EVENT_WORDS[word]} for {point.move}"
                )
        else:
            yield MoveLine(where, name, f"`{word}` {text}{_meant(word, name, moves, timeline)}")


def _meant(word: str, name: str, moves: Moves, timeline: Timeline) -> str:
    """What a time in beats comes to where an effect that has one begins."""
    if word not in EFFECTS:
        return ""
    bpm = timeline.tempo_map.tempo_at(_first_beat(word, name, moves, timeline))
    control = EFFECTS[word].parameters["time"]
    lane = moves.get(control.name)
    beats = lane[0].value if lane else control.neutral
    every = {"reverb": "decays in"}.get(word, "every")
    quantity = CONTROLS[control.name].quantity
    return f": {every} {quantity.text(beats)}, {beats_to_seconds(beats, bpm):.3f} s at {bpm:.2f} BPM"


def _edit_words(edit: Edit) -> str:
    one = 1.0 in (edit.length.bars, edit.length.beats)
    if edit.word == "skip":
        return f"{edit.length} from {edit.at} on {'is' if one else 'are'} skipped"
    return f"{edit.length} from {edit.at} on {'sounds' if one else 'sound'} {edit.times or 2} times"


def _layer_words(layer: Layer, timeline: Timeline) -> str:
    placed = next((p for p in timeline.layers if p.name == layer.name), None)
    if placed is None:
        return "a layer"
    speed = ratio_to_percent(placed.speed_at(placed.start_beat, timeline.tempo_map))
    change = (
        "at its own speed"
        if abs(speed) < 0.05
        else f"{abs(speed):.1f} % {'faster' if speed > 0 else 'slower'}"
    )
    key = placed.key or "no key known"
    return f"a layer from {format_time(placed.start_s)} to {format_time(placed.end_s)}, {change}, {key}"


def _first_beat(word: str, name: str, moves: Moves, timeline: Timeline) -> float:
    """Mix beat of the first point of a written lane, or of the beginning of what it belongs to."""
    placed = next(track for track in timeline.sounding if track.name == name)
    first = moves[word][0].value if word in moves else None
    beats = (point.beat for point in placed.lanes.get(word, ()) if point.value == first)
    return next(beats, placed.start_beat)
