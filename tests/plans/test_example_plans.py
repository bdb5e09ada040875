"""The example plans: each checks without a warning, can be heard, and renders; together they show it all."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any, get_args

import pytest
import soundfile
from ruamel.yaml import YAML

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.demo.tracks import make_tracks
from mixrender.plan.controls import CONTROLS, EFFECTS, EVENTS, WORDS
from mixrender.plan.faults import words_of
from mixrender.plan.load import load_plan
from mixrender.plan.model import (
    Curve,
    Edit,
    EndSpec,
    GridSpec,
    Layer,
    LoudnessTarget,
    NoiseSweep,
    Output,
    Plan,
    Recipe,
    StartSpec,
    TempoRamp,
    Track,
    Transition,
    Voice,
)
from mixrender.plan.recipes import RECIPES

PLANS = Path(__file__).parents[2] / "plans"
NAMES = sorted(path.name for path in PLANS.glob("*.yaml"))

CEILING_ROOM_DB = 0.1
"""The limiter's detector and the meter may differ by this much (the bound of `render.master.verdict`)."""

STEADY_MS = 3.0
"""Bound of the median distance of two tracks' beats: under it no nudge is suggested."""


@pytest.fixture(scope="session")
def examples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the project's own after `mixrender demo`: the demo's tracks, and the plans beside them."""
    root = tmp_path_factory.mktemp("examples")
    make_tracks(root / "mixrender-demo")
    shutil.copytree(PLANS, root / "plans", ignore=lambda folder, names: set(names) - set(NAMES))
    return root / "plans"


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Cache:
    return Cache(tmp_path_factory.mktemp("cache"))


def document(name: str) -> Any:
    return YAML(typ="safe").load(PLANS / name)


def test_there_are_at_least_eight_and_the_first_is_two_lines():
    lines = (PLANS / NAMES[0]).read_text(encoding="utf-8").splitlines()

    assert len(NAMES) >= 8
    assert len([line for line in lines if not line.startswith("#")]) == 2


@pytest.mark.parametrize("name", NAMES)
def test_a_plan_begins_by_saying_what_it_shows(name):
    assert (PLANS / name).read_text(encoding="utf-8").startswith("# ")


@pytest.mark.parametrize("name", NAMES)
def test_a_plan_resolves_without_a_warning(name, examples, cache):
    plan = load_plan(examples / name)
    timeline = api.resolve(plan, cache=cache)

    assert [str(problem) for problem in (*plan.warnings, *timeline.problems)] == []
    assert len(timeline.transitions) == len(plan.tracks) - 1


@pytest.mark.parametrize("name", NAMES)
def test_the_last_transition_of_a_plan_can_be_heard(name, examples, cache, tmp_path):
    plan = load_plan(examples / name)
    number = len(plan.tracks) - 1

    result = api.preview(plan, tmp_path, only=[number], lead_bars=1, tail_bars=1, cache=cache)

    measure = result.transitions[-1]
    assert measure is not None and measure.clip is not None
    info = soundfile.info(measure.clip.path)
    print(
        f"{name}: {info.duration:.2f} s, {measure.clip.loudness.integrated_lufs} LUFS, {measure.beat_offset}"
    )
    assert measure.clip.path.name.startswith(f"{number:02d}-")
    assert info.frames == round(measure.clip.duration_s * info.samplerate)
    assert measure.clip.loudness.integrated_lufs is not None
    if measure.beat_offset is not None:
        assert abs(measure.beat_offset.median) <= STEADY_MS


@pytest.mark.accuracy
@pytest.mark.parametrize("name", NAMES)
def test_a_plan_renders_as_it_was_resolved(name, examples, cache, tmp_path):
    plan = load_plan(examples / name)

    result = api.render(plan, tmp_path, cache=cache)

    info = soundfile.info(result.files[0])
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert result.loudness is not None and result.loudness.true_peak_dbtp is not None
    ceiling_dbtp = plan.loudness.true_peak_dbtp if plan.loudness else -1.0
    print(
        f"{name}: {info.duration:.2f} s, {result.loudness.integrated_lufs:.2f} LUFS, "
        f"{result.loudness.true_peak_dbtp:.2f} dBTP, ceiling {ceiling_dbtp} dBTP"
    )
    assert info.frames == pytest.approx(result.timeline.duration_s * info.samplerate, abs=1)
    assert result.loudness.true_peak_dbtp <= ceiling_dbtp + CEILING_ROOM_DB
    assert [str(warning) for warning in result.all_warnings()] == []
    assert report["mix"]["integrated_lufs"] == result.loudness.integrated_lufs
    assert (report["mix"]["target"] is None) == (plan.loudness is None)
    if report["mix"]["target"] is not None:
        assert report["mix"]["target"]["verdict"] == "pass"


def test_counting_double_and_half_stretches_nothing(examples, cache):
    timeline = api.resolve(load_plan(examples / "04-half-and-double.yaml"), cache=cache)

    for transition in timeline.transitions:
        for change in transition.tempo_change_percent.values():
            assert (change.min, change.max) == (0.0, 0.0)


def test_the_sixteen_bits_and_the_rate_that_a_plan_asks_for_are_delivered(examples, cache, tmp_path):
    plan = load_plan(examples / "08-loudness-and-output.yaml")

    result = api.preview(plan, tmp_path, only=[1], lead_bars=0, tail_bars=0, cache=cache)

    info = soundfile.info(result.files[0])
    assert (info.format, info.subtype, info.samplerate) == ("FLAC", "PCM_16", 48_000)


# --- together they show the whole language ---------------------------------------------------------------

UNSHOWN = {(Plan, "cover"), (LoudnessTarget, "name"), (Output, "bitrate")}
"""A cover needs a picture; the name of a target stands as the value of `loudness` itself; a bit rate needs a
lossy format, whose peaks no plan knows beforehand: the manual shows it."""


def maps_of(kind: type, plan: dict[str, Any]) -> list[dict[str, Any]]:
    """Every map of a plan that is read as a model of this kind."""
    tracks = plan["tracks"].values() if isinstance(plan["tracks"], dict) else plan["tracks"]
    tracks = [track if isinstance(track, dict) else {"file": track} for track in tracks]
    transitions = plan.get("transitions", [])
    layers = [layer for t in transitions for layer in t.get("layers", {}).values()]
    ramps = [t["tempo"] for t in transitions if isinstance(t.get("tempo"), dict)]
    ramps += [ramp for t in transitions if isinstance(t.get("tempo"), list) for ramp in t["tempo"]]
    found: dict[type, list[Any]] = {
        Plan: [plan],
        Track: tracks,
        Transition: transitions,
        Layer: [layer if isinstance(layer, dict) else {"file": layer} for layer in layers],
        NoiseSweep: [t["noise_sweep"] for t in transitions if "noise_sweep" in t],
        TempoRamp: ramps,
        Edit: [edit for track in tracks for edit in track.get("edits", [])],
        GridSpec: [track["grid"] for track in tracks if "grid" in track],
        StartSpec: [plan["start"]] if "start" in plan else [],
        EndSpec: [plan["end"]] if "end" in plan else [],
        Output: [plan["output"]] if "output" in plan else [],
        LoudnessTarget: [plan["loudness"]] if "loudness" in plan else [],
        Voice: plan.get("voices", []),
        Recipe: list(plan.get("recipes", {}).values()),
    }
    return found[kind]


MODELS = (
    *(Plan, Track, Transition, Layer, NoiseSweep, TempoRamp, Edit, GridSpec, StartSpec, EndSpec),
    *(Output, LoudnessTarget, Voice, Recipe),
)


@pytest.mark.parametrize("kind", MODELS)
def test_every_field_of_the_language_is_used_somewhere(kind):
    used = {field for name in NAMES for map_ in maps_of(kind, document(name)) for field in map_}

    # A layer is a track with more fields.
    wanted = [word for word in words_of(kind) if kind is not Layer or word not in words_of(Track)]
    assert [word for word in wanted if word not in used and (kind, word) not in UNSHOWN] == []


def all_moves() -> list[dict[str, Any]]:
    """The moves of each track, layer and voice, their own and those of transitions and recipes."""
    plans = [document(name) for name in NAMES]
    owners = [map_ for plan in plans for kind in (Track, Layer, Voice) for map_ in maps_of(kind, plan)]
    found = [owner["moves"] for owner in owners if "moves" in owner]
    found += [m for plan in plans for t in maps_of(Transition, plan) for m in t.get("moves", {}).values()]
    recipes = [recipe for plan in plans for recipe in maps_of(Recipe, plan)]
    return found + [recipe[side] for recipe in recipes for side in ("from", "to") if side in recipe]


def test_every_control_effect_parameter_and_event_is_used_somewhere():
    words = {word for moves in all_moves() for word in moves}
    parameters = {
        f"{name}.{word}"
        for moves in all_moves()
        for name, lane in moves.items()
        if name in EFFECTS
        for word in lane
        if f"{name}.{word}" in CONTROLS
    }

    assert words == set(WORDS)
    assert parameters == {name for name in CONTROLS if "." in name}
    assert set(EVENTS) <= words


def test_every_recipe_curve_and_count_is_used_somewhere():
    transitions = [t for name in NAMES for t in maps_of(Transition, document(name))]
    own = {recipe for name in NAMES for recipe in document(name).get("recipes", {})}
    said = {key: {t[key] for t in transitions if key in t} for key in ("recipe", "curve", "count")}

    assert own and said["recipe"] == set(RECIPES) | own
    assert said["curve"] == set(get_args(Curve))
    assert said["count"] == {"plain", "half", "double"}
