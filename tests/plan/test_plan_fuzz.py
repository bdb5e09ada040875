"""Whatever stands in a plan file, reading it ends in a plan or in one of the program's own errors."""

import json
import random
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mixrender.errors import InputError
from mixrender.plan.check import check_plan
from mixrender.plan.controls import CONTROLS, EVENTS
from mixrender.plan.faults import _MODELS, words_of
from mixrender.plan.load import load_plan, parse_plan
from mixrender.plan.model import Plan
from mixrender.plan.recipes import RECIPES, transition_moves

GOOD = [
    path.read_text(encoding="utf-8")
    for path in sorted((Path(__file__).parent / "data" / "good").glob("*.yaml"))
]

WORDS = sorted(
    {word for kind in _MODELS.values() for word in words_of(kind)}
    | {*CONTROLS, *EVENTS, "ferry", "lantern", "drop"}
)
TEXTS = [
    *(
        "126 BPM",
        "-1.5 dB",
        "silent",
        "kill",
        "open",
        "1.2 kHz",
        "16 bars",
        "2 beats in 1 bar",
        "0 dB at once",
    ),
    *("middle", "25 %", "97 pass 1", "60 %", "<amount>", "3 ms", "wash"),
    *("end", "end - 4", "drop - 16", "97 + 0.75", "184.2 s", "58 min 30 s", "58:30", "hold", "yes", "true"),
    *(
        "A minor",
        "-14 LUFS",
        "-1 dBTP",
        "+1",
        "",
        "in",
        "1/0 bar",
        "-",
        "\\",
        "a" * 300,
        "~nobody/a.wav",
        "/",
    ),
    *RECIPES,
]
scalars = st.one_of(
    st.sampled_from(TEXTS), st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12)
)
keys = st.one_of(
    st.sampled_from(WORDS), st.sampled_from(TEXTS), st.integers(-4, 20).map(str), st.text(max_size=4)
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=5),
    max_leaves=24,
)
FIELDS = {
    kind: st.dictionaries(st.sampled_from(words_of(kind)), values, max_size=6) for kind in _MODELS.values()
}
names = st.sampled_from(["ferry", "lantern", "x y", "9"])
plans = st.builds(
    lambda top, tracks, transitions: top | {"tracks": tracks, "transitions": transitions},
    FIELDS[Plan],
    st.one_of(
        st.dictionaries(names, values | FIELDS[_MODELS["tracks", "*"]], max_size=3),
        st.lists(values | FIELDS[_MODELS["tracks", "*"]], max_size=3),
    ),
    st.lists(FIELDS[_MODELS["transitions", "*"]] | values, max_size=3),
)
quick = settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def survives(text):
    """Read and use a plan; anything but the program's own errors passes through and fails the test."""
    try:
        plan = parse_plan(text, file=Path("/nowhere/mix.yaml"))
        problems = check_plan(plan)
    except InputError as error:
        assert str(error)
        return False
    for problem in problems:
        assert problem.line is not None and problem.message
    if not any(problem.path.startswith(("transitions", "recipes")) for problem in problems):
        for transition in plan.transitions:
            transition_moves(transition, overlap_bars=16.0, beats_per_bar=4, recipes=plan.recipes)
    return True


@given(st.text(alphabet=st.characters(), max_size=80))
@quick
def test_any_text_ends_in_a_plan_or_an_error_of_the_program(text):
    survives(text)


@given(st.text(alphabet="tracks: [a.wav]{}-&*!|>'\"%@`#?,\n\t \\xuU0~<", max_size=60))
@quick
def test_any_text_of_yaml_signs_ends_in_a_plan_or_an_error_of_the_program(text):
    survives(text)


@given(plans)
@quick
def test_any_structure_ends_in_a_plan_or_an_error_of_the_program(plan):
    survives(json.dumps(plan))


@given(st.binary(max_size=60))
@quick
def test_any_bytes_end_in_a_plan_or_an_error_of_the_program(tmp_path_factory, content):
    plan = tmp_path_factory.getbasetemp() / "bytes.yaml"
    plan.write_bytes(content)
    try:
        load_plan(plan)
    except InputError as error:
        assert str(error)


def test_good_plans_with_characters_changed_end_in_a_plan_or_an_error_of_the_program():
    source = random.Random(20261121)
    read = 0
    for _ in range(300):
        text = list(source.choice(GOOD))
        for _ in range(source.randint(1, 3)):
            place = source.randrange(len(text))
            text[place] = source.choice(
                ["", ":", " ", "\n", "{", "]", "-", "#", "x", "9", "'", "*", "\t", "\u2028"]
            )
        read += survives("".join(text))
    print(f"{read} of 300 changed plans are still plans; both must occur")

    assert 0 < read < 300
