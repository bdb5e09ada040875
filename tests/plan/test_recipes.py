"""Recipes give both tracks their lanes, whatever the overlap's length, and leave the incoming neutral."""

import math

import pytest

from mixrender.plan.controls import CONTROLS
from mixrender.plan.model import LanePoint, Length, Transition
from mixrender.plan.recipes import RECIPES, recipe_moves, transition_moves

LENGTHS_BARS = (0, 0.25, 0.5, 1, 1.5, 2, 3, 4, 5, 6.5, 7, 8, 16, 32)


def shape(lane):
    return [(str(point.position), point.value, str(point.move) if point.move else None) for point in lane]


def times_bars(point, overlap_bars, beats_per_bar):
    """When a point begins to move and when its value is reached, in bars after the start of the overlap."""
    at = point.position.bars + (overlap_bars if point.position.from_end else 0.0)
    return at, at + (point.move.beats / beats_per_bar if isinstance(point.move, Length) else 0.0)


@pytest.mark.parametrize("beats_per_bar", [3, 4, 7])
@pytest.mark.parametrize("overlap_bars", LENGTHS_BARS)
@pytest.mark.parametrize("name", RECIPES)
def test_lanes_run_forward_inside_the_overlap_and_leave_the_incoming_track_neutral(
    name, overlap_bars, beats_per_bar
):
    moves = recipe_moves(name, overlap_bars=overlap_bars, beats_per_bar=beats_per_bar)

    assert {"from", "to"} == set(moves)
    for lane in [*moves["from"].values(), *moves["to"].values()]:
        times = [time for point in lane for time in times_bars(point, overlap_bars, beats_per_bar)]
        assert times == sorted(times)
        assert times[0] >= 0.0 and times[-1] <= overlap_bars
    for control, lane in moves["to"].items():
        assert CONTROLS[control].is_neutral(lane[-1].value)


@pytest.mark.parametrize("name", RECIPES)
def test_cut_of_no_length_needs_no_moves(name):
    assert recipe_moves(name, overlap_bars=0.0, beats_per_bar=4) == {"from": {}, "to": {}}


def test_blend_of_16_bars_stands_as_described():
    moves = recipe_moves("blend", overlap_bars=16.0, beats_per_bar=4)

    assert [("12", 0.0, None), ("end", -math.inf, None)] == shape(moves["from"]["level"])
    assert [("8", -math.inf, "1 beat")] == shape(moves["from"]["low"])
    assert [("0", -math.inf, None), ("4", 0.0, None)] == shape(moves["to"]["level"])
    assert [("0", -math.inf, None), ("8", 0.0, "1 beat")] == shape(moves["to"]["low"])


@pytest.mark.parametrize("overlap_bars", [0.5, 1, 2, 3.5])
def test_short_blend_is_a_crossfade_of_level_alone(overlap_bars):
    moves = recipe_moves("blend", overlap_bars=overlap_bars, beats_per_bar=4)

    assert {"level"} == set(moves["from"]) == set(moves["to"])
    assert [("0", 0.0, None), ("end", -math.inf, None)] == shape(moves["from"]["level"])
    assert [("0", -math.inf, None), ("end", 0.0, None)] == shape(moves["to"]["level"])


def test_bass_swap_of_16_bars_is_up_after_a_beat_and_trades_lows_at_once():
    moves = recipe_moves("bass-swap", overlap_bars=16.0, beats_per_bar=4)

    assert [("0", -math.inf, None), ("0.25", 0.0, None)] == shape(moves["to"]["level"])
    assert [("0", -math.inf, None), ("8", 0.0, "at once")] == shape(moves["to"]["low"])
    assert [("8", -math.inf, "at once")] == shape(moves["from"]["low"])
    assert [("15", 0.0, None), ("end", -math.inf, None)] == shape(moves["from"]["level"])


@pytest.mark.parametrize(("overlap_bars", "middle"), [(5, "2"), (7, "3"), (6.5, "3"), (8, "4")])
@pytest.mark.parametrize("name", ["blend", "bass-swap"])
def test_lows_are_traded_on_a_bar_line(name, overlap_bars, middle):
    moves = recipe_moves(name, overlap_bars=overlap_bars, beats_per_bar=4)

    assert middle == str(moves["from"]["low"][-1].position) == str(moves["to"]["low"][-1].position)


def test_cut_changes_over_at_once_where_the_overlap_ends():
    moves = recipe_moves("cut", overlap_bars=8.0, beats_per_bar=4)

    assert [("end", -math.inf, "at once")] == shape(moves["from"]["level"])
    assert [("0", -math.inf, None), ("end", 0.0, "at once")] == shape(moves["to"]["level"])


def test_written_lane_replaces_the_recipes_lane_of_that_control_on_that_track_only():
    written = Transition(
        from_track="a", to_track="b", moves={"a": {"low": {4: "-6 dB"}, "highpass": {8: "200 Hz"}}}
    )
    plain = Transition(from_track="a", to_track="b")
    moves = transition_moves(written, overlap_bars=16.0, beats_per_bar=4)
    recipe = transition_moves(plain, overlap_bars=16.0, beats_per_bar=4)

    assert shape(moves["from"]["low"]) == [("4", -6.0, None)]
    assert shape(moves["from"]["highpass"]) == [("8", 200.0, None)]
    assert recipe["from"]["level"] == moves["from"]["level"]
    assert recipe["to"] == moves["to"]


def test_recipe_none_leaves_only_what_is_written():
    transition = Transition(
        from_track="a", to_track="b", recipe="none", moves={"b": {"level": {0: "silent"}}}
    )
    moves = transition_moves(transition, overlap_bars=16.0, beats_per_bar=4)

    assert moves["from"] == {}
    assert {"level"} == set(moves["to"])
    assert isinstance(moves["to"]["level"][0], LanePoint)
