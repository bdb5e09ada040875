"""Grids corrected by hand: what moves, by how much, and what stays; exact to 1e-9 s."""

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixrender.facts import Grid
from mixrender.plan.places import Shift
from mixrender.timing.corrections import (
    Correction,
    CorrectionError,
    corrected,
    doubled,
    halved,
    renumbered,
    shifted,
    shifted_and_counted,
    steady,
    with_bar_1,
    with_bar_line,
)

EXACT_S = 1e-9
"""Bound of every time here: what sums of some hundred seconds in double precision leave, with room."""

STEADY = Grid("steady", 124.0, 0.12, 4)
DRIFTING = Grid(
    "drifting", 120.0, 0.8, 4, beats_s=(0.3, 0.8, 1.31, 1.83, 2.32, 2.80, 3.29, 3.79, 4.31), first_beat=-1
)
FILE = {"first_sound_s": 0.12, "duration_s": 200.0}

steady_grids = st.builds(
    Grid,
    st.just("steady"),
    st.floats(40.0, 200.0),
    st.floats(0.0, 30.0),
    st.integers(1, 12),
)
intervals = st.lists(st.floats(0.3, 0.7), min_size=3, max_size=40)


@st.composite
def drifting_grids(draw):
    beats_s = tuple(itertools.accumulate(draw(intervals), initial=draw(st.floats(0.0, 2.0))))
    first_beat = draw(st.integers(-len(beats_s) + 1, 0))
    return Grid("drifting", 120.0, beats_s[-first_beat], 4, beats_s, first_beat)


any_grid = st.one_of(steady_grids, drifting_grids())
beats = range(-3, 40)


def worst_s(one: Grid, other: Grid, of=beats) -> float:
    """How far apart the same beats of two grids lie at most."""
    return max(abs(one.time_at(beat) - other.time_at(beat)) for beat in of)


def same(one: Grid, other: Grid) -> bool:
    """Whether two grids count the same beats, to the bound, from the same bar 1."""
    figures = [(one.bar_1_s, other.bar_1_s), (one.tempo_bpm, other.tempo_bpm)]
    near = all(a == pytest.approx(b, abs=EXACT_S) for a, b in figures)
    return (
        near
        and one.kind == other.kind
        and one.first_beat == other.first_beat
        and worst_s(one, other) < EXACT_S
    )


# --- double and half -------------------------------------------------------------------------------------


@given(any_grid)
def test_every_beat_stays_when_the_tempo_is_doubled(grid):
    twice = doubled(grid)

    worst = max(abs(twice.time_at(2 * beat) - grid.time_at(beat)) for beat in beats)
    print(f"{worst:.2e} s, bound {EXACT_S} s")
    assert worst < EXACT_S
    assert twice.tempo_bpm == 2 * grid.tempo_bpm and twice.bar_1_s == grid.bar_1_s


@given(any_grid)
def test_a_beat_that_doubling_adds_lies_midway(grid):
    twice = doubled(grid)

    for beat in range(grid.first_beat, grid.first_beat + max(len(grid.beats_s) - 1, 1)):
        middle_s = (grid.time_at(beat) + grid.time_at(beat + 1)) / 2
        assert twice.time_at(2 * beat + 1) == pytest.approx(middle_s, abs=EXACT_S)


@given(steady_grids)
def test_every_other_beat_stays_when_the_tempo_is_halved(grid):
    slow = halved(grid)

    assert max(abs(slow.time_at(beat) - grid.time_at(2 * beat)) for beat in beats) < EXACT_S
    assert slow.tempo_bpm == grid.tempo_bpm / 2 and slow.bar_1_s == grid.bar_1_s


@given(drifting_grids())
def test_of_drifting_beats_those_that_halving_leaves_are_the_even_ones_from_bar_1_on(grid):
    try:
        slow = halved(grid)
    except CorrectionError:
        assert len(grid.beats_s) < 5
        return

    numbered = {grid.first_beat + i: time_s for i, time_s in enumerate(grid.beats_s)}
    assert list(slow.beats_s) == [time_s for beat, time_s in numbered.items() if beat % 2 == 0]
    assert slow.time_at(0.0) == slow.bar_1_s == grid.bar_1_s


@given(any_grid)
def test_doubled_and_halved_is_the_same(grid):
    assert halved(doubled(grid)) == grid


@given(steady_grids)
def test_halved_and_doubled_is_the_same_steady_grid(grid):
    assert doubled(halved(grid)) == grid


def test_two_beats_are_too_few_to_halve():
    with pytest.raises(CorrectionError, match="2 beats are too few to halve their number"):
        halved(Grid("drifting", 120.0, 0.5, 4, (0.5, 1.0), 0))


# --- shifts ----------------------------------------------------------------------------------------------


@given(any_grid, st.floats(-0.5, 0.5))
def test_a_shift_in_seconds_moves_every_beat_by_as_much(grid, seconds):
    moved = shifted(grid, seconds=seconds)

    worst = max(abs(moved.time_at(beat) - grid.time_at(beat) - seconds) for beat in beats)
    print(f"{worst:.2e} s, bound {EXACT_S} s")
    assert worst < EXACT_S
    assert moved.bar_1_s == pytest.approx(grid.bar_1_s + seconds, abs=EXACT_S)


@given(any_grid, st.integers(-8, 8))
def test_a_shift_by_whole_beats_renumbers_them_and_moves_none(grid, shift):
    moved = shifted(grid, beats=shift)

    assert moved.beats_s == grid.beats_s
    assert max(abs(moved.time_at(beat) - grid.time_at(beat + shift)) for beat in beats) < EXACT_S
    assert moved.bar_1_s == pytest.approx(grid.time_at(shift), abs=EXACT_S)


@given(any_grid, st.floats(-0.5, 0.5))
def test_a_shift_in_seconds_and_back_is_the_same(grid, seconds):
    assert same(shifted(shifted(grid, seconds=seconds), seconds=-seconds), grid)


@given(steady_grids, st.floats(-16.0, 16.0))
def test_a_shift_in_beats_and_back_is_the_same_steady_grid(grid, shift):
    assert same(shifted(shifted(grid, beats=shift), beats=-shift), grid)


@given(drifting_grids(), st.integers(-16, 16))
def test_a_shift_by_whole_beats_and_back_is_the_same_drifting_grid(grid, shift):
    assert shifted(shifted(grid, beats=shift), beats=-shift) == grid


@given(drifting_grids(), st.floats(-0.5, 0.5))
def test_drifting_beats_come_back_from_a_part_of_a_beat_to_within_the_change_of_their_distance(grid, part):
    back = shifted(shifted(grid, beats=part), beats=-part)

    distances = [b - a for a, b in itertools.pairwise(grid.beats_s)]
    uneven_s = max(abs(b - a) for a, b in itertools.pairwise(distances))
    bound_s = abs(part) * (1 - abs(part)) * uneven_s + EXACT_S  # of linear interpolation, there and back
    worst = worst_s(back, grid, range(grid.first_beat, grid.first_beat + len(grid.beats_s)))
    print(f"{worst:.2e} s, bound {bound_s:.2e} s")
    assert worst <= bound_s


def test_half_a_beat_of_a_drifting_grid_lies_midway_to_the_next():
    moved = shifted(DRIFTING, beats=0.5)

    middles_s = [(a + b) / 2 for a, b in itertools.pairwise(DRIFTING.beats_s)]
    assert moved.beats_s[:-1] == pytest.approx(middles_s, abs=EXACT_S)
    assert moved.time_at(0.0) == pytest.approx((0.8 + 1.31) / 2, abs=EXACT_S)


# --- counting: bar 1 is the first bar that sounds --------------------------------------------------------

BEAT_S = 60.0 / 124.0
COUNTED = [
    ("1 beat", 0.12 + BEAT_S),
    ("3 beats", 0.12 + 3 * BEAT_S),
    ("-1 beat", 0.12 + 3 * BEAT_S),  # the bar line before the first sound is that of bar 0
    ("-0.5 beats", 0.12 + 3.5 * BEAT_S),
    ("-2 beats", 0.12 + 2 * BEAT_S),
    ("4 beats", 0.12 + 4 * BEAT_S),  # a whole bar: what was bar 2 is bar 1
    ("1 bar", 0.12 + 4 * BEAT_S),
    ("5 beats", 0.12 + 5 * BEAT_S),
    ("-1 bar", 0.12),  # but nothing before the first sound is bar 1
    ("12 ms", 0.132),
    ("-12 ms", 0.108),
    ("-0.5 s", 0.12 - 0.5 + 4 * BEAT_S),
]


@pytest.mark.parametrize(("text", "bar_1_s"), COUNTED)
def test_a_shift_moves_bar_1_and_keeps_it_the_first_bar_that_sounds(text, bar_1_s):
    moved = shifted_and_counted(STEADY, shift=Shift.parse(text), first_sound_s=0.12)

    print(f"{text}: bar 1 at {moved.bar_1_s:.9f} s, wanted {bar_1_s:.9f} s")
    assert moved.bar_1_s == pytest.approx(bar_1_s, abs=EXACT_S)


@pytest.mark.parametrize(
    ("grid", "beats"),
    [(STEADY, 1), (STEADY, 2), (STEADY, 3.5), (STEADY, 0.25), (renumbered(DRIFTING, bars=1), 1)],
)
def test_a_shift_past_the_first_sound_and_back_is_the_same(grid, beats):
    first_sound_s = grid.bar_1_s
    there = shifted_and_counted(grid, shift=Shift(beats=-beats), first_sound_s=first_sound_s)
    back = shifted_and_counted(there, shift=Shift(beats=beats), first_sound_s=first_sound_s)

    assert there.bar_1_s > first_sound_s
    assert same(back, grid)


@given(st.floats(-60.0, 60.0), st.floats(0.0, 5.0))
def test_no_shift_of_more_than_an_eighth_of_a_beat_puts_bar_1_before_the_first_sound(shift, first_sound_s):
    grid = Grid("steady", 124.0, first_sound_s + 0.3, 4)
    moved = shifted_and_counted(grid, shift=Shift(beats=shift), first_sound_s=first_sound_s)

    assert moved.bar_1_s > first_sound_s - 0.125 * BEAT_S - EXACT_S


def test_a_bar_1_that_was_set_further_in_moves_by_the_shift_alone():
    late = with_bar_1(STEADY, bar_1_s=33.0)
    moved = shifted_and_counted(late, shift=Shift(beats=1), first_sound_s=0.12)

    assert moved.bar_1_s == pytest.approx(33.0 + BEAT_S, abs=EXACT_S)


# --- bar 1, bar lines, tempo -----------------------------------------------------------------------------


@given(any_grid, st.floats(0.0, 60.0))
def test_bar_1_begins_exactly_where_it_is_said_to(grid, bar_1_s):
    moved = with_bar_1(grid, bar_1_s=bar_1_s)

    assert moved.bar_1_s == bar_1_s
    assert moved.time_at(0.0) == pytest.approx(bar_1_s, abs=EXACT_S)
    distances = [moved.time_at(beat + 1) - moved.time_at(beat) for beat in beats]
    assert min(distances) > 0.0


def test_the_nearest_beat_of_a_drifting_grid_goes_to_bar_1_and_the_others_with_it():
    moved = with_bar_1(DRIFTING, bar_1_s=1.85)

    assert moved.first_beat == -3
    assert moved.beats_s == pytest.approx([time_s + 0.02 for time_s in DRIFTING.beats_s], abs=EXACT_S)


@given(steady_grids, st.floats(0.0, 60.0), st.floats(0.0, 5.0))
def test_from_a_bar_line_bars_are_counted_from_the_first_sound_on(grid, bar_line_s, first_sound_s):
    moved = with_bar_line(grid, bar_line_s=bar_line_s, first_sound_s=first_sound_s)

    beat_s = 60.0 / grid.tempo_bpm
    bars = moved.beat_to_bar(moved.beat_at(bar_line_s))
    assert bars == pytest.approx(round(bars), abs=1e-6)
    earliest_s = first_sound_s - 0.125 * beat_s
    assert earliest_s - EXACT_S <= moved.bar_1_s < earliest_s + grid.beats_per_bar * beat_s + EXACT_S


@given(any_grid, st.integers(-8, 8))
def test_bars_counted_anew_and_back_are_the_same(grid, bars):
    assert same(renumbered(renumbered(grid, bars=bars), bars=-bars), grid)


@given(any_grid, st.floats(20.0, 400.0))
def test_a_tempo_makes_the_grid_steady_from_its_bar_1_on(grid, tempo_bpm):
    assert steady(grid, tempo_bpm=tempo_bpm) == Grid("steady", tempo_bpm, grid.bar_1_s, grid.beats_per_bar)


# --- several at once, and what cannot be -----------------------------------------------------------------


shifts = st.one_of(
    st.builds(lambda x: Shift(beats=x), st.floats(-256.0, 256.0)),
    st.builds(lambda x: Shift(bars=x), st.floats(-64.0, 64.0)),
    st.builds(lambda x: Shift(seconds=x), st.floats(-60.0, 60.0)),
)
times = st.floats(0.0, 250.0)
corrections = st.builds(
    Correction,
    tempo_bpm=st.none() | st.floats(20.0, 400.0),
    count=st.sampled_from(["plain", "half", "double"]),
    shift=st.none() | shifts,
    bar_1_s=st.none() | times,
    bar_line_s=st.none() | times,
    beats_per_bar=st.none() | st.integers(1, 32),
)


@given(st.one_of(any_grid, st.just(Grid("none"))), corrections, st.floats(0.0, 20.0))
def test_any_correction_of_any_grid_is_refused_or_gives_a_grid_that_can_be_gone_by(
    grid, correction, first_sound_s
):
    try:
        changes = corrected(grid, correction, first_sound_s=first_sound_s, duration_s=200.0)
    except CorrectionError as fault:
        assert str(fault)
        return

    for change in changes:
        after = change.after
        assert 20.0 <= after.tempo_bpm <= 400.0
        assert after.bar_1_s < 200.0
        assert after.time_at(0.0) == pytest.approx(after.bar_1_s, abs=EXACT_S)
        assert all(a < b for a, b in itertools.pairwise(after.beats_s))
        assert (after.kind == "drifting") == (len(after.beats_s) >= 2)
        for beat in (-2.5, 0.0, 7.25):
            assert after.beat_at(after.time_at(beat)) == pytest.approx(beat, abs=1e-6)


def test_corrections_are_made_in_their_order_and_each_is_told():
    wanted = Correction(
        tempo_bpm=62.0, count="double", shift=Shift(seconds=0.01), bar_1_s=12.5, beats_per_bar=3
    )

    changes = corrected(STEADY, wanted, **FILE)

    assert [change.words for change in changes] == [
        "tempo 62 BPM",
        "tempo doubled",
        "beats and bars 10 ms later",
        "bar 1 at 12.5 s",
        "3 beats per bar",
    ]
    assert [change.before for change in changes[1:]] == [change.after for change in changes[:-1]]
    assert (changes[0].before, changes[-1].after) == (STEADY, Grid("steady", 124.0, 12.5, 3))


def test_a_correction_that_says_nothing_changes_nothing():
    assert not Correction() and Correction(bar_1_s=0.0)
    assert corrected(STEADY, Correction(), **FILE) == []
    assert corrected(Grid("none"), Correction(), **FILE) == []


def test_a_steady_tempo_of_drifting_beats_is_said_in_words():
    (change,) = corrected(DRIFTING, Correction(tempo_bpm=120.0), **FILE)

    assert change.words == "tempo 120 BPM, steady where it was drifting"


def test_tempo_and_bar_1_together_make_a_grid_where_none_was():
    (both,) = corrected(Grid("none"), Correction(tempo_bpm=90.0, bar_1_s=2.0), **FILE)
    (line,) = corrected(Grid("none"), Correction(tempo_bpm=120.0, bar_line_s=9.0), **FILE)

    assert (both.words, both.after) == ("tempo 90 BPM, bar 1 at 2 s", Grid("steady", 90.0, 2.0, 4))
    assert line.after == Grid("steady", 120.0, 1.0, 4)


@pytest.mark.parametrize(
    ("wanted", "missing"),
    [
        (Correction(tempo_bpm=90.0), "bar_1"),
        (Correction(bar_1_s=2.0), "tempo"),
        (Correction(count="half"), "tempo"),
        (Correction(beats_per_bar=3), "tempo"),
    ],
)
def test_without_a_beat_nothing_less_than_tempo_and_bar_1_will_do(wanted, missing):
    with pytest.raises(CorrectionError, match="no beat was found") as caught:
        corrected(Grid("none"), wanted, **FILE)

    assert caught.value.missing == missing


@pytest.mark.parametrize(
    ("grid", "wanted", "message"),
    [
        (replace(STEADY, tempo_bpm=201.0), Correction(count="double"), "402 BPM; it lies from 20 to 400 BPM"),
        (replace(STEADY, tempo_bpm=39.0), Correction(count="half"), "19.5 BPM; it lies from 20 to 400 BPM"),
        (Grid("none"), Correction(tempo_bpm=500.0, bar_1_s=0.0), "500 BPM; it lies from 20 to 400 BPM"),
        (STEADY, Correction(bar_1_s=200.0), "bar 1 cannot lie at 200 s: the file ends at 200.0 s"),
        (STEADY, Correction(bar_line_s=300.0), "a bar line cannot lie at 300 s: the file ends at 200.0 s"),
        (replace(STEADY, bar_1_s=199.0), Correction(shift=Shift(bars=1)), "bar 1 cannot lie at 200.935"),
    ],
)
def test_what_cannot_be_is_refused(grid, wanted, message):
    with pytest.raises(CorrectionError, match=message):
        corrected(grid, wanted, **FILE)
