"""The plan's models go in; JSON Schema of the YAML that a user writes comes out, for editors.

It is looser than the program: it does not know ranges, which cues there are, or that files exist.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mixrender.plan.controls import (
    CONTROLS,
    EFFECTS,
    EVENTS,
    NOISE_CUTOFF,
    NOISE_LEVEL,
    Control,
    Effect,
    Event,
)
from mixrender.plan.fields import SCALARS
from mixrender.plan.lanes import MOVE_TIME_PATTERN
from mixrender.plan.model import Plan
from mixrender.plan.places import InPosition, Length, PlanModel, Position
from mixrender.plan.recipes import RECIPES

JsonSchema = dict[str, Any]

_TEXTS: Mapping[str, Mapping[str, str]] = {
    "Plan": {
        "title": "Title of the mix.",
        "artist": "Who made the mix.",
        "date": "Date of the mix, as it shall be printed.",
        "note": "A note for people.",
        "cover": "Picture for the finished file; the path is relative to the plan.",
        "length": "Wanted length of the mix; `check` says how far off it is.",
        "loudness": "Loudness of the finished mix: numbers, the name of a published target, or both.",
        "limiter": "Whether the limiter may act where a target needs it. Default: true.",
        "output": "The file to write. Default: FLAC, 24 bits, the rate of most tracks.",
        "start": "Where the first track starts, and its fade in.",
        "end": "Where the last track ends, and its fade out.",
        "tempo": "Tempo the mix starts with, and keeps unless a transition says otherwise.",
        "bands": "The two edges between `low`, `mid` and `high`. Default: [250 Hz, 2.5 kHz].",
        "click": "Add a metronome to the clips of `preview`, to judge grids by ear. Default: false.",
        "recipes": "Recipes of one's own, by name.",
        "voices": "Speech laid over the mix, to which the music gives way.",
        "match_loudness": "Level tracks by their loud parts (true), by what meets (regions), or not (false).",
        "tracks": "The tracks, in the order in which they play.",
        "transitions": "How neighbours give way to each other; pairs left out get the default transition.",
    },
    "LoudnessTarget": {
        "name": "Name of a published target.",
        "integrated": "Integrated loudness to reach.",
        "true_peak": "True peak not to exceed. Default: -1 dBTP.",
    },
    "Output": {
        "format": "Kind of file. Default: flac.",
        "bits": "Bits per sample. Default: 24.",
        "rate": "Sample rate. Default: the rate of most tracks.",
        "bitrate": "Bit rate of a lossy format. Default: 320 kbit/s for MP3, 192 for Opus, 256 for others.",
    },
    "StartSpec": {"at": "Where in the first track the mix starts.", "fade": "Length of the fade in."},
    "EndSpec": {"at": "Where in the last track the mix ends.", "fade": "Length of the fade out."},
    "GridSpec": {
        "tempo": "Tempo of the track.",
        "count": "Twice as many beats as were found, or half of them.",
        "shift": "How much later the beats and bar 1 lie than was found; earlier with a minus.",
        "bar_1": "Time in the file at which bar 1 begins.",
        "beats_per_bar": "Beats in a bar.",
    },
    "Track": {
        "file": "The audio file; the path is relative to the plan.",
        "grid": "Facts about the beats that override the analysis.",
        "key": "Musical key, overriding the analysis.",
        "gain": "A trim on top of the matched loudness.",
        "cues": "Names for bars of this track.",
        "key_lock": "Whether the pitch stays when the tempo changes. Default: true.",
        "shift": "Semitones up, or down with a minus.",
        "edits": "What changes which bars sound: stretches repeated or left out.",
        "formants": "With `shift`: whether the timbre of voices moves along. Default: follow.",
        "title": "Title. Default: the file's tag.",
        "artist": "Artist. Default: the file's tag.",
        "note": "A note for people.",
        "moves": "Lanes of controls; positions are bars of this track.",
    },
    "Edit": {
        "repeat": "Where in the track a repeated stretch begins.",
        "skip": "Where in the track a stretch begins that is left out.",
        "length": "How long the stretch is.",
        "times": "How many times it sounds in all. Default: 2.",
    },
    "Voice": {
        "file": "The audio file; the path is relative to the plan.",
        "at": "Where it begins: a place in `track`, or seconds of the mix.",
        "track": "The track that `at` is a place in.",
        "gain": "A trim on top of the matched loudness.",
        "duck": "Whether the music gives way to it. Default: true.",
        "over": "By how much it is louder than the music while it speaks. Default: 10 LU.",
        "attack": "How long before it speaks the music begins to give way. Default: 0.3 s.",
        "release": "How long the music takes to come back. Default: 0.8 s.",
        "moves": "Lanes of controls; positions are seconds of its file.",
        "note": "A note for people.",
    },
    "NoiseSweep": {
        "level": "Lane of its level; positions are bars after the start of the overlap.",
        "cutoff": "Lane of the cutoff of its filter.",
        "filter": "Kind of filter. Default: lowpass.",
    },
    "Recipe": {
        "parameters": "Names that stand in the moves as <name>, and what they stand for if nothing is said.",
        "from": "Lanes of the outgoing track.",
        "to": "Lanes of the incoming track.",
        "note": "A note for people.",
    },
    "TempoRamp": {
        "to": "Tempo to reach. Default: the incoming track's.",
        "start": "Bars after the start of the overlap. Default: 0.",
        "over": "Length of the change. Default: the overlap; 0 bars is a jump.",
    },
    "Transition": {
        "from": "The outgoing track.",
        "to": "The incoming track, the next in `tracks`.",
        "leave": "Where in the outgoing track the overlap begins.",
        "enter": "What of the incoming track sounds there.",
        "overlap": "How long both sound. 0 bars is a cut.",
        "gap": "In place of an overlap: silence between the tracks, for tails to ring.",
        "tempo": "What the mix tempo does: one change or several, or `hold`.",
        "recipe": "A named set of moves. Default: blend.",
        "with": "Values of the parameters of one's own recipe.",
        "match_key": "Shift the incoming track so that its key fits; `force`: by more than two semitones.",
        "layers": "More tracks that sound under this transition, by name.",
        "noise_sweep": "Filtered noise laid over this transition.",
        "curve": "Law of moves to and from silence. Default: equal-power.",
        "count": "How bars of the two tracks are counted against each other.",
        "beatmatch": "Whether the incoming track is stretched to the mix tempo.",
        "nudge": "Play the incoming track that much later than the grids say.",
        "moves": "Lanes of controls, by track; positions are bars after the start of the overlap.",
        "note": "A note for people.",
    },
}

_ALL_TEXTS: Mapping[str, Mapping[str, str]] = {
    **_TEXTS,
    "Layer": {
        **_TEXTS["Track"],
        "at": "Where in the transition it begins. Default: 0.",
        "enter": "What of it sounds there. Default: its enter bar.",
        "length": "How long it sounds. Default: to the end of the overlap, or of its file.",
        "count": "How its bars are counted against those of the outgoing track.",
        "beatmatch": "Whether it is stretched to the mix tempo.",
    },
}


def plan_schema() -> JsonSchema:
    """JSON Schema (draft 2020-12) of a plan file."""
    schema = Plan.model_json_schema(mode="validation")
    parts: dict[str, JsonSchema] = schema.pop("$defs")
    parts.pop("LanePoint")
    parts["Plan"] = schema
    for name, part in parts.items():
        if name in _ALL_TEXTS:
            part["properties"] = _properties(part["properties"], _ALL_TEXTS[name])
            part["description"] = str(_example_of(name))
    _put_moves(parts)
    _put_track(parts)
    _put_noise(parts)
    one_of_two = [{"required": ["repeat"]}, {"required": ["skip"], "properties": {"times": False}}]
    parts["Edit"] |= {"oneOf": one_of_two}
    recipes = [{"enum": list(RECIPES)}, {"type": "string"}]
    parts["Transition"]["properties"]["recipe"] = {
        "anyOf": recipes,
        "description": _TEXTS["Transition"]["recipe"],
    }
    parts["LoudnessTarget"] = {"anyOf": [{"type": "string"}, parts["LoudnessTarget"]]}
    plan = parts.pop("Plan")
    plan["properties"]["tracks"] = _tracks() | {"description": _TEXTS["Plan"]["tracks"]}
    plan["description"] = "A DJ mix, rendered by mixrender."
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Plan of a mix"}
    return head | {key: _tidy(item) for key, item in (plan | {"$defs": parts}).items() if key != "title"}


def _example_of(name: str) -> str:
    example = _kinds(PlanModel)[name].example
    return f"Write {example}." if example else ""


def _kinds(parent: type[PlanModel]) -> dict[str, type[PlanModel]]:
    found: dict[str, type[PlanModel]] = {}
    for kind in parent.__subclasses__():
        found |= {kind.__name__: kind} | _kinds(kind)
    return found


def _properties(properties: JsonSchema, texts: Mapping[str, str]) -> JsonSchema:
    """Properties without null as a value and without defaults in Python's terms, each with its text."""
    result = {}
    for word, value in properties.items():
        choices = [choice for choice in value.pop("anyOf", ()) if choice != {"type": "null"}]
        value.pop("default", None)
        if len(choices) == 1:
            value |= choices[0]
        elif choices:
            value["anyOf"] = choices
        if word in texts:  # `name` of a track is a key in the file
            result[word] = value | {"description": texts[word]}
    return result


def _lane(control: Control) -> JsonSchema:
    """One lane; the positions are keys, which JSON Schema sees as texts."""
    value = control.quantity.pattern.removesuffix("$").removesuffix(r"\s*") + MOVE_TIME_PATTERN
    text = f"{control.text} A value may carry `at once`, or a time such as `in 2 beats`."
    entry = {
        "type": "string",
        "pattern": value,
        "examples": [control.quantity.example, *control.quantity.words],
    }
    return {"type": "object", "additionalProperties": entry, "minProperties": 1, "description": text}


def _effect(effect: Effect, names: JsonSchema) -> JsonSchema:
    """The lane of an effect's amount, or a map of the amount and parameters, each a lane or a value."""

    def part(control: Control) -> JsonSchema:
        single = {"type": "string", "pattern": control.quantity.pattern}
        return {"anyOf": [_lane(control) | names, single], "description": control.text}

    properties = {"amount": part(effect.amount)}
    properties |= {word: part(control) for word, control in effect.parameters.items()}
    whole = {"type": "object", "properties": properties, "additionalProperties": False, "minProperties": 1}
    throughout = {"type": "string", "pattern": effect.amount.quantity.pattern}
    return {"anyOf": [_lane(effect.amount) | names, throughout, whole], "description": effect.text}


def _event(event: Event) -> JsonSchema:
    entry = {"type": "string", "pattern": Length.pattern, "examples": ["1 beat", "0.4 s"]}
    return {"type": "object", "additionalProperties": entry, "minProperties": 1, "description": event.text}


def _moves(place: type[Position] | type[InPosition]) -> JsonSchema:
    names = {"propertyNames": {"pattern": place.pattern}}
    lanes = {name: _lane(control) | names for name, control in CONTROLS.items() if _is_lane(name)}
    lanes |= {name: _effect(effect, names) for name, effect in EFFECTS.items()}
    lanes |= {name: _event(event) | names for name, event in EVENTS.items()}
    return {"type": "object", "properties": lanes, "additionalProperties": False}


def _is_lane(name: str) -> bool:
    return name.split(".")[0] not in EFFECTS


def _put_noise(parts: dict[str, JsonSchema]) -> None:
    names = {"propertyNames": {"pattern": InPosition.pattern}}
    for word, control in (("level", NOISE_LEVEL), ("cutoff", NOISE_CUTOFF)):
        text = {"description": _TEXTS["NoiseSweep"][word]}
        single = {"type": "string", "pattern": control.quantity.pattern}
        parts["NoiseSweep"]["properties"][word] = {"anyOf": [_lane(control) | names, single]} | text


def _put_moves(parts: dict[str, JsonSchema]) -> None:
    parts["TrackMoves"] = _moves(Position)
    parts["TransitionMoves"] = _moves(InPosition)
    track, transition = parts["Track"]["properties"], parts["Transition"]["properties"]
    by_track = {"type": "object", "additionalProperties": {"$ref": "#/$defs/TransitionMoves"}}
    for part in (track, parts["Layer"]["properties"], parts["Voice"]["properties"]):
        part["moves"] = {"$ref": "#/$defs/TrackMoves", "description": part["moves"]["description"]}
    # A recipe's moves hold its parameters, which only the program can fill in.
    for side in ("from", "to"):
        text = _TEXTS["Recipe"][side]
        parts["Recipe"]["properties"][side] = {"type": "object", "description": text}
    transition["moves"] = by_track | {"description": transition["moves"]["description"]}
    ramp = {"$ref": "#/$defs/TempoRamp"}
    tempo = {"anyOf": [{"const": "hold"}, ramp, {"type": "array", "items": ramp, "minItems": 1}]}
    transition["tempo"] = tempo | {"description": transition["tempo"]["description"]}


def _put_track(parts: dict[str, JsonSchema]) -> None:
    """A track is a map of fields, or its file alone."""
    for name in ("Track", "Layer"):
        fields = parts[name] | {"required": ["file"]}
        fields["properties"]["file"] = {"type": "string", "description": _TEXTS["Track"]["file"]}
        fields["properties"]["cues"] |= {"additionalProperties": {"type": SCALARS}}
        parts[f"{name}Fields"] = fields
        parts[name] = {"anyOf": [{"type": "string"}, {"$ref": f"#/$defs/{name}Fields"}]}
    parts["Voice"]["required"] = ["file", "at"]
    parts["Voice"]["properties"]["file"] = {"type": "string", "description": _TEXTS["Voice"]["file"]}


def _tracks() -> JsonSchema:
    track = {"$ref": "#/$defs/Track"}
    named = {"type": "object", "additionalProperties": track, "minProperties": 1}
    # `file` alone in an item of a list is the field, not a name.
    single = named | {"maxProperties": 1, "propertyNames": {"not": {"const": "file"}}}
    item = {"anyOf": [track, single]}
    return {"anyOf": [named, {"type": "array", "items": item, "minItems": 1}]}


def _tidy(part: Any) -> Any:
    """The schema without the titles that pydantic makes of Python names; words of the language are kept."""
    if isinstance(part, list):
        return [_tidy(item) for item in part]
    if not isinstance(part, dict):
        return part
    return {key: _tidy(item) for key, item in part.items() if key != "title" or isinstance(item, dict)}
