"""Where tracks come to lie: bars, counting, tempo and defaults, against hand-reckoned values."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from timelines import gridless, steady, timeline

from mixrender.errors import PlanError
from mixrender.facts import Doubt, Grid, TrackFacts
from mixrender.timing.pieces import Copy, Warp, track_pieces
from mixrender.timing.spans import FreeSpan

TWO = """
    tracks: [a.flac, b.flac]
    transitions:
      - {from: a, to: b, leave: 65, enter: 1, overlap: 16 bars%s}
"""


def problems_of(text: str, *facts: TrackFacts) -> str:
    with pytest.raises(PlanError) as caught:
        timeline(text, *facts)
    return str(caught.value)


# --- bars ------------------------------------------------------------------------------------------------


def test_an_overlap_lies_where_its_bars_say():
    mix = timeline(TWO % "", steady(124), steady(124, bar_1_s=0.5))

    transition = mix.transitions[0]

    # 64 bars of 4 beats at 124 BPM, then 16 more: 240 / 124 s each.
    assert transition.start_s == pytest.approx(64 * 240 / 124, abs=1e-9)
    assert transition.end_s == pytest.approx(80 * 240 / 124, abs=1e-9)
    assert transition.enter_s == pytest.approx(0.5, abs=1e-9)


def test_fractions_of_bars_are_kept_on_both_sides():
    text = TWO.replace("leave: 65, enter: 1", "leave: 65.75, enter: 9.75") % ""
    mix = timeline(text, steady(120), steady(120))

    assert mix.transitions[0].start_beat == 64.75 * 4
    assert mix.tracks[1].source_s_at(mix.transitions[0].start_beat, mix.tempo_map) == pytest.approx(
        8.75 * 2.0
    )


def test_bar_lines_that_would_not_meet_are_refused_with_what_would_fit():
    text = TWO.replace("enter: 1", "enter: 9.5") % ""

    message = problems_of(text, steady(120), steady(120))

    assert "transitions[1].enter" in message
    assert "9 or 10 would" in message


def test_a_cue_with_an_offset_names_a_bar():
    text = """
        tracks:
          a: {file: a.flac, cues: {outro: 81}}
          b: {file: b.flac, cues: {drop: 33}}
        transitions:
          - {from: a, to: b, leave: outro - 16, enter: drop - 16, overlap: 16 bars}
    """
    mix = timeline(text, steady(120), steady(120))

    assert (mix.transitions[0].leave_bar, mix.transitions[0].enter_bar) == (65, 17)


def test_an_overlap_longer_than_the_track_is_refused_with_the_length_that_fits():
    text = TWO.replace("16 bars", "40 bars") % ""

    message = problems_of(text, steady(124, bars=96), steady(124))

    assert (
        "an overlap of 40 bars needs 77.4 s at 124 BPM but 'a.flac' has 61.9 s left after 2:03.9" in message
    )
    assert "use 32 bars or fewer" in message


def test_a_position_beyond_the_end_is_refused():
    assert "bar 200 lies beyond the end" in problems_of(
        TWO.replace("65", "200") % "", steady(124), steady(124)
    )
    assert "bar 300 lies outside" in problems_of(
        TWO.replace("enter: 1", "enter: 300") % "", steady(124), steady(124)
    )


def test_bars_of_unequal_length_meet_once_and_are_warned_of():
    mix = timeline(TWO % "", steady(120), steady(120, beats_per_bar=3))

    assert any("bars of 4 and of 3 beats meet" in p.message for p in mix.problems)
    assert mix.tracks[1].source_s_at(mix.transitions[0].start_beat + 7, mix.tempo_map) == pytest.approx(3.5)


# --- tempo -----------------------------------------------------------------------------------------------


def test_a_default_glide_is_linear_in_beats_and_ends_at_the_next_tracks_tempo():
    mix = timeline(TWO % "", steady(124), steady(128))
    transition = mix.transitions[0]

    # 64 beats from 124 to 128 BPM: 60 * 64 / 4 * ln(128 / 124) s.
    assert transition.end_s - transition.start_s == pytest.approx(960 * math.log(128 / 124), abs=1e-9)
    assert mix.tempo_map.tempo_at(transition.start_beat + 32) == pytest.approx(126)
    assert mix.tempo_map.tempo_at(transition.end_beat + 1) == 128


def test_outside_overlaps_tracks_play_at_their_own_tempo():
    mix = timeline(TWO % "", steady(124), steady(128))
    pieces = [track_pieces(track, mix.tempo_map, sample_rate_hz=44100) for track in mix.tracks]

    assert [type(piece) for piece in pieces[0]] == [Copy, Warp]
    assert [type(piece) for piece in pieces[1]] == [Warp, Copy]
    change = mix.transitions[0].tempo_change_percent
    assert change["a"].start == pytest.approx(0, abs=1e-9)
    assert change["a"].end == pytest.approx(100 * (128 / 124 - 1), abs=1e-6)
    assert change["b"].start == pytest.approx(100 * (124 / 128 - 1), abs=1e-6)
    assert change["b"].end == pytest.approx(0, abs=1e-6)


def test_tracks_of_one_tempo_are_not_stretched_at_all():
    mix = timeline(TWO % "", steady(126), steady(126))

    pieces = [p for t in mix.tracks for p in track_pieces(t, mix.tempo_map, sample_rate_hz=44100)]

    assert all(isinstance(piece, Copy) for piece in pieces)


def test_hold_keeps_the_tempo_and_the_next_glide_starts_from_it():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, overlap: 16 bars, tempo: hold}
          - {from: b, to: c, leave: 65, enter: 1, overlap: 16 bars}
    """
    mix = timeline(text, steady(124), steady(126), steady(128))
    second = mix.transitions[1]

    assert mix.tempo_map.tempo_at(second.start_beat - 1) == 124
    assert mix.tempo_map.tempo_at(second.start_beat + 32) == pytest.approx(126)
    assert mix.tempo_map.tempo_at(second.end_beat + 1) == 128
    assert [type(p) for p in track_pieces(mix.tracks[1], mix.tempo_map, sample_rate_hz=44100)] == [Warp]


def test_a_tempo_on_top_holds_for_the_whole_mix():
    mix = timeline("    tempo: 125 BPM" + TWO % "", steady(124), steady(128))

    assert mix.tempo_map.tempo_at(0.0) == mix.tempo_map.tempo_at(1e4) == 125


@pytest.mark.parametrize(
    ("ramp", "starts", "ends"),
    [
        ("{start: -8, over: 8 bars}", -32, 0),
        ("{start: 4, over: 4 bars}", 16, 32),
        ("{start: end, over: 8 bars}", 64, 96),
        ("{start: end - 4, over: 12 bars}", 48, 96),
    ],
)
def test_a_written_ramp_runs_where_it_says(ramp, starts, ends):
    mix = timeline(TWO % f", tempo: {ramp}", steady(124), steady(128))
    start = mix.transitions[0].start_beat

    assert mix.tempo_map.tempo_at(start + starts - 0.001) == 124
    assert mix.tempo_map.tempo_at(start + (starts + ends) / 2) == pytest.approx(126)
    assert mix.tempo_map.tempo_at(start + ends) == pytest.approx(128)


def test_a_ramp_to_another_tempo_stretches_the_next_track_until_the_next_glide():
    mix = timeline(TWO % ", tempo: {to: 126 BPM}", steady(124), steady(128))

    assert mix.tempo_map.tempo_at(mix.transitions[0].end_beat + 10) == 126
    assert mix.tracks[1].speed_at(mix.transitions[0].end_beat + 10, mix.tempo_map) == pytest.approx(126 / 128)


def test_written_ramps_that_overlap_are_an_error_naming_both():
    ramps = "[{to: 126 BPM, start: 0, over: 8 bars}, {to: 128 BPM, start: 4, over: 8 bars}]"

    message = problems_of(TWO % f", tempo: {ramps}", steady(124), steady(128))

    assert "at 4 bars overlaps" in message and "at 0 bars" in message


def test_a_jump_needs_one_track_on_each_side():
    message = problems_of(TWO % ", tempo: {start: 4, over: 0 bars}", steady(124), steady(128))

    assert "a jump while `a` and `b` sound together" in message


def test_a_cut_jumps_to_the_next_tempo():
    mix = timeline(TWO.replace("16 bars", "0 bars") % "", steady(132), steady(120))
    cut = mix.transitions[0].start_beat

    assert mix.tempo_map.tempo_before(cut) == 132
    assert mix.tempo_map.tempo_at(cut) == 120
    pieces = [p for t in mix.tracks for p in track_pieces(t, mix.tempo_map, sample_rate_hz=44100)]
    assert all(isinstance(piece, Copy) for piece in pieces)


def test_with_three_tracks_at_once_the_second_glide_runs_from_the_end_of_the_first():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, overlap: 16 bars}
          - {from: b, to: c, leave: 9, enter: 1, overlap: 16 bars}
    """
    mix = timeline(text, steady(124), steady(126), steady(128))
    first, second = mix.transitions

    assert second.start_beat == first.start_beat + 32
    assert mix.tempo_map.tempo_at(first.end_beat) == 126
    assert mix.tempo_map.tempo_at(first.end_beat + 16) == pytest.approx(127)
    assert mix.tempo_map.tempo_at(second.end_beat) == 128


@pytest.mark.parametrize(("bpm", "words"), [(136, "more than most"), (142, "plainly heard")])
def test_large_changes_of_speed_are_warned_of(bpm, words):
    mix = timeline(TWO % "", steady(124), steady(bpm))

    assert any(words in p.message and p.severity == "warning" for p in mix.problems)


def test_a_speed_beyond_half_to_double_is_an_error():
    message = problems_of(TWO % ", tempo: {to: 60 BPM}, count: plain", steady(124), steady(128))

    assert "half to double speed" in message


# --- counting --------------------------------------------------------------------------------------------


def test_70_into_140_counts_double_and_stretches_nothing():
    mix = timeline(TWO % "", steady(70), steady(140))
    start = mix.transitions[0].start_beat

    assert mix.tracks[1].rate == 2
    assert mix.tracks[1].source_s_at(start + 32, mix.tempo_map) == pytest.approx(64 * 60 / 140)
    change = mix.transitions[0].tempo_change_percent["b"]
    assert (change.min, change.max) == pytest.approx((0, 0), abs=1e-9)
    pieces = [p for t in mix.tracks for p in track_pieces(t, mix.tempo_map, sample_rate_hz=44100)]
    assert all(isinstance(piece, Copy) for piece in pieces)


def test_174_into_87_counts_half():
    mix = timeline(TWO % "", steady(174), steady(87))

    assert mix.tracks[1].rate == 0.5
    assert mix.transitions[0].tempo_change_percent["b"].max == pytest.approx(0, abs=1e-9)


def test_count_can_be_written():
    mix = timeline(TWO % ", count: plain", steady(100), steady(142))
    counted = timeline(TWO % ", count: half", steady(100), steady(100 * 0.71))

    assert mix.tracks[1].rate == 1
    assert counted.tracks[1].rate == 0.5


def test_after_a_counted_transition_beats_are_those_of_the_next_track():
    mix = timeline(TWO % "", steady(70, bars=96), steady(140, bars=96))
    _, beats_s = mix.beats()
    gaps = np.diff(beats_s)
    end = mix.transitions[0].end_s

    assert gaps[np.array(beats_s[:-1]) < end - 0.1] == pytest.approx(60 / 70)
    assert gaps[np.array(beats_s[:-1]) > end - 0.1] == pytest.approx(60 / 140)
    assert mix.tempo_points()[-1][2] == pytest.approx(140)


# --- defaults --------------------------------------------------------------------------------------------


def test_two_lines_are_a_mix_of_sixteen_bars_on_a_phrase_line():
    mix = timeline("tracks: [a.flac, b.flac]", steady(124, bars=97), steady(124))
    transition = mix.transitions[0]

    assert transition.overlap_bars == 16
    assert transition.enter_bar == 1
    # 98 - 16 = 82 is no phrase line; 81 is.
    assert transition.leave_bar == 81


@pytest.mark.parametrize(("bars", "overlap"), [(20, 16), (15, 8), (7, 4), (3, 2), (2, 1), (1, 0)])
def test_the_default_overlap_is_the_longest_that_the_tracks_hold(bars, overlap):
    mix = timeline("tracks: [a.flac, b.flac]", steady(124, bars=bars), steady(124))

    assert mix.transitions[0].overlap_bars == overlap


def test_a_mix_begins_with_the_first_sound_and_ends_with_the_last():
    mix = timeline("tracks: [a.flac]", steady(120, bar_1_s=3.0, bars=8))

    assert mix.tempo_map.time_at(0.0) == pytest.approx(0.020, abs=1e-9)
    assert mix.duration_s == pytest.approx(16.020, abs=1e-9)


def test_start_and_end_are_bars_with_fades():
    text = """
        start: {at: 5, fade: 2 bars}
        end: {at: 17, fade: 4 bars}
        tracks: [a.flac]
    """
    mix = timeline(text, steady(120, bars=32))
    track = mix.tracks[0]

    assert mix.tempo_map.time_at(16.0) == pytest.approx(0.010)  # 10 ms of edge before the line of bar 5
    assert mix.duration_s == pytest.approx(0.010 + 24.0)
    assert (track.fade_in_beats, track.fade_out_beats) == (8, 16)


def test_beat_0_is_bar_1_of_the_first_track():
    mix = timeline("start: {at: 5}\ntracks: [a.flac]", steady(120, bars=32))

    first, beats_s = mix.beats()

    assert first == 16
    assert beats_s[0] == pytest.approx(0.010)


def test_a_gap_lets_both_tracks_play_untouched():
    text = """
        tracks: [a.flac, b.flac]
        transitions: [{from: a, to: b, leave: 65, enter: 1, gap: 2 bars}]
    """
    mix = timeline(text, steady(120), steady(130))

    assert mix.tracks[0].end_s == pytest.approx(128.0)
    assert mix.tempo_map.time_at(mix.tracks[1].start_beat) == pytest.approx(132.0)
    pieces = [p for t in mix.tracks for p in track_pieces(t, mix.tempo_map, sample_rate_hz=44100)]
    assert all(isinstance(piece, Copy) for piece in pieces)


def test_a_track_must_be_left_after_it_has_come_in():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 9, overlap: 16 bars}
          - {from: b, to: c, leave: 9, enter: 1, overlap: 8 bars}
    """
    assert "would be left before it has come in" in problems_of(text, steady(120), steady(120), steady(120))


def test_a_grid_in_the_plan_overrides_the_analysis():
    text = """
        tracks: [{a: {file: a.flac, grid: {tempo: 126 BPM, bar_1: 0.25 s}}}, b.flac]
        transitions: [{from: a, to: b, leave: 9, enter: 1, overlap: 4 bars}]
    """
    mix = timeline(text, steady(124.9), steady(126))

    assert mix.tracks[0].grid == Grid("steady", 126.0, 0.25, 4)
    assert any("126 BPM is +0.9 % off the measured 124.90 BPM" in p.message for p in mix.problems)


@pytest.mark.parametrize(
    ("grid", "expected"),
    [
        ("{count: double}", Grid("steady", 240.0, 0.5, 4)),
        ("{count: half}", Grid("steady", 60.0, 0.5, 4)),
        ("{count: plain}", Grid("steady", 120.0, 0.5, 4)),
        ("{shift: 1 beat}", Grid("steady", 120.0, 1.0, 4)),
        ("{shift: -1 beat}", Grid("steady", 120.0, 2.0, 4)),  # bar 1 is the first bar that sounds
        ("{shift: 1 bar}", Grid("steady", 120.0, 2.5, 4)),
        ("{shift: -12 ms}", Grid("steady", 120.0, 0.488, 4)),
        ("{count: half, shift: 1/2 beat, beats_per_bar: 3}", Grid("steady", 60.0, 1.0, 3)),
    ],
)
def test_a_plan_corrects_the_count_and_the_place_of_the_beats(grid, expected):
    mix = timeline(f"tracks: [{{a: {{file: a.flac, grid: {grid}}}}}]", steady(120, bar_1_s=0.5))

    found = mix.tracks[0].grid
    assert found.bar_1_s == pytest.approx(expected.bar_1_s, abs=1e-9)
    assert replace(found, bar_1_s=expected.bar_1_s) == expected
    assert mix.problems == ()


def test_what_a_plan_leaves_open_stays_in_time_when_it_corrects_the_grid():
    text = """
        tracks: [a.flac, {b: {file: b.flac, grid: {count: half, shift: 1 beat}}}]
        transitions: [{from: a, to: b, overlap: 4 bars}]
    """
    facts = replace(steady(120, bar_1_s=0.5), first_enter_bar=17, last_leave_bar=81)

    mix = timeline(text, steady(60), facts)

    # Bar 17 began at 32.5 s; the bars of two seconds' length that begin at 1.5 s have a line at 33.5 s.
    assert abs(mix.transitions[0].enter_s - 32.5) <= 2.0
    print(f"enters at {mix.transitions[0].enter_s} s, bound 2 s (half a bar) from 32.5 s")


@pytest.mark.parametrize(
    ("grid", "message"),
    [
        ("{count: double}", "tracks.a.grid: no beat was found in a.flac, so `grid` needs its tempo too"),
        (
            "{tempo: 120 BPM, shift: 1 beat}",
            "tracks.a.grid: no beat was found in a.flac, so `grid` needs `bar_1`",
        ),
    ],
)
def test_a_track_without_a_beat_gets_one_only_by_tempo_and_bar_1(grid, message):
    assert message in problems_of(f"tracks: [{{a: {{file: a.flac, grid: {grid}}}}}]", gridless(60.0))


def test_a_count_beyond_every_tempo_is_refused_at_its_place():
    text = "tracks: [{a: {file: a.flac, grid: {count: double}}}]"

    assert "tracks.a.grid.count: the tempo would be 440 BPM; it lies from 20 to 400 BPM" in problems_of(
        text, steady(220)
    )


def test_a_nudge_is_carried_on():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, overlap: 4 bars, nudge: 4 ms}
          - {from: b, to: c, leave: 65, enter: 1, overlap: 4 bars}
    """
    mix = timeline(text, steady(120), steady(120), steady(120))

    assert [track.shift_s for track in mix.tracks] == [0, 0.004, 0.004]


# --- tracks without a grid, and drifting ones -------------------------------------------------------------


def test_a_track_without_beats_plays_untouched_for_the_seconds_that_are_written():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 2 s, overlap: 8 s}
          - {from: b, to: c, leave: 50 s, enter: 9, overlap: 4 s}
    """
    mix = timeline(text, steady(120), gridless(60.0), steady(130))
    first, second = mix.transitions

    assert isinstance(mix.tracks[1].spans[0], FreeSpan)
    assert not first.beatmatched and not second.beatmatched
    assert first.end_s - first.start_s == pytest.approx(8.0)
    assert second.start_s == pytest.approx(first.start_s + 48.0)
    assert mix.tracks[2].source_s_at(second.start_beat, mix.tempo_map) == pytest.approx(8 * 4 * 60 / 130)
    assert mix.tempo_map.tempo_at(second.end_beat + 1) == 130
    pieces = [p for t in mix.tracks for p in track_pieces(t, mix.tempo_map, sample_rate_hz=44100)]
    assert all(isinstance(piece, Copy) for piece in pieces)


def test_bars_of_a_track_without_beats_are_refused():
    text = "tracks: [a.flac, b.flac]\ntransitions: [{from: a, to: b, leave: 9, enter: 5}]"

    assert "no beat is known of `b`" in problems_of(text, steady(120), gridless(60.0))


def test_beatmatch_cannot_be_asked_of_a_track_without_beats():
    text = "tracks: [a.flac, b.flac]\ntransitions: [{from: a, to: b, beatmatch: true}]"

    assert "give its `grid`" in problems_of(text, steady(120), gridless(60.0))


def test_a_mix_of_tracks_without_beats_needs_nothing_written():
    mix = timeline("tracks: [a.flac, b.flac]", gridless(60.0), gridless(90.0))

    assert mix.transitions[0].end_s <= 60.0
    assert mix.duration_s > 90


def drifting(bars: int = 64) -> TrackFacts:
    rng = np.random.default_rng(7)
    beats = bars * 4 + 1
    tempo = 120 + 2 * np.sin(np.arange(beats) / 20) + rng.normal(0, 0.3, beats)
    beats_s = tuple((np.cumsum(60 / tempo) - 60 / tempo[0] + 0.1).tolist())
    grid = Grid("drifting", 120.0, beats_s[0], beats_s=beats_s)
    base = steady(120, bars=bars)
    return TrackFacts(
        content_hash="2" * 32,
        duration_s=beats_s[-1] + 0.4,
        sample_rate_hz=44100,
        channels=2,
        decoder="none",
        grid=grid,
        first_enter_bar=1,
        last_leave_bar=bars + 1,
        first_sound_s=0.1,
        last_sound_s=beats_s[-1],
        loudness=base.loudness,
    )


def test_a_drifting_track_plays_untouched_outside_overlaps():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, overlap: 8 bars}
          - {from: b, to: c, leave: 49, enter: 1, overlap: 8 bars}
    """
    facts = drifting()
    mix = timeline(text, steady(124), facts, steady(124))
    pieces = track_pieces(mix.tracks[1], mix.tempo_map, sample_rate_hz=44100)

    assert [type(piece) for piece in pieces] == [Warp, Copy, Warp]
    _, beats_s = mix.beats()
    after = [b for b in beats_s if mix.transitions[0].end_s + 0.01 < b < mix.transitions[1].start_s]
    own = np.diff(facts.grid.beats_s)[33:][: len(after) - 1]
    assert np.diff(after) == pytest.approx(own, abs=1e-9)


def test_a_drifting_first_track_leads_the_mix():
    mix = timeline(TWO.replace("65", "33") % "", drifting(), steady(124))
    pieces = track_pieces(mix.tracks[0], mix.tempo_map, sample_rate_hz=44100)

    assert [type(piece) for piece in pieces] == [Copy, Warp]


# --- pieces ----------------------------------------------------------------------------------------------


def test_pieces_follow_each_other_without_holes():
    mix = timeline(TWO % "", steady(127.43, bar_1_s=0.123), steady(125.1, bar_1_s=0.321))

    for track in mix.tracks:
        pieces = track_pieces(track, mix.tempo_map, sample_rate_hz=44100)
        for before, after in pairwise(pieces):
            assert before.stop == after.start


def test_a_warp_meets_what_is_copied_beside_it_on_whole_frames():
    mix = timeline(TWO % "", steady(127.43, bar_1_s=0.123), steady(125.1, bar_1_s=0.321))
    copied, warped = track_pieces(mix.tracks[0], mix.tempo_map, sample_rate_hz=44100)
    assert isinstance(copied, Copy) and isinstance(warped, Warp)

    assert warped.head_joins and not warped.tail_joins
    assert tuple(warped.knots[0]) == (warped.start + copied.offset, warped.start)


def test_every_beat_of_a_warp_lies_on_its_beat_of_the_mix():
    mix = timeline(TWO % "", steady(124), steady(128))
    warped, _ = track_pieces(mix.tracks[1], mix.tempo_map, sample_rate_hz=44100)
    assert isinstance(warped, Warp)
    start = mix.transitions[0].start_beat

    beats = np.arange(1, 64)
    target = np.interp(beats * 60 / 128 * 44100, warped.knots[:, 0], warped.knots[:, 1])

    assert np.abs(target / 44100 - mix.tempo_map.time_at(start + beats.astype(float))).max() < 1e-9


# --- moves -----------------------------------------------------------------------------------------------


def test_moves_come_to_lie_on_beats_of_the_mix():
    moves = ", recipe: none, moves: {b: {low: {0: kill, 8: 0 dB in 2 beats}}, "
    moves += "a: {level: {end - 4: 0 dB, end: silent}}}"
    mix = timeline(TWO % moves, steady(120), steady(120))
    start = mix.transitions[0].start_beat

    low = mix.tracks[1].lanes["low"]
    level = mix.tracks[0].lanes["level"]

    assert [(p.beat - start, p.value, p.move) for p in low] == [(0, -math.inf, None), (32, 0.0, 2.0)]
    assert [(p.beat - start, p.value) for p in level] == [(48, 0.0), (64, -math.inf)]


def test_a_control_left_off_neutral_is_warned_of():
    moves = ", recipe: none, moves: {b: {low: {0: kill}}, a: {level: {15: 0 dB, 16: silent}}}"
    mix = timeline(TWO % moves, steady(120), steady(120))

    assert any("`low` of `b` is not back at neutral" in p.message for p in mix.problems)


def test_a_level_that_is_cut_is_warned_of_unless_the_recipe_is_cut():
    loud = timeline(TWO % ", recipe: none", steady(120), steady(120))
    cut = timeline(TWO % ", recipe: cut", steady(120), steady(120))

    assert any("`a` is not silent when the overlap ends" in p.message for p in loud.problems)
    assert not any("silent" in p.message for p in cut.problems)


def test_moves_of_two_transitions_that_cross_on_one_lane_are_an_error():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, moves: {b: {level: {0: silent, 24: 0 dB}}}}
          - {from: b, to: c, leave: 17, enter: 1, overlap: 8 bars, moves: {b: {level: {0: 0 dB, 8: silent}}}}
    """
    assert "reach beyond those that take it out" in problems_of(text, steady(120), steady(120), steady(120))


def test_a_tracks_own_moves_count_its_bars():
    text = """
        tracks:
          a: {file: a.flac}
          b:
            file: b.flac
            cues: {drop: 33}
            moves: {highpass: {drop - 4: open, drop: 900 Hz, 34: open at once}}
        transitions: [{from: a, to: b, leave: 65, enter: 9, overlap: 8 bars}]
    """
    mix = timeline(text, steady(120), steady(120))
    start = mix.transitions[0].start_beat

    assert [p.beat - start for p in mix.tracks[1].lanes["highpass"]] == [20 * 4, 24 * 4, 25 * 4]


def test_an_effect_without_an_amount_is_warned_of_where_it_is_written():
    text = """
        tracks: {a: {file: a.flac, moves: {phaser: {time: 8 beats}}}, b: b.flac}
        transitions:
          - from: a
            to: b
            recipe: echo-out
            moves:
              a: {echo: {time: 1 beat}, gate: {time: 1 beat}}
              b: {flanger: {delay: 1 ms}}
    """
    problems = timeline(text, steady(120), steady(120)).problems

    assert {p.path: p.message for p in problems if "amount" in p.message} == {
        "tracks.a.moves.phaser": "`phaser` of `a` has no `amount`, so it is not heard; write one",
        "transitions[1].moves.a.gate": "`gate` of `a` has no `amount`, so it is not heard; write one",
        "transitions[1].moves.b.flanger": "`flanger` of `b` has no `amount`, so it is not heard; write one",
    }


# --- the length of the mix --------------------------------------------------------------------------------


def test_a_mix_longer_than_wanted_says_which_leaves_would_cure_it():
    text = TWO.replace("tracks:", "length: 5 min\n    tracks:") % ""
    mix = timeline(text, steady(120), steady(120))

    # 64 bars alone, then 96: 160 bars of 2 s are 5 min 20 s; one phrase is 16 s.
    (problem,) = [p for p in mix.problems if p.path == "length"]
    assert problem.message == (
        "the mix lasts 5:20.0, 0:20.0 longer than wanted; to come near, leave `a` at 57"
    )


def test_a_mix_shorter_than_wanted_says_so():
    text = TWO.replace("tracks:", "length: 5 min 55 s\n    tracks:") % ""
    mix = timeline(text, steady(120), steady(120))

    (problem,) = [p for p in mix.problems if p.path == "length"]
    assert "0:35.0 shorter than wanted; to come near, leave `a` at 81" in problem.message


def test_a_mix_of_the_wanted_length_says_nothing():
    text = TWO.replace("tracks:", "length: 5 min 20 s\n    tracks:") % ""

    assert not [p for p in timeline(text, steady(120), steady(120)).problems if p.path == "length"]


def test_a_faulty_transition_does_not_hide_the_faults_of_the_next():
    text = """
        tracks: [a.flac, b.flac, c.flac]
        transitions:
          - {from: a, to: b, leave: 65, enter: 9.5, overlap: 8 bars}
          - {from: b, to: c, leave: 65, enter: 1, overlap: 40 bars}
    """
    message = problems_of(text, steady(120), steady(120), steady(120))

    assert "transitions[1].enter" in message
    assert "transitions[2].overlap" in message


# --- doubts and places that cannot be ---------------------------------------------------------------------


def test_doubts_of_the_grid_are_passed_on_unless_the_plan_settles_them():
    doubts = (Doubt("tempo", "87 or 174 BPM?"), Doubt("key", "the key may also be C major"))
    doubtful = steady(87, doubts=doubts)
    text = "tracks: [{a: {file: a.flac%s}}]"

    plain = timeline(text % "", doubtful)
    settled = timeline(text % ", grid: {tempo: 87 BPM, bar_1: 0 s}", doubtful)

    assert [(p.path, p.message) for p in plain.problems] == [("tracks.a", "'a.flac': 87 or 174 BPM?")]
    assert not settled.problems


def test_a_doubt_that_one_command_settles_is_passed_on_with_it():
    doubtful = steady(87, doubts=(Doubt("tempo", "87 or 174 BPM?", "--double"),))

    (problem,) = timeline("tracks: [{a: {file: 'night boat.flac'}}]", doubtful).problems

    assert problem.message == (
        "'night boat.flac': 87 or 174 BPM? (to change it: `mixrender grid 'night boat.flac' --double`)"
    )


def test_a_bar_1_beyond_the_file_is_refused():
    text = "tracks: [{a: {file: a.flac, grid: {tempo: 120 BPM, bar_1: 900 s}}}]"

    assert "bar 1 cannot lie at 900 s: the file ends at 192.0 s" in problems_of(text, steady(120))


def test_a_point_after_the_track_has_ended_is_warned_of():
    mix = timeline(TWO % ", moves: {a: {high: {20: -6 dB}}}", steady(120), steady(120))

    assert any(
        "a point of `high` lies after the overlap, where `a` has ended" in p.message for p in mix.problems
    )


def test_a_file_that_ends_just_short_of_its_last_bar_line_is_left_on_it():
    facts = steady(120, bars=33)
    short = TrackFacts(**{**vars(facts), "duration_s": facts.duration_s - 0.008, "last_leave_bar": 33})
    mix = timeline("tracks: [a.flac, b.flac]", short, steady(120))

    # To bar 34 less 16 bars is 18; 17 is the phrase line before it.
    assert mix.transitions[0].leave_bar == 17


@pytest.mark.parametrize("last_sound_s", [3.0, 0.0])
def test_a_track_too_short_to_overlap_or_silent_is_played_to_its_end(last_sound_s):
    short = TrackFacts(**{**vars(gridless(3.0)), "last_sound_s": last_sound_s})
    mix = timeline("tracks: [a.flac, b.flac]", short, steady(120))

    assert mix.tracks[0].end_s == pytest.approx(3.0, abs=0.6)
    assert mix.transitions[0].end_s <= 3.0 + 1e-6
