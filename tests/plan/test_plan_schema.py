"""The JSON Schema takes the plans that the program takes, and refuses what an editor can see to be wrong."""

import math
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from mixrender.errors import PlanError
from mixrender.plan.controls import CONTROLS
from mixrender.plan.faults import _MODELS, words_of
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.plan.schema import plan_schema

DATA = Path(__file__).parent / "data"
GOOD = sorted((DATA / "good").glob("*.yaml"))
# Not in these: what no schema can see, such as cues, files, the order of tracks, and text that is not YAML.
BAD = ["fields", "quantities", "lanes", "no_tracks", "tracks_misspelt", "tracks_text", "tracks_empty", "list"]

SCHEMA = plan_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def as_editors_see_it(text):
    """The data of a YAML text as JSON has them: all keys are texts, dates are texts."""

    def plain(value):
        if isinstance(value, dict):
            return {str(key): plain(item) for key, item in value.items()}
        if isinstance(value, list):
            return [plain(item) for item in value]
        return value if isinstance(value, (str, int, float, bool, type(None))) else str(value)

    yaml = YAML(typ="safe", pure=True)
    yaml.allow_duplicate_keys = True
    return plain(yaml.load(text))


def errors_of(text):
    return list(VALIDATOR.iter_errors(as_editors_see_it(text)))


def one(field):
    return f"tracks: [a.wav, b.wav]\n{field}"


def transition(field):
    return f"tracks: [a.wav, b.wav]\ntransitions: [{{from: a, to: b, {field}}}]"


def test_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("plan", GOOD, ids=lambda path: path.stem)
def test_good_plan_fits_the_schema(plan):
    assert [error.message for error in errors_of(plan.read_text(encoding="utf-8"))] == []


@pytest.mark.parametrize("name", BAD)
def test_bad_plan_does_not_fit_the_schema(name):
    assert errors_of((DATA / "bad" / f"{name}.yaml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text",
    [
        one("tempo: 126"),
        one("tempo: 126 Hz"),
        one("length: 58:30"),
        one("length: ''"),
        one("limiter: 'yes'"),
        one("output: {bits: 32}"),
        one("bands: [250 Hz]"),
        one("match_loudness: 'off'"),
        one("start: {at: bar 5}"),
        one("titel: x"),
        transition("overlap: 16"),
        transition("tempo: x"),
        transition("tempo: []"),
        transition("leave: 1:23 h"),
        transition("moves: {a: {lwo: {0: kill}}}"),
        transition("moves: {a: {low: {0: silent}}}"),
        transition("moves: {a: {low: {8 bars: kill}}}"),
        transition("moves: {a: {low: {8: kill in 2}}}"),
        transition("moves: {a: {low: {}}}"),
        "tracks: [{a: a.wav, b: b.wav}]",
        "tracks: {a: {gain: -1 dB}}",
        "tracks: {a: {file: a.wav, key: F}}",
        "tracks: {a: {file: a.wav, grid: {count: twice}}}",
        "tracks: {a: {file: a.wav, grid: {shift: 1}}}",
        "tracks: {a: {file: a.wav, grid: {shift: 1 min}}}",
    ],
)
def test_schema_and_program_both_refuse(text):
    assert errors_of(text)
    with pytest.raises(PlanError, match=r"^mix\.yaml:[0-9]+:[0-9]+: "):
        parse_plan(text, file=Path("mix.yaml"))


@pytest.mark.parametrize(
    "text",
    [
        one("tempo: 126BPM"),
        one("loudness: -14 LUFS"),
        one("loudness: some target"),
        one("title: 1999"),
        one("output: {rate: 44.1 kHz}"),
        one("match_loudness: true"),
        one("start: {at: drop - 8}"),
        transition("overlap: 1/2 bar"),
        transition("leave: 97 + 0.75"),
        transition("leave: 184.2 s"),
        transition("enter: -1"),
        transition("nudge: -4 ms"),
        transition("moves: {a: {level: {end - 4: 0 dB, end: silent in 2 beats}}}"),
        transition("moves: {a: {level: {8.5: SILENT at once}}}"),
        transition("tempo: {over: 0 bars}"),
        "tracks: {1: a.wav, 2: {file: b.wav, shift: +1}}",
        "tracks: {a: {file: a.wav, grid: {count: half, shift: -1/2 Beat}}}",
        "tracks: {a: {file: a.wav, grid: {shift: -12ms}}}",
        "tracks: {a: {file: a.wav, grid: {shift: 1 bar, bar_1: 1 min 2.5 s}}}",
    ],
)
def test_schema_and_program_both_take(text):
    assert [error.message for error in errors_of(text)] == []
    assert parse_plan(text).tracks


def test_recipe_that_does_not_exist_does_not_fit_the_schema():
    assert errors_of(transition("recipe: blnd"))


def test_every_field_and_control_is_described():
    parts = SCHEMA["$defs"] | {"Plan": SCHEMA}
    parts["Track"], parts["LoudnessTarget"] = parts["TrackFields"], parts["LoudnessTarget"]["anyOf"][1]
    for kind in set(_MODELS.values()):
        properties = parts[kind.__name__]["properties"]
        assert words_of(kind) == list(properties)
        assert all(properties[word].get("description") for word in words_of(kind))
    assert (
        list(CONTROLS)
        == list(parts["TransitionMoves"]["properties"])
        == list(parts["TrackMoves"]["properties"])
    )
    assert "$schema" in SCHEMA and Plan.__name__ not in SCHEMA["$defs"]


def test_neutral_of_every_control_is_one_of_its_values():
    for control in CONTROLS.values():
        text = "open" if math.isnan(control.neutral) else "0 dB"
        assert control.is_neutral(control.parse(text))
