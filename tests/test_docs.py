"""The words of the project: what they say can be run, and what can be run is said."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer.main

from mixrender.cli import app
from mixrender.errors import PlanError
from mixrender.plan.controls import CONTROLS, EFFECTS, EVENTS, NOISE_CUTOFF, Control
from mixrender.plan.faults import words_of
from mixrender.plan.load import load_plan, parse_plan
from mixrender.plan.model import (
    CURVES,
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
from mixrender.plan.quantities import DUCK_TIME, LOUDNESS_GAP
from mixrender.plan.recipes import RECIPES, recipe_moves
from mixrender.timing.edits import LONGEST_BARS, LONGEST_S, SHORTEST_BEATS, SHORTEST_S

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
MANUAL = ROOT / "plans" / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
PAGES = (README, MANUAL, DEVELOPERS)

TWO_TRACKS = """\
tracks:
  ferry: {file: audio/ferry.flac, cues: {drop: 65}}
  lantern: {file: audio/lantern.flac, cues: {drop: 65}}
"""
"""What is meant where an example shows only a part of a plan."""


def blocks(page: Path, language: str) -> list[str]:
    """The fenced blocks of a page in one language."""
    text = page.read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def section(page: Path, heading: str) -> str:
    """A page's text from a heading of the second level to the next."""
    text = page.read_text(encoding="utf-8")
    return re.split(r"^## ", text.split(f"\n## {heading}\n")[1], maxsplit=1, flags=re.MULTILINE)[0]


def cells(page: Path) -> set[str]:
    """Everything that a page sets in back quotes."""
    return set(re.findall(r"`([^`\n]+)`", page.read_text(encoding="utf-8")))


# --- the pages -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_to_files_and_headings_that_exist(page):
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("http"):
            continue
        name, _, anchor = target.partition("#")
        file = (page.parent / name) if name else page
        assert file.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {heading.lower().replace(" ", "-") for heading in headings}, target


@pytest.mark.parametrize(("heading", "ends"), [("Try it", "mixrender demo"), ("Test", "-m pytest -n auto")])
def test_the_readme_has_one_line_to_try_it_and_one_to_test(heading, ends):
    (block,) = re.findall(r"^```sh\n(.*?)^```", section(README, heading), re.MULTILINE | re.DOTALL)

    assert block.count("\n") == 1
    assert block.rstrip().endswith(ends)


def test_the_readme_is_short_and_opens_with_one_paragraph():
    text = README.read_text(encoding="utf-8")

    assert len(text.splitlines()) < 200
    assert re.match(r"# mixrender\n\n(?:[^\n#]+\n)+\n## Try it\n", text)


# --- the commands ----------------------------------------------------------------------------------------

COMMAND = typer.main.get_command(app)


def commands_of(command: Any) -> dict[str, Any]:
    """The commands of a group by name; none of a command."""
    return getattr(command, "commands", {})


def command_lines() -> list[str]:
    lines = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        lines += re.findall(r"^\$ (mixrender .+)$", text, re.MULTILINE)
        lines += re.findall(r"`(mixrender [a-z][^`\n]*)`", text)
    return sorted(set(lines))


@pytest.mark.parametrize("line", command_lines())
def test_a_command_line_in_the_words_is_one_that_the_program_takes(line):
    command, args = COMMAND, shlex.split(line)[1:]
    while commands := commands_of(command):
        assert args and args[0] in commands, f"there is no command {args[:1]}"
        command, args = commands[args[0]], args[1:]
    if not args and any(parameter.required for parameter in command.params):
        return  # the command is only named

    command.make_context("mixrender", list(args))


def test_every_command_is_in_the_readme():
    told = section(README, "Commands")

    assert [name for name in commands_of(COMMAND) if f"`mixrender {name}" not in told] == []


# --- plans -----------------------------------------------------------------------------------------------


def written(folder: Path, text: str) -> Path:
    """A plan file in a folder, with empty files where its tracks should be."""
    file = folder / "night.yaml"
    file.write_text(text, encoding="utf-8")
    for name in re.findall(r"[\w./-]+\.(?:flac|mp3)", text):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).touch()
    return file


def plan_blocks(page: Path) -> list[str]:
    """Examples of plans, completed where they show a part; not the lanes of recipes, nor a faulty plan."""
    found = [block for block in blocks(page, "yaml") if not block.startswith("# ")]
    return [block if "tracks:\n" in block else TWO_TRACKS + block for block in found]


@pytest.mark.parametrize("text", [*plan_blocks(README), *plan_blocks(MANUAL), *plan_blocks(DEVELOPERS)])
def test_a_plan_in_the_words_is_legal(text, tmp_path):
    plan = load_plan(written(tmp_path, text))

    assert plan.warnings == ()
    assert len(plan.tracks) == 2


def test_the_faulty_plan_of_the_manual_gets_the_messages_that_stand_there(tmp_path, monkeypatch):
    (bad,) = [block for block in blocks(MANUAL, "yaml") if block.startswith("# bad\n")]
    (messages,) = blocks(MANUAL, "text")
    written(tmp_path, bad)
    monkeypatch.chdir(tmp_path)

    with pytest.raises(PlanError) as caught:
        load_plan("night.yaml")

    assert str(caught.value) + "\n" == messages


@pytest.mark.parametrize("name", [name for name in RECIPES if name != "none"])
def test_the_manual_expands_a_recipe_as_the_program_does(name):
    (lanes,) = [block for block in blocks(MANUAL, "yaml") if block.startswith(f"# {name}\n")]
    moves = "".join(f"      {line}\n" for line in lanes.splitlines())
    plan = parse_plan(f"{TWO_TRACKS}transitions:\n  - from: ferry\n    to: lantern\n    moves:\n{moves}")
    recipe = recipe_moves(name, overlap_bars=16.0, beats_per_bar=4)

    assert plan.transitions[0].moves == {"ferry": recipe["from"], "lantern": recipe["to"]}


SECTIONS = {
    Plan: "The whole file",
    StartSpec: "The whole file",
    EndSpec: "The whole file",
    Track: "Tracks",
    GridSpec: "Tracks",
    Transition: "Transitions",
    TempoRamp: "Transitions",
    Edit: "Edits",
    Layer: "Layers",
    NoiseSweep: "Noise sweep",
    Voice: "Voices",
    Recipe: "Recipes",
    LoudnessTarget: "Level",
    Output: "Output",
}
"""Where each model's fields are described."""


@pytest.mark.parametrize("kind", SECTIONS)
def test_the_manual_names_every_field_in_its_section(kind):
    quoted = " ".join(re.findall(r"`([^`\n]+)`", section(MANUAL, SECTIONS[kind])))

    # A target's name is the value of `loudness` itself; a layer is a track with more fields.
    left_out = {LoudnessTarget: {"name"}, Layer: set(words_of(Track))}.get(kind, set())
    fields = [word for word in words_of(kind) if word not in left_out]
    assert fields and [word for word in fields if not re.search(rf"\b{word}\b", quoted)] == []


def test_the_manual_names_every_recipe_curve_and_event():
    recipes, events = section(MANUAL, "Recipes"), section(MANUAL, "Events")
    moves = section(MANUAL, "Moves")

    assert [name for name in RECIPES if f"\n`{name}`: " not in recipes] == []
    assert [name for name in CURVES if f"\n| `{name}` | " not in moves] == []
    assert re.findall(r"^\| `(\w+)` \|", events, re.MULTILINE) == list(EVENTS)


def limits(control: Control) -> str:
    """The range of a control's values, as the manual has it."""
    quantity = control.quantity
    low = quantity.text(quantity.minimum).split(" ")[0]
    high = quantity.text(quantity.maximum).split(" ")[0]
    return f"{low} to {float(high):,g} {quantity.unit}"


def test_the_manual_gives_the_limits_and_words_of_every_control():
    rows = dict(re.findall(r"^\| ((?:`\w+`(?:, )?)+) \| ([^|]+) \|", section(MANUAL, "Moves"), re.MULTILINE))
    for name, control in CONTROLS.items():
        if name.split(".")[0] in EFFECTS:
            continue
        (values,) = [row for names, row in rows.items() if f"`{name}`" in names]
        assert limits(control) in values.replace("+", "")
        assert [word for word in control.quantity.words if f"`{word}`" not in values] == []


def test_the_manual_gives_every_parameter_of_an_effect_with_its_limits_and_default():
    effect, found = "", {}
    for line in section(MANUAL, "Effects").splitlines():
        cells_ = [cell.strip().replace("`", "") for cell in line.strip("|").split("|")]
        if line.startswith("| ") and len(cells_) == 5 and cells_[0] != "effect":
            effect = cells_[0] or effect
            found[f"{effect}.{cells_[1]}"] = (cells_[3].split(", "), cells_[4])

    parameters = [control for item in EFFECTS.values() for control in item.parameters.values()]
    assert list(found) == [control.name for control in parameters]
    for control in parameters:
        values, default = found[control.name]
        words = ", ".join([limits(control), *control.quantity.words])
        assert ", ".join(values) == words
        assert control.parse(default) == control.neutral
    amounts = re.findall(r"^\| `(\w+)` \| [^|]+ \|$", section(MANUAL, "Effects"), re.MULTILINE)
    assert amounts == list(EFFECTS)


def test_the_manual_gives_the_limits_of_edits_voices_and_noise():
    edits, voices, noise = (section(MANUAL, name) for name in ("Edits", "Voices", "Noise sweep"))

    assert SHORTEST_BEATS == 1 / 32
    assert f"1/32 beat to {LONGEST_BARS:g} bars" in edits
    assert f"lasts {SHORTEST_S * 1000:g} ms to {LONGEST_S:g} s" in edits
    assert f"{LOUDNESS_GAP.minimum:g} to {LOUDNESS_GAP.maximum:g} LU" in voices
    assert f"up to {DUCK_TIME.maximum:g} s" in voices
    assert limits(NOISE_CUTOFF) in noise
    voice = Voice(name="v", file="v.wav", at="0 s")
    for word, value in (
        ("over", f"{voice.over_lu:g} LU"),
        ("attack", f"{voice.attack_s:g} s"),
        ("release", f"{voice.release_s:g} s"),
    ):
        assert re.search(rf"^\| `{word}` \|.*\| `{value}` \|$", voices, re.MULTILINE)


def test_the_order_of_bars_in_the_manual_is_the_one_that_is_printed():
    from mixrender.report.move_lines import move_lines
    from mixrender.timing.build import build_timeline
    from tests.timing.timelines import steady

    (text,) = [block for block in plan_blocks(MANUAL) if "edits:" in block]
    plan = parse_plan(text)
    timeline = build_timeline(plan, [steady(120.0, bars=128), steady(120.0, bars=128)])

    (line,) = [line.words for line in move_lines(plan, timeline) if "in the order" in line.words]
    assert f"\n{line}\n" in section(MANUAL, "Edits")


# --- the example in Python -------------------------------------------------------------------------------


def test_the_example_in_python_runs(tmp_path, monkeypatch, capsys):
    from mixrender.demo.score import Score
    from mixrender.demo.scores_club import FERROW, GLASSWORK
    from mixrender.demo.tracks import make_tracks, track_path

    def short(score: Score) -> Score:
        """The first two parts of a track of the demo, which last 24 or 32 bars."""
        from dataclasses import replace

        return replace(score, sections=score.sections[:2])

    tracks = [short(FERROW), short(GLASSWORK)]
    make_tracks(tmp_path, scores=tracks)
    (tmp_path / "tracks").rename(tmp_path / "music")
    (code,) = blocks(README, "python")
    plan = plan_blocks(README)[0]
    assert [f"music/{track_path(tmp_path, score).name}" in plan for score in tracks] == [True, True]
    (tmp_path / "night.yaml").write_text(plan, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("MIXRENDER_CACHE", str(tmp_path / "cache"))

    exec(compile(code, str(README), "exec"), {})

    printed = capsys.readouterr().out
    print(printed)
    assert re.search(r"^\d+\.\d s: \d+ bars of blend$", printed, re.MULTILINE)
    assert "out/mix.flac" in printed.replace("\\", "/")
    assert (tmp_path / "out" / "report.json").is_file()
