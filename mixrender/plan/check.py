"""A plan goes in; what is wrong or doubtful in it, as far as plan and file names tell, comes out."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import islice
from pathlib import Path

from mixrender.errors import Problem
from mixrender.plan.idle import idle_duckings, idle_recipes
from mixrender.plan.model import Layer, Plan, PlanPath, Position, Sound, Track, Transition
from mixrender.plan.quantities import nearest, one_of, shorten, suggestion
from mixrender.plan.recipes import RECIPES

_LISTED = 5000


def check_plan(plan: Plan, *, broken: Collection[PlanPath] = ()) -> list[Problem]:
    """Errors and warnings of a plan, in the order of their lines.

    `broken` are places already known to be at fault and left out of the plan: what only follows from them
    is not reported.
    """
    problems = [
        problem
        for check, needs in _CHECKS
        if not any(_breaks(path, needs) for path in broken)
        for problem in check(plan)
    ]
    problems += _unknown_names(plan, broken)
    return sorted(problems, key=lambda problem: (problem.line or 0, problem.column or 0))


def _breaks(path: PlanPath, needs: str) -> bool:
    """Whether a fault at a path leaves a check without the ground it stands on."""
    if not needs:
        return False
    order = path[:1] in (("tracks",), ("transitions",)) and (len(path) <= 2 or path[2] in ("from", "to"))
    # An item that is left out of a list moves those behind it.
    moved = "edits" in path or path[:1] == ("voices",)
    broken = {"cues": "cues" in path or moved, "voices": moved, "recipes": path[:1] == ("recipes",)}
    return path == () or (order and needs != "voices") or broken.get(needs, False)


def _files(plan: Plan) -> Iterator[Problem]:
    yield from _missing_files(plan, (*plan.tracks, *plan.layers))
    if plan.cover is not None and (fault := _file_fault(plan.folder / plan.cover)) is not None:
        yield plan.problem(("cover",), fault)


def _voice_files(plan: Plan) -> Iterator[Problem]:
    yield from _missing_files(plan, plan.voices)


def _missing_files(plan: Plan, sounds: Iterable[Sound]) -> Iterator[Problem]:
    for sound in sounds:
        fault = _file_fault(sound.path)
        if fault is not None:
            path: PlanPath = (*plan.path_of(sound), "file")
            yield plan.problem(path, fault + _quotes_hint(plan, path, sound))


def _file_fault(file: Path) -> str | None:
    """What keeps a file from being read, as far as its folder tells."""
    try:
        if file.is_file():
            return None
        if file.is_dir():
            return f"`{file}` is a folder; write a file"
        if not file.parent.is_dir():
            return f"`{file}` does not exist: there is no folder `{file.parent}`"
        names = [entry.name for entry in islice(file.parent.iterdir(), _LISTED)]
    except OSError as error:
        return f"`{file}` cannot be read ({error.strerror})"
    near = nearest(file.name, names)
    hint = f" (did you mean `{near}`?)" if near is not None else ""
    return f"`{file}` does not exist{hint}"


def _quotes_hint(plan: Plan, path: PlanPath, track: Sound) -> str:
    """A word about quotes where YAML has cut a file name at ` #` or `: `."""
    place = plan.where(path)
    if place is None:
        return ""
    line = plan.line_text(place[0])
    if " #" in line[place[1] - 1 :]:
        return "; ` #` begins a comment: a file name that holds it needs quotes"
    item = line.strip().removeprefix("- ")
    if line.lstrip().startswith("- ") and item.startswith(f"{track.name}: "):
        return f"; if the file's name is `{item}`, it needs quotes"
    return ""


def _tracks(plan: Plan) -> Iterator[Problem]:
    if not plan.tracks:
        yield plan.problem(("tracks",), "the plan has no tracks; write a list of audio files")
    names = [track.name for track in plan.tracks]
    for index, name in enumerate(names):
        if name in names[:index]:
            yield plan.problem(("tracks", name), f"two tracks are named `{name}`; rename one")


def _pairs(plan: Plan) -> Iterator[Problem]:
    """Transitions name neighbours, each pair once, in the order of the tracks."""
    names = [track.name for track in plan.tracks]
    seen: dict[int, int] = {}
    for index, transition in enumerate(plan.transitions):
        if not {transition.from_track, transition.to_track} <= set(names):
            continue  # reported as an unknown name
        first, second = names.index(transition.from_track), names.index(transition.to_track)
        if second != first + 1:
            yield plan.problem(("transitions", index), _not_neighbours(transition, names))
        elif first in seen:
            text = (
                f"`{names[first]}` to `{names[second]}` already has transitions[{seen[first] + 1}]; "
                "keep one of the two"
            )
            yield plan.problem(("transitions", index), text)
        else:
            if any(other > first for other in seen):
                text = (
                    f"`{names[first]}` to `{names[second]}` comes too late: transitions stand in the order "
                    "of the tracks; move this one up"
                )
                yield plan.problem(("transitions", index), text)
            seen[first] = index


def _unknown_names(plan: Plan, broken: Collection[PlanPath]) -> Iterator[Problem]:
    """Transitions name tracks that exist, be they at fault themselves."""
    if any(path[:1] == ("transitions",) and len(path) <= 2 for path in broken):
        return  # transitions are missing, and with them the places of the others
    names = [track.name for track in plan.tracks]
    faulty = [path[1] for path in broken if path[:1] == ("tracks",) and len(path) > 1]
    if any(isinstance(name, int) for name in faulty):
        return  # a track whose name is not known
    for index, transition in enumerate(plan.transitions):
        for field, name in (("from", transition.from_track), ("to", transition.to_track)):
            if name not in names and name not in faulty:
                text = f"there is no track `{name}`; {suggestion(name, names)}"
                yield plan.problem(("transitions", index, field), text)


def _not_neighbours(transition: Transition, names: list[str]) -> str:
    a, b = transition.from_track, transition.to_track
    text = f"`{a}` and `{b}` are not neighbours, in this order, among the tracks"
    if names[-1] == a:
        return f"{text}; `{a}` is the last one"
    return f"{text}; after `{a}` comes `{names[names.index(a) + 1]}`"


def _cues(plan: Plan) -> Iterator[Problem]:
    """Every cue that a position names belongs to the track it is a position of."""
    tracks = {track.name: track for track in plan.tracks}
    for path, position, track in _positions(plan, tracks):
        if position.cue is not None and position.cue not in track.cues:
            text = f"track `{track.name}` has no cue `{position.cue}`; {_cue_hint(position.cue, track)}"
            yield plan.problem(path, text)


def _positions(plan: Plan, tracks: dict[str, Track]) -> Iterator[tuple[PlanPath, Position, Track]]:
    if plan.tracks and plan.start.at is not None:
        yield ("start", "at"), plan.start.at, plan.tracks[0]
    if plan.tracks and plan.end.at is not None:
        yield ("end", "at"), plan.end.at, plan.tracks[-1]
    for track in (*plan.tracks, *plan.layers):
        path = plan.path_of(track)
        for number, edit in enumerate(track.edits):
            yield (*path, "edits", number, edit.word), edit.at, track
        for control, lane in track.moves.items():
            for point in lane:
                if isinstance(point.position, Position):
                    yield (*path, "moves", *control.split(".")), point.position, track
        if isinstance(track, Layer) and track.enter is not None:
            yield (*path, "enter"), track.enter, track
    for index, voice in enumerate(plan.voices):
        if voice.track in tracks:
            yield ("voices", index, "at"), voice.at, tracks[voice.track]
    for index, transition in enumerate(plan.transitions):
        if transition.leave is not None and transition.from_track in tracks:
            yield ("transitions", index, "leave"), transition.leave, tracks[transition.from_track]
        if transition.enter is not None and transition.to_track in tracks:
            yield ("transitions", index, "enter"), transition.enter, tracks[transition.to_track]


def _cue_hint(cue: str, track: Track) -> str:
    match = re.fullmatch(r"(.+?)-([0-9.]+)", cue)
    if match and match[1] in track.cues:
        return f"write `{match[1]} - {match[2]}`, with spaces"
    if not track.cues:
        return "it has none; name one under `cues:`, or write a bar"
    return suggestion(cue, track.cues)


def _recipes(plan: Plan) -> Iterator[Problem]:
    for name in plan.recipes:
        if name in RECIPES:
            text = f"`{name}` is a recipe of the program's own; choose another name"
            yield plan.problem(("recipes", name), text)
    known = (*plan.recipes, *RECIPES)
    for index, transition in enumerate(plan.transitions):
        path: PlanPath = ("transitions", index)
        values = transition.recipe_values
        if transition.recipe not in known:
            text = f"there is no recipe {shorten(transition.recipe)}; {suggestion(transition.recipe, known)}"
            yield plan.problem((*path, "recipe"), text)
        elif transition.recipe not in plan.recipes:
            if values:
                text = f"`{transition.recipe}` has no parameters; write its lanes under `moves`"
                yield plan.problem((*path, "with"), text)
        else:
            recipe = plan.recipes[transition.recipe]
            for name in recipe.unknown(values):
                text = (
                    f"`{transition.recipe}` has no parameter `{name}`; {suggestion(name, recipe.parameters)}"
                )
                yield plan.problem((*path, "with", name), text)
            for loc, fault in recipe.faults(values):
                where = ".".join(str(part) for part in loc)
                yield plan.problem((*path, "with"), f"in `{transition.recipe}`, {where}: {fault}")


def _moved_tracks(plan: Plan) -> Iterator[Problem]:
    for index, transition in enumerate(plan.transitions):
        names = dict.fromkeys((transition.from_track, transition.to_track, *transition.layers))
        for name in transition.moves:
            if name not in names:
                text = f"moves belong to what sounds in the transition: {one_of(names)}, not {shorten(name)}"
                yield plan.problem(("transitions", index, "moves", name), text)


def _layers(plan: Plan) -> Iterator[Problem]:
    """Layers have names of their own."""
    names = {track.name for track in plan.tracks}
    for index, transition in enumerate(plan.transitions):
        for name in transition.layers:
            if name in names:
                text = f"`{name}` is the name of another track or layer; choose another one"
                yield plan.problem(("transitions", index, "layers", name), text)
            names.add(name)


def _voices(plan: Plan) -> Iterator[Problem]:
    """Voices speak at a place in a track that there is, or at a time of the mix."""
    names = [track.name for track in plan.tracks]
    for index, voice in enumerate(plan.voices):
        path: PlanPath = ("voices", index)
        if voice.track is not None and voice.track not in names:
            text = f"there is no track `{voice.track}`; {suggestion(voice.track, names)}"
            yield plan.problem((*path, "track"), text)
        elif voice.track is None and voice.at.seconds is None:
            text = "without `track` this is a time of the mix: write seconds, `62 s`, or name the track"
            yield plan.problem((*path, "at"), text)
        for control, lane in voice.moves.items():
            if any(isinstance(p.position, Position) and p.position.seconds is None for p in lane):
                text = "places in a voice are seconds of its file, such as `1.5 s`"
                yield plan.problem((*path, "moves", *control.split(".")), text)


def _contradictions(plan: Plan) -> Iterator[Problem]:
    """Fields that do not go together."""
    for index, transition in enumerate(plan.transitions):
        if transition.gap is not None and transition.overlap is not None:
            text = "`gap` and `overlap` exclude each other; keep one"
            yield plan.problem(("transitions", index, "gap"), text)
        if transition.count is not None and transition.beatmatch is False:
            text = "`count` has no effect where `beatmatch` is `false`"
            yield plan.problem(("transitions", index, "count"), text, "warning")
        if transition.match_key != "off":
            track = next((t for t in plan.tracks if t.name == transition.to_track), None)
            if track is not None and not track.key_lock:
                text = (
                    f"`{track.name}` has no key lock, so its key cannot be matched; take one of the two away"
                )
                yield plan.problem(("transitions", index, "match_key"), text)
    matched = {transition.to_track for transition in plan.transitions if transition.match_key != "off"}
    for track in (*plan.tracks, *plan.layers):
        if track.shift_semitones and not track.key_lock:
            text = "`shift` needs key lock; take away `key_lock: false`, or `shift`"
            yield plan.problem((*plan.path_of(track), "shift"), text)
        shifted = track.shift_semitones or track.name in matched
        if track.formants == "keep" and not shifted:
            text = "`formants: keep` has no effect without a `shift`"
            yield plan.problem((*plan.path_of(track), "formants"), text, "warning")
    output = plan.output
    for word, text in output.unfit():
        yield plan.problem(("output", word), text)


# What a check stands on: nothing, the `voices`, the `order` of tracks and transitions, or also the `cues` or
# `recipes`.
_CHECKS: tuple[tuple[Callable[[Plan], Iterator[Problem]], str], ...] = (
    (_files, ""),
    (_voice_files, "voices"),
    (_tracks, ""),
    (_pairs, "order"),
    (_cues, "cues"),
    (_recipes, "recipes"),
    (_moved_tracks, "order"),
    (_layers, "order"),
    (_voices, "cues"),
    (_contradictions, "order"),
    (idle_duckings, "voices"),
    (idle_recipes, "recipes"),
)
