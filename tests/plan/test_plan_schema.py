"""The JSON Schema takes the plans that the program takes, and refuses what an editor can see to be wrong."""

import re
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from mixrender.errors import PlanError
from mixrender.plan.controls import CONTROLS, EFFECTS, WORDS
from mixrender.plan.faults import _MODELS, words_of
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.plan.schema import plan_schema

DATA = Path(__file__).parent / "data"
EXAMPLES = Path(__file__).parents[2] / "plans"
GOOD = [*sorted((DATA / "good").glob("*.yaml")), *sorted(EXAMPLES.glob("*.yaml"))]
# Not in these: what no schema can see, such as cues, files, the order of tracks, and text that is not YAML.
BAD = [
    *("fields", "quantities", "lanes", "no_tracks", "tracks_misspelt", "tracks_text", "tracks_empty", "list"),
    *("effects_and_events", "edits_and_pitch", "layers_and_voices", "names_of_sounds", "recipes"),
]

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


def voice(field):
    return f"tracks: [a.wav, b.wav]\nvoices: [{{file: v.wav, {field}}}]"


def edit(field):
    return f"tracks: {{a: {{file: a.wav, edits: [{{{field}}}]}}}}"


def layer(field):
    return transition(f"layers: {{c: {{file: c.wav, {field}}}}}")


def test_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("plan", GOOD, ids=lambda path: path.stem)
def test_good_plan_fits_the_schema(plan):
    assert [error.message for error in errors_of(plan.read_text(encoding="utf-8"))] == []


def manual_plans():
    """Examples of the manual, completed where they show a part; no lanes of recipes, nor the faulty plan."""
    text = (EXAMPLES / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```yaml\n((?!# ).*?)^```", text, re.MULTILINE | re.DOTALL)
    return [block if "tracks:\n" in block else f"tracks: [a.wav, b.wav]\n{block}" for block in blocks]


@pytest.mark.parametrize("text", manual_plans())
def test_plan_of_the_manual_fits_the_schema(text):
    assert [error.message for error in errors_of(text)] == []


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
        "tracks: {a: {file: a.wav, formants: kept}}",
        transition("moves: {a: {echo: loud}}"),
        transition("moves: {a: {echo: {0: 60}}}"),
        transition("moves: {a: {echo: {amount: {0: 60 %}, wet: 3 %}}}"),
        transition("moves: {a: {echo: {feedback: 50}}}"),
        transition("moves: {a: {echo.feedback: {0: 50 %}}}"),
        transition("moves: {a: {gate: {open: {0: 1 beat}}}}"),
        transition("moves: {a: {flanger: {delay: 3 s}}}"),
        transition("moves: {a: {mute: {0: 1}}}"),
        transition("moves: {a: {mute: 1 beat}}"),
        transition("moves: {a: {mute: {}}}"),
        transition("moves: {a: {reverse: {0: 1 beat in 1 bar}}}"),
        transition("moves: {a: {level: {centre: silent}}}"),
        transition("moves: {a: {level: {25 % + 1: silent}}}"),
        transition("curve: smoth"),
        transition("match_key: 2"),
        transition("with: 60 %"),
        transition("noise_sweep: {level: {0: silent}}"),
        transition("noise_sweep: {level: {0: silent}, cutoff: {0: open}}"),
        layer("at: bar 3"),
        layer("length: 8"),
        layer("over: 10 LU"),
        transition("layers: {c: {enter: 3}}"),
        voice("gain: 1 dB"),
        voice("at: 3 s, over: 10 dB"),
        voice("at: 3 s, cues: {a: 1}"),
        edit("length: 4 bars"),
        edit("repeat: 1, skip: 9, length: 4 bars"),
        edit("repeat: 1"),
        edit("skip: 9, length: 4 bars, times: 2"),
        edit("repeat: 9, length: 4 bars, times: 1"),
        edit("repeat: 9, length: 4"),
        edit("repeat: 9 pass one, length: 4 bars"),
        one("recipes: {wash: {parameters: [a]}}"),
        one("recipes: {wash: {form: {}}}"),
        one("click: 'yes'"),
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
        one("loudness: -14 LUFS, -1 dBTP"),
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
        "tracks: {a: {file: a.wav, shift: 2, formants: keep}}",
        transition("moves: {a: {echo: 60 %}}"),
        transition("noise_sweep: {level: {0: silent}, cutoff: 800 Hz}"),
        transition("moves: {a: {echo: {25%: 0 %, middle + 1: 60 % in 1 beat, End: 0% at once}}}"),
        transition(
            "moves: {a: {echo: {amount: {0: 60 %}, time: 3/4 beat, feedback: {0: 50 %}, damping: open}}}"
        ),
        transition("moves: {a: {reverb: {time: 8 Beats}, phaser: {centre: 1.2 kHz}, flanger: {delay: 4ms}}}"),
        transition("moves: {a: {gate: {amount: {0: 100 %}, time: 1/3 beat, open: 40 %}}}"),
        transition("moves: {a: {mute: {0: 400 ms}, reverse: {8: 1/2 beat}, brake: {end - 1: 1 bar}}}"),
        transition("moves: {b: {spin_up: {0: 1 bar}}}"),
        "tracks: {a: {file: a.wav, moves: {mute: {83.2 s: 0.4 s, drop pass 1: 1 beat}}}}",
        transition("curve: cut"),
        transition("match_key: force"),
        transition("match_key: true"),
        transition("recipe: wash-out"),
        transition("leave: 97 pass 1"),
        transition(
            "noise_sweep: {level: {0: silent, end + 0.25: silent}, cutoff: {0: 200 Hz}, filter: highpass}"
        ),
        transition("layers: {c: c.wav}"),
        layer(
            "at: 25 %, enter: 17, length: 2 beats, count: double, beatmatch: false, moves: {low: {1: kill}}"
        ),
        voice("at: 62 s"),
        voice("at: 1 min 2 s, duck: false"),
        voice(
            "track: a, at: drop - 2, over: 6 LU, attack: 200 ms, release: 1 s, moves: {level: {1.5 s: 0 dB}}"
        ),
        edit("repeat: 97, length: 4 bars"),
        edit("repeat: drop, length: 1/2 beat, times: 8"),
        edit("skip: 33.5 s, length: 12 s"),
        one("click: true"),
        one("recipes: {wash: {parameters: {a: 60 %, n: 3}, from: {echo: {<n>: <a>}}, note: x}}"),
    ],
)
def test_schema_and_program_both_take(text):
    assert [error.message for error in errors_of(text)] == []
    assert parse_plan(text).tracks


def test_any_name_of_a_recipe_fits_the_schema_for_plans_have_their_own():
    assert errors_of(transition("recipe: blnd")) == []
    assert errors_of(transition("recipe: [blend]"))


def test_every_field_and_control_is_described():
    parts = SCHEMA["$defs"] | {"Plan": SCHEMA}
    parts["LoudnessTarget"] = parts["LoudnessTarget"]["anyOf"][1]
    parts |= {name: parts[f"{name}Fields"] for name in ("Track", "Layer")}
    for kind in set(_MODELS.values()):
        properties = parts[kind.__name__]["properties"]
        assert words_of(kind) == list(properties)
        assert [word for word in words_of(kind) if not properties[word].get("description")] == []
    for name in ("TransitionMoves", "TrackMoves"):
        properties = parts[name]["properties"]
        assert list(WORDS) == list(properties)
        for effect in EFFECTS.values():
            (words,) = [
                part["properties"] for part in properties[effect.name]["anyOf"] if "properties" in part
            ]
            assert list(effect.words) == list(words)
            assert all(part["description"] for part in words.values())
    assert "$schema" in SCHEMA and Plan.__name__ not in SCHEMA["$defs"]


def test_neutral_of_every_control_is_one_of_its_values():
    for control in CONTROLS.values():
        assert control.is_neutral(control.parse(control.quantity.text(control.neutral)))
