"""Effects, events, edits, layers, voices and recipes of one's own become the objects that say the same."""

import math
from pathlib import Path

import pytest

from mixrender.errors import PlanError
from mixrender.plan.check import check_plan
from mixrender.plan.load import load_plan, parse_plan
from mixrender.plan.model import Edit, InPosition, LanePoint, Length, Plan, Position, Track
from mixrender.plan.recipes import transition_moves

FILE = Path(__file__).parent / "data" / "good" / "moves.yaml"
IN = InPosition


@pytest.fixture(scope="module")
def plan():
    return parse_plan(FILE.read_text(encoding="utf-8"), file=Path("/music/night.yaml"))


def always(value):
    return (LanePoint(position=None, value=value),)


def lane_of(text):
    """The lanes of track a in a transition's moves."""
    plan = parse_plan(f"tracks: [a.wav, b.wav]\ntransitions: [{{from: a, to: b, moves: {{a: {{{text}}}}}}}]")
    return plan.transitions[0].moves["a"]


def test_amount_and_parameters_of_an_effect_are_lanes_beside_each_other(plan):
    moves = plan.transitions[0].moves["ferry"]

    assert moves["echo"] == (
        LanePoint(position=IN(from_middle=True, bars=1), value=0.0),
        LanePoint(position=IN(percent=75.0), value=60.0),
    )
    assert moves["echo.feedback"] == always(40.0)
    assert math.isnan(moves["echo.damping"][0].value)
    assert "echo.time" not in moves


def test_lane_of_an_effect_is_the_lane_of_its_amount():
    assert lane_of("echo: {0: 10 %}") == lane_of("echo: {amount: {0: 10 %}}")


def test_amount_without_a_place_holds_throughout():
    assert lane_of("echo: 60 %") == lane_of("echo: {amount: 60 %}") == {"echo": always(60.0)}


def test_parameter_may_move_as_the_amount_does(plan):
    moves = plan.tracks[0].moves

    assert moves["gate.time"] == always(0.25)
    assert [(point.position.bars, point.value) for point in moves["gate.open"]] == [(17, 50.0), (25, 20.0)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("echo: {time: 1/3 beat}", 1.0 / 3.0),
        ("echo: {time: 1.5 beats}", 1.5),
        ("flanger: {delay: 0.2 ms}", 0.2),
        ("phaser: {centre: 1.2 kHz}", 1200.0),
        ("gate: {open: 95 %}", 95.0),
        ("reverb: {damping: open}", math.nan),
    ],
)
def test_parameters_are_read_in_their_units(text, value):
    ((lane,),) = lane_of(text).values()

    assert lane.value == pytest.approx(value, rel=1e-15, nan_ok=True)


def test_events_are_places_with_lengths_in_all_three_units(plan):
    assert plan.tracks[0].moves["mute"] == (
        LanePoint(position=Position(seconds=83.2), value=1.0, move=Length(seconds=0.4)),
        LanePoint(position=Position(bars=97, pass_number=1), value=1.0, move=Length(beats=1.0)),
    )
    brake = plan.transitions[0].moves["ferry"]["brake"]
    assert brake == (LanePoint(position=IN(from_end=True, bars=-1), value=1.0, move=Length(bars=1.0)),)


def test_edits_are_read_in_their_order(plan):
    assert plan.tracks[0].edits == (
        Edit(repeat=Position(bars=97), length=Length(bars=4), times=3),
        Edit(skip=Position(cue="drop"), length=Length(bars=16)),
        Edit(repeat=Position(bars=120.5), length=Length(beats=0.5)),
    )
    assert [edit.word for edit in plan.tracks[0].edits] == ["repeat", "skip", "repeat"]


@pytest.mark.parametrize(
    ("text", "position"),
    [
        ("97 pass 1", Position(bars=97, pass_number=1)),
        ("97 + 0.5 PASS 12", Position(bars=97.5, pass_number=12)),
        ("drop - 4 pass 2", Position(cue="drop", bars=-4, pass_number=2)),
        ("184.2 s pass 1", Position(seconds=184.2, pass_number=1)),
        ("pass", Position(cue="pass")),
    ],
)
def test_places_of_another_pass_are_read_and_printed(text, position):
    assert Position.parse(text) == position
    assert Position.parse(str(position)) == position


@pytest.mark.parametrize(
    ("text", "bars_16", "bars_9", "bars_1"),
    [
        ("middle", 8, 4, 0.5),
        ("middle + 1", 9, 5, 1.5),
        ("MIDDLE-0.5", 7.5, 3.5, 0),
        ("25 %", 4, 2.25, 0.25),
        ("100%", 16, 9, 1),
        ("end - 4", 12, 5, -3),
    ],
)
def test_places_that_follow_the_overlap(text, bars_16, bars_9, bars_1):
    position = IN.parse(text)

    assert [position.bars_into(bars) for bars in (16.0, 9.0, 1.0)] == [bars_16, bars_9, bars_1]
    assert IN.parse(str(position)) == position


def test_layers_have_the_name_they_stand_under_and_start_from_the_plans_folder(plan):
    shaker, choir = plan.layers

    assert (shaker.name, shaker.path, shaker.at) == ("shaker", Path("/music/audio/shaker.wav"), IN())
    assert (shaker.enter, shaker.length, shaker.beatmatch) == (None, None, None)
    assert (choir.at, choir.enter, choir.length) == (IN(from_middle=True), Position(bars=17), Length(bars=8))
    assert (choir.count, choir.beatmatch, choir.gain_db) == ("double", True, -6.0)
    assert plan.path_of(choir) == ("transitions", 0, "layers", "choir")


def test_voices_are_called_by_their_place_in_the_list(plan):
    first, second = plan.voices

    assert (first.name, first.at, first.track) == ("voice-1", Position(seconds=62.0), None)
    assert (first.over_lu, first.attack_s, first.release_s, first.duck) == (10.0, 0.3, 0.8, True)
    assert (second.at, second.track) == (Position(cue="drop", bars=-2), "lantern")
    assert (second.over_lu, second.attack_s, second.release_s, second.duck) == (8.0, 0.2, 1.0, False)
    assert plan.path_of(second) == ("voices", 1)


def test_noise_sweep_has_two_lanes_and_a_filter(plan):
    sweep = plan.transitions[0].noise_sweep

    assert [point.value for point in sweep.level] == [-math.inf, -12.0, -math.inf]
    assert [point.value for point in sweep.cutoff] == [200.0, 8000.0]
    assert sweep.filter == "bandpass"


def test_a_recipe_of_ones_own_gets_the_values_of_the_transition(plan):
    moves = transition_moves(plan.transitions[0], overlap_bars=16.0, beats_per_bar=4, recipes=plan.recipes)

    assert [(p.position.bars, p.value) for p in moves["from"]["reverb"]] == [(12.0, 0.0), (16.0, 80.0)]
    assert moves["from"]["reverb.time"] == always(8.0)
    assert [(p.position.bars, p.value) for p in moves["to"]["level"]] == [(0.0, -math.inf), (4.0, 0.0)]
    assert "echo" in moves["from"]  # what the transition writes itself stays


def test_words_for_pitch_and_click(plan):
    assert (plan.click, plan.transitions[0].match_key, plan.transitions[0].curve) == (True, "force", "smooth")
    assert (plan.tracks[1].formants, plan.tracks[0].formants) == ("keep", "follow")


def warnings_of(text):
    plan = parse_plan(text, file=Path("/nowhere/mix.yaml"))
    return [
        f"{p.line}:{p.column}: {p.path}: {p.message}" for p in check_plan(plan) if p.severity == "warning"
    ]


def test_formants_without_a_shift_are_doubted_unless_a_key_is_matched():
    tracks = "tracks: {a: a.wav, b: {file: b.wav, formants: keep}}\n"

    assert warnings_of(tracks) == [
        "1:47: tracks.b.formants: `formants: keep` has no effect without a `shift`"
    ]
    assert warnings_of(tracks + "transitions: [{from: a, to: b, match_key: true}]") == []
    assert warnings_of(
        "tracks: [a.wav, b.wav]\ntransitions: [{from: a, to: b, layers: {c: {file: c.wav, formants: keep}}}]"
    ) == ["2:68: transitions[1].layers.c.formants: `formants: keep` has no effect without a `shift`"]


def test_what_lies_behind_a_fault_in_a_list_is_not_told_at_a_wrong_place(tmp_path):
    """What is left out of a list moves what stands behind it: what is then not certain is not said."""
    plan = tmp_path / "mix.yaml"
    plan.write_text(
        "tracks: {a: {file: nowhere.wav, edits: [{length: 4 bars}, {repeat: nocue, length: 1 bar}]}}\n"
        "voices: [{at: 3 s}, {file: nothing.wav, at: 5}]\n"
    )
    with pytest.raises(PlanError) as caught:
        load_plan(plan)

    assert {p.path for p in caught.value.problems} == {"voices[1]", "tracks.a.edits[1]", "tracks.a.file"}


def test_moves_are_made_in_python_with_dotted_names():
    track = Track(name="a", file="a.wav", moves={"echo": always(10.0), "echo.time": always(1.0)})

    assert Plan(tracks=(track,)).tracks[0].moves["echo.time"] == always(1.0)


def test_two_layers_of_one_name_are_refused_also_under_two_transitions():
    plan = parse_plan(
        "tracks: [a.wav, b.wav, c.wav]\n"
        "transitions:\n"
        "  - {from: a, to: b, layers: {drums: d.wav}}\n"
        "  - {from: b, to: c, layers: {drums: d.wav, bass: d.wav}}\n",
        file=Path("/nowhere/mix.yaml"),
    )
    said = [problem for problem in check_plan(plan) if "another track or layer" in problem.message]

    assert [(p.line, p.path) for p in said] == [(4, "transitions[2].layers.drums")]


@pytest.mark.parametrize("amount", ["0 %", "100 %", "33.5 %"])
def test_values_of_a_recipes_parameters_may_be_any_that_fit(amount):
    recipe = (
        "recipes: {r: {parameters: {a: 1 %, to-bar: 2}, from: {echo: {<to-bar>: <a>, < to-bar >.5: 0 %}}}}\n"
    )
    plan = parse_plan(
        f"{recipe}tracks: [a.wav, b.wav]\n"
        f"transitions: [{{from: a, to: b, recipe: r, with: {{a: {amount}, to-bar: 8}}}}]"
    )
    (transition,) = plan.transitions
    lanes = transition_moves(transition, overlap_bars=16.0, beats_per_bar=4, recipes=plan.recipes)["from"]

    found = [(point.position.bars, point.value) for point in lanes["echo"]]
    assert found == [(8.0, float(amount.removesuffix(" %"))), (8.5, 0.0)]
