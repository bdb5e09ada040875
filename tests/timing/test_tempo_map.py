"""The tempo map against closed forms, published tables and numerical integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from mixrender.facts import Grid
from mixrender.timing.build_map import Followed, build_tempo_map
from mixrender.timing.tempo_map import Ramp, TempoMap, TempoSegment, lay_ramps
from mixrender.units import beats_to_seconds, ratio_to_cents


def ramp_map(start_bpm: float, end_bpm: float, beats: float) -> TempoMap:
    return build_tempo_map(start_bpm, [Ramp(0.0, beats, end_bpm, True)])


# Bar lengths in 4/4: 240 / tempo seconds (arithmetic of the definition of BPM).
@pytest.mark.parametrize(
    ("tempo_bpm", "bar_s", "sixteen_bars_s", "bar_at_44100"),
    [
        (120, 2.0, 32.0, 88200.0),
        (124, 1.935484, 30.967742, 85354.8387),
        (126, 1.904762, 30.476190, 84000.0),
        (128, 1.875, 30.0, 82687.5),
        (140, 1.714286, 27.428571, 75600.0),
        (174, 1.379310, 22.068966, 60827.5862),
    ],
)
def test_bars_have_their_length(tempo_bpm, bar_s, sixteen_bars_s, bar_at_44100):
    tempo_map = build_tempo_map(tempo_bpm, [])

    assert tempo_map.time_at(4.0) == pytest.approx(bar_s, abs=5e-7)
    assert tempo_map.time_at(64.0) == pytest.approx(sixteen_bars_s, abs=5e-7)
    assert beats_to_seconds(4, tempo_bpm) * 44100 == pytest.approx(bar_at_44100, abs=5e-5)


# Linear in beats: 60 B / (b - a) ln(b / a), the integral of 60 / tempo over the beats.
@pytest.mark.parametrize(
    ("start_bpm", "end_bpm", "beats", "length_s"),
    [(124, 128, 64, 30.478750), (120, 140, 128, 59.193861)],
)
def test_a_ramp_lasts_as_long_as_its_closed_form_says(start_bpm, end_bpm, beats, length_s):
    assert ramp_map(start_bpm, end_bpm, beats).time_at(float(beats)) == pytest.approx(length_s, abs=5e-7)


def test_the_middle_of_a_ramp_is_where_the_closed_form_puts_it():
    assert ramp_map(124, 128, 64).time_at(32.0) == pytest.approx(15.360328, abs=5e-7)


@given(
    start_bpm=st.floats(60, 200),
    end_bpm=st.floats(60, 200),
    beats=st.floats(0.5, 600),
    thousandths=st.integers(0, 1000),
)
def test_a_ramp_is_the_integral_of_60_over_tempo(start_bpm, end_bpm, beats, thousandths):
    tempo_map = ramp_map(start_bpm, end_bpm, beats)
    until = beats * thousandths / 1000

    integral, _ = quad(lambda b: 60 / (start_bpm + (end_bpm - start_bpm) * b / beats), 0, until, epsabs=1e-11)

    assert tempo_map.time_at(until) == pytest.approx(integral, abs=1e-8)


@given(
    tempos=st.lists(st.floats(60, 200), min_size=2, max_size=6),
    gaps=st.lists(st.integers(0, 4000).map(lambda n: n / 100), min_size=12, max_size=12),
    beat=st.floats(-50, 400),
)
def test_beat_at_is_the_inverse_of_time_at(tempos, gaps, beat):
    ramps, position = [], 0.0
    for i, bpm in enumerate(tempos[1:]):
        start = position + gaps[2 * i]
        position = start + gaps[2 * i + 1]
        ramps.append(Ramp(start, position, bpm, True))
    tempo_map = build_tempo_map(tempos[0], ramps)

    assert tempo_map.beat_at(tempo_map.time_at(beat)) == pytest.approx(beat, abs=1e-8)


def test_arrays_give_what_single_beats_give():
    tempo_map = ramp_map(124, 128, 64)
    beats = np.linspace(-10, 100, 1001)

    times = tempo_map.time_at(beats)

    assert list(times) == [tempo_map.time_at(float(b)) for b in beats]
    assert np.abs(tempo_map.beat_at(times) - beats).max() < 1e-9


def test_time_is_counted_from_the_origin():
    tempo_map = build_tempo_map(120, [Ramp(8.0, 16.0, 126, True)], origin_s=3.25)

    assert tempo_map.time_at(0.0) == 3.25
    assert tempo_map.time_at(-2.0) == pytest.approx(2.25, abs=1e-12)


def test_positions_do_not_drift_over_an_hour():
    # 558 bars at 128 BPM and 44.1 kHz are 82687.5 frames each: rounded bars would be 279 frames (6.3 ms) off.
    tempo_map = build_tempo_map(128, [])

    assert round(tempo_map.time_at(558 * 4.0) * 44100, 6) == 558 * 82687.5


def test_a_jump_changes_the_tempo_at_once():
    tempo_map = build_tempo_map(120, [Ramp(8.0, 8.0, 140, True)])

    assert tempo_map.tempo_before(8.0) == 120
    assert tempo_map.tempo_at(8.0) == 140
    assert tempo_map.time_at(10.0) == pytest.approx(8 * 0.5 + 2 * 60 / 140, abs=1e-12)


def test_a_glide_that_would_overlap_waits_for_the_one_before():
    laid = lay_ramps([Ramp(0, 64, 126, False), Ramp(32, 96, 128, False)])

    assert [(r.start_beat, r.end_beat) for r in laid] == [(0, 64), (64, 96)]


def test_a_written_ramp_cuts_a_default_glide_short():
    laid = lay_ramps([Ramp(0, 64, 126, False), Ramp(32, 96, 128, True)])

    assert [(r.start_beat, r.end_beat) for r in laid] == [(0, 32), (32, 96)]


# 124 -> 128 BPM is +3.226 % and, with pitch following, +54.96 cents (1200 log2 of the ratio).
def test_varispeed_cents_follow_from_the_ratio():
    assert ratio_to_cents(128 / 124) == pytest.approx(54.96, abs=0.005)
    assert ratio_to_cents(1.06) == pytest.approx(100.88, abs=0.005)


def test_a_followed_track_gives_its_own_beats():
    beats_s = tuple(np.cumsum([0.5, 0.51, 0.49, 0.5, 0.52, 0.48]).tolist())
    grid = Grid("drifting", 120.0, beats_s[0], beats_s=beats_s)
    tempo_map = build_tempo_map(120, [], [Followed(0.0, math.inf, grid, 0.0, 1.0)])

    gaps = [tempo_map.time_at(k + 1.0) - tempo_map.time_at(float(k)) for k in range(5)]

    assert gaps == pytest.approx(np.diff(beats_s).tolist(), abs=1e-12)


def test_a_followed_track_is_followed_from_between_two_beats():
    beats_s = tuple(np.cumsum([0.5, 0.51, 0.49, 0.5, 0.52, 0.48]).tolist())
    grid = Grid("drifting", 120.0, beats_s[0], beats_s=beats_s)
    tempo_map = build_tempo_map(120, [], [Followed(-0.5, 4.5, grid, -0.5, 1.0)])

    assert tempo_map.time_at(3.0) - tempo_map.time_at(-0.5) == pytest.approx(
        grid.time_at(3.0) - grid.time_at(-0.5), abs=1e-12
    )


@pytest.mark.parametrize(
    "segments",
    [
        [],
        [TempoSegment(0, 120, 121)],
        [TempoSegment(0, 120, 120), TempoSegment(0, 121, 121)],
        [TempoSegment(0, 0, 0)],
    ],
)
def test_a_map_that_makes_no_sense_is_refused(segments):
    with pytest.raises(ValueError):
        TempoMap(segments)
