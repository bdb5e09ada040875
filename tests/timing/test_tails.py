"""When effects are at work, and how long a mix lasts with their tails."""

from __future__ import annotations

import math

import pytest

from mixrender.timing.moves import MovePoint
from mixrender.timing.tails import (
    MEMORY_S,
    REVERB_LATE_S,
    TAIL_FADE_S,
    echo_tail_beats,
    effect_spans,
    needed_from_s,
    rings_until_s,
)
from mixrender.timing.tempo_map import TempoMap, TempoSegment

P = MovePoint
STEADY = TempoMap([TempoSegment(0.0, 120.0, 120.0)])
"""Half a second a beat from 0 s on."""

ROOM_S = 0.002
"""Spans may be this much longer than what they hold."""


def spans_of(effect, lanes, *, start_s=0.0, end_s=60.0, tempo_map=STEADY):
    found = effect_spans(lanes, effect, tempo_map=tempo_map, start_s=start_s, end_s=end_s)
    return [(span.start_s, span.given_until_s, span.stop_s) for span in found]


@pytest.mark.parametrize(
    ("feedback", "repeats"),
    [(0, 1), (0.1, 1), (1, 2), (10, 3), (50, 10), (75, 25), (90, 66)],
)
def test_an_echo_is_over_after_the_last_repeat_that_is_less_than_60_db_down(feedback, repeats):
    # Repeat m is 20 (m - 1) log10(f) dB down, so that the last one has (m - 1) < 60 / (-20 log10 f).
    assert echo_tail_beats(time_beats=0.75, feedback_percent=feedback) == pytest.approx(0.75 * repeats)
    if feedback > 0:
        assert 20 * (repeats - 1) * math.log10(feedback / 100) > -60.0
        assert 20 * repeats * math.log10(feedback / 100) <= -60.0 + 1e-9


def test_an_insert_is_at_work_from_where_it_leaves_nothing_to_where_it_reaches_it():
    points = (P(4, 0.0), P(8, 60.0), P(12, 0.0), P(20, 50.0, "at once"), P(24, 0.0, 2.0), P(30, 0.0))
    (first, second) = spans_of("phaser", {"phaser": points})

    assert first == pytest.approx((2.0, 6.0, 6.0), abs=ROOM_S)
    assert second == pytest.approx((9.99, 13.0, 13.0), abs=ROOM_S)
    assert first[0] <= 2.0 and first[1] >= 6.0 and second[0] <= 9.99 and second[1] >= 13.0


def test_an_amount_that_holds_throughout_is_at_work_while_the_track_is_heard():
    assert spans_of("gate", {"gate": (P(4, 70.0),)}, start_s=1.0, end_s=9.0) == [(1.0, 9.0, 9.0)]
    assert spans_of("gate", {}) == spans_of("gate", {"gate": (P(4, 0.0), P(8, 0.0))}) == []


def test_an_echo_rings_on_by_the_most_that_its_parameters_are_from_then_on():
    amount = (P(4, 0.0), P(5, 60.0), P(6, 0.0), P(40, 0.0), P(44, 60.0), P(48, 0.0))
    lanes = {
        "echo": amount,
        "echo.time": (P(4, 0.5, "at once"), P(30, 1.0, "at once")),
        "echo.feedback": (P(4, 50.0, "at once"), P(41, 10.0, "at once")),
    }
    (first, second) = spans_of("echo", lanes)

    # Until the second begins at beat 40, a beat of 50 %: ten repeats; then from 50 % to 10 %, so ten again.
    assert first == pytest.approx((2.0, 3.0, 3.0 + 10 * 0.5 + TAIL_FADE_S), abs=ROOM_S)
    assert second == pytest.approx((20.0, 24.0, 24.0 + 10 * 0.5 + TAIL_FADE_S), abs=ROOM_S)


def test_what_is_sent_again_while_it_rings_is_one_span():
    amount = (P(4, 0.0), P(5, 60.0), P(6, 0.0), P(10, 0.0), P(11, 60.0), P(12, 0.0))
    found = spans_of("reverb", {"reverb": amount, "reverb.time": (P(4, 8.0, "at once"),)})

    assert found == [
        pytest.approx((2.0, 6.0, 6.0 + 4.0 + REVERB_LATE_S + TAIL_FADE_S), abs=ROOM_S),
    ]


def test_a_tail_is_counted_in_beats_through_a_ramp_of_tempo():
    tempo_map = TempoMap([TempoSegment(0.0, 120.0, 60.0), TempoSegment(32.0, 60.0, 60.0)])
    lanes = {"reverb": (P(4, 0.0), P(5, 60.0), P(8, 0.0)), "reverb.time": (P(4, 16.0, "at once"),)}
    ((_, given_s, stop_s),) = spans_of("reverb", lanes, tempo_map=tempo_map)

    assert given_s == pytest.approx(tempo_map.time_at(8.0), abs=ROOM_S)
    assert stop_s == pytest.approx(tempo_map.time_at(24.0) + REVERB_LATE_S + TAIL_FADE_S, abs=2 * ROOM_S)


def test_a_track_rings_until_the_longest_of_its_tails_and_one_without_until_its_end():
    lanes = {
        "echo": (P(0, 50.0),),
        "reverb": (P(0, 50.0),),
        "reverb.time": (P(0, 30.0),),
        "phaser": (P(0, 50.0),),
    }

    def rings_s(lanes):
        return rings_until_s(lanes, tempo_map=STEADY, start_s=0.0, end_s=20.0)

    assert rings_s({}) == rings_s({"phaser": lanes["phaser"]}) == 20.0
    assert rings_s({"echo": lanes["echo"]}) == pytest.approx(20.0 + 10 * 0.375 + TAIL_FADE_S)
    assert rings_s(lanes) == pytest.approx(20.0 + 15.0 + REVERB_LATE_S + TAIL_FADE_S)


def test_what_is_needed_reaches_back_to_the_beginning_of_an_effect_but_no_further_than_its_tail():
    def needed_s(lanes, from_s, until_s):
        return needed_from_s(lanes, from_s, until_s, tempo_map=STEADY, start_s=0.0, end_s=60.0)

    throw = {"echo": (P(20, 0.0), P(21, 60.0), P(22, 0.0)), "echo.time": (P(20, 1.0, "at once"),)}
    always = {"echo": (P(0, 60.0),), "echo.time": (P(0, 1.0),)}

    assert needed_s({}, 30.0, 40.0) == 30.0
    assert needed_s(throw, 13.0, 14.0) == pytest.approx(10.0 - MEMORY_S, abs=ROOM_S)
    assert needed_s(throw, 17.0, 18.0) == 17.0  # it has died away
    assert needed_s(throw, 8.0, 9.0) == 8.0  # it has not begun
    assert needed_s(always, 30.0, 40.0) == pytest.approx(30.0 - 5.0 - TAIL_FADE_S - MEMORY_S, abs=ROOM_S)
    assert needed_s({"flanger": (P(0, 60.0),)}, 30.0, 40.0) == 30.0 - MEMORY_S
