"""Recipes give both tracks their lanes, whatever the overlap's length, and leave the incoming neutral."""

import math

import pytest
from lane_times import assert_inside

from mixrender.plan.controls import CONTROLS, EVENTS
from mixrender.plan.model import LanePoint, Length, Transition
from mixrender.plan.places import middle_bars
from mixrender.plan.recipes import RECIPES, recipe_moves, transition_moves

LENGTHS_BARS = (0, 0.25, 0.5, 1, 1.5, 2, 3, 4, 5, 6.5, 7, 8, 16, 32)


def shape(lane):
    return [
        (
            None if point.position is None else str(point.position),
            point.value,
            str(point.move) if point.move else None,
        )
        for point in lane
    ]


@pytest.mark.parametrize("beats_per_bar", [3, 4, 7])
@pytest.mark.parametrize("overlap_bars", LENGTHS_BARS)
@pytest.mark.parametrize("name", RECIPES)
def test_lanes_run_forward_inside_the_overlap_and_leave_the_incoming_track_neutral(
    name, overlap_bars, beats_per_bar
):
    moves = recipe_moves(name, overlap_bars=overlap_bars, beats_per_bar=beats_per_bar)

    assert {"from", "to"} == set(moves)
    for lanes in moves.values():
        assert set(lanes) <= {*CONTROLS, *EVENTS}
        assert_inside(lanes, overlap_bars, beats_per_bar)
    for name_, lane in moves["to"].items():
        assert CONTROLS[name_].is_neutral(lane[-1].value)


@pytest.mark.parametrize("overlap_bars", LENGTHS_BARS[1:])
@pytest.mark.parametrize("name", [name for name in RECIPES if name != "none"])
def test_the_outgoing_track_is_silent_by_the_end(name, overlap_bars):
    last = recipe_moves(name, overlap_bars=overlap_bars, beats_per_bar=4)["from"]["level"][-1]

    assert last.value == -math.inf
    assert last.position.bars_into(overlap_bars) == overlap_bars and not isinstance(last.move, Length)


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


@pytest.mark.parametrize("name", ["echo-out", "brake"])
def test_what_rings_or_stops_gives_way_as_a_cut_does(name):
    moves = recipe_moves(name, overlap_bars=8.0, beats_per_bar=4)
    cut = recipe_moves("cut", overlap_bars=8.0, beats_per_bar=4)

    assert moves["from"]["level"] == cut["from"]["level"]
    assert moves["to"] == cut["to"]


def test_echo_out_of_16_bars_sends_the_last_bar_and_cuts_to_the_echo():
    moves = recipe_moves("echo-out", overlap_bars=16.0, beats_per_bar=4)["from"]

    assert shape(moves["echo"]) == [("15", 80.0, "1 beat")]
    assert shape(moves["echo.time"]) == [(None, 0.5, None)]
    assert shape(moves["echo.feedback"]) == [(None, 60.0, None)]


@pytest.mark.parametrize(
    ("overlap_bars", "begins", "lasts"), [(16, 15, 1), (4, 3, 1), (2, 1.5, 0.5), (1, 0.75, 0.25)]
)
def test_brake_takes_the_last_bar_or_the_last_quarter(overlap_bars, begins, lasts):
    (stop,) = recipe_moves("brake", overlap_bars=overlap_bars, beats_per_bar=4)["from"]["brake"]

    assert (stop.position.bars, stop.move.bars) == (begins, lasts)


def test_wash_out_is_a_blend_whose_outgoing_track_goes_up_in_reverb():
    moves = recipe_moves("wash-out", overlap_bars=16.0, beats_per_bar=4)
    blend = recipe_moves("blend", overlap_bars=16.0, beats_per_bar=4)

    assert moves["to"] == blend["to"]
    assert moves["from"]["low"] == blend["from"]["low"]
    assert shape(moves["from"]["reverb"]) == [("12", 0.0, None), ("end", 100.0, None)]


@pytest.mark.parametrize("overlap_bars", [1, 7, 16])
def test_filters_of_a_filter_blend_meet_at_the_middle(overlap_bars):
    moves = recipe_moves("filter-blend", overlap_bars=overlap_bars, beats_per_bar=4)
    meeting = [lanes["highpass"][1] for lanes in moves.values()]

    assert [point.value for point in meeting] == [250.0, 250.0]
    assert [point.position.bars for point in meeting] == [middle_bars(overlap_bars)] * 2


def test_long_fade_is_a_crossfade_over_the_whole_overlap():
    assert recipe_moves("long-fade", overlap_bars=16.0, beats_per_bar=4) == recipe_moves(
        "blend", overlap_bars=2.0, beats_per_bar=4
    )


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
