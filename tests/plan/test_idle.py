"""Fields of a plan that change nothing are warned of, at their place."""

from pathlib import Path

import pytest

from mixrender.plan.load import load_plan

PLAN = """\
tracks: {{a: a.wav, b: b.wav}}
recipes:
  tide:
    parameters: {{wet: 40 %, dry: 3}}
    from: {{reverb: {{0: 0 %, end: <wet>}}, level: {{end: silent}}}}
{more}
transitions:
  - {{from: a, to: b, {transition}}}
"""
UNUSED = "recipes.tide.parameters.dry: warning: no move holds `<dry>`, so it changes nothing"


def warnings_of(folder: Path, *, transition: str = "overlap: 8 bars", more: str = "") -> list[str]:
    for name in ("a.wav", "b.wav"):
        (folder / name).touch()
    file = folder / "plan.yaml"
    file.write_text(PLAN.format(transition=transition, more=more))
    return [str(problem).split(": ", 1)[1] for problem in load_plan(file).warnings]


def test_a_parameter_that_no_move_holds_is_warned_of(tmp_path):
    assert warnings_of(tmp_path) == [UNUSED]


def test_how_to_duck_where_nothing_ducks_is_warned_of(tmp_path):
    more = "voices: [{file: a.wav, at: 3 s, duck: false, over: 5 LU, attack: 1 s}, {file: a.wav, at: 9 s}]"

    assert [text for text in warnings_of(tmp_path, more=more) if text != UNUSED] == [
        "voices[1].over: warning: `over` has no effect with `duck: false`",
        "voices[1].attack: warning: `attack` has no effect with `duck: false`",
    ]


@pytest.mark.parametrize(
    ("transition", "words"),
    [
        ("overlap: 0 bars, recipe: echo-out", ["over `0 bars` the recipe does nothing"]),
        ("gap: 2 bars, recipe: tide", ["with a `gap` the recipe does nothing"]),
        ("overlap: 1 bar, recipe: echo-out", []),
        ("overlap: 0 bars, recipe: cut", []),
        ("overlap: 0 bars", []),
        ("recipe: wash-out", []),
    ],
)
def test_a_recipe_without_an_overlap_is_warned_of(tmp_path, transition, words):
    found = [text for text in warnings_of(tmp_path, transition=transition) if text != UNUSED]

    assert [words_ in text for text, words_ in zip(found, words, strict=True)] == [True] * len(words)
