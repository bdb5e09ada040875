"""Tempos that drift, step, ramp and are cut: the beats are followed, the change is told, nothing is sure."""

import mir_eval.beat
import numpy as np
import pytest
from grid_scores import beats_of, beats_within, doubts, late_s
from loop_music import SECTIONS, make_track, wander, without

from mixrender.analysis.bar_shift import BarShift
from mixrender.analysis.smooth import smoothed
from mixrender.analysis.tempo_changes import Change, Course, changes_in_words, drift_in_words
from mixrender.analysis.tempo_path import beats_gone, tempo_path
from mixrender.facts import SURE

# F-measure with a window of 70 ms: Davies, Degara and Plumbley, "Evaluation methods for musical audio beat
# tracking algorithms", 2009; mir_eval 0.8 `beat.f_measure`. That 0.95 of the beats should be found, and 80 %
# of them within 20 ms: common practice, no source.
F_BOUND = 0.95
PLACED_S, PLACED_BOUND = 0.020, 0.80
STRAIGHT_BOUND_S = 0.005
LOUD = ("kick", "snare", "hat", "bass")
DRUMS = (("kick", "hat"), LOUD, (*LOUD, "chords"), (*LOUD, "chords"), ("kick", "snare", "hat"))


def stepping(*steps):
    """A drift that holds one factor from each beat on: (beat, factor), in order."""
    return lambda beat: [factor for start, factor in ((0, 1.0), *steps) if beat >= start][-1]


def assert_followed(found, track):
    off = np.abs(late_s(found, track))
    placed = float(np.mean(off <= PLACED_S))
    score = mir_eval.beat.f_measure(track.beats_s, beats_within(found, track))
    print(
        f"F {score:.3f} (bound {F_BOUND}), within 20 ms {placed:.3f} (bound {PLACED_BOUND}), "
        f"95 % within {1e3 * np.percentile(off, 95):.1f} ms; {doubts(found)}"
    )
    assert found.grid.kind == "drifting"
    assert score >= F_BOUND
    assert placed >= PLACED_BOUND
    assert np.all(np.diff(found.grid.beats_s) > 0.0)
    assert found.confidence.placed <= 0.5


def test_a_drummer_who_wanders_is_followed():
    track = make_track(
        tempo_bpm=128.0,
        pattern="breakbeat",
        sections=DRUMS[:4],
        drift=wander(spread=0.015, seed=4),
        jitter_s=0.008,
    )
    found = beats_of(track)

    assert_followed(found, track)
    assert any("the tempo drifts by" in words for words in doubts(found))


@pytest.mark.accuracy
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("pattern", ["four on the floor", "breakbeat", "two-step", "hip-hop"])
def test_every_pattern_is_followed_while_it_wanders(pattern, seed):
    track = make_track(
        tempo_bpm=118.0,
        pattern=pattern,
        sections=DRUMS,
        drift=wander(spread=0.012, seed=seed),
        jitter_s=0.008,
    )

    assert_followed(beats_of(track), track)


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("name", "drift"),
    [
        ("a creep from 117 to 121 BPM", lambda beat: 1.0 + (121.0 / 117.0 - 1.0) * beat / 192.0),
        ("waves of 1 %", lambda beat: 1.0 + 0.01 * np.sin(beat / 15.0)),
    ],
)
def test_a_smooth_drift_is_followed_through_a_break_without_drums(name, drift):
    print(name)
    track = make_track(tempo_bpm=117.0, drift=drift, jitter_s=0.006)
    found = beats_of(track)

    assert_followed(found, track)
    assert found.grid.beats_s[-found.grid.first_beat] == pytest.approx(found.grid.bar_1_s)


@pytest.mark.parametrize("jitter_s", [0.006, 0.010])
def test_people_who_play_to_a_click_are_steady(jitter_s):
    track = make_track(tempo_bpm=122.0, pattern="breakbeat", sections=DRUMS[:4], jitter_s=jitter_s)
    found = beats_of(track)

    error = abs(found.grid.tempo_bpm / 122.0 - 1.0)
    off_s = float(np.median(late_s(found, track)))
    print(f"tempo off by {100 * error:.4f} % (bound 0.01 %), beats by {1e3 * off_s:.2f} ms (bound 5 ms)")
    assert found.grid.kind == "steady"
    assert error <= 1e-4  # a hundredth of a per cent: 20 ms over three minutes
    assert abs(off_s) <= 0.005


@pytest.mark.parametrize(
    ("tempo_bpm", "drift", "words"),
    [
        (100.0, stepping((64, 1.28)), "the tempo changes from 100.00 to 128.00 BPM at bar 17"),
        (124.0, stepping((64, 126.0 / 124.0)), "the tempo changes from 124.00 to 126.00 BPM at bar 17"),
    ],
)
def test_a_step_of_the_tempo_is_two_straight_pieces_and_told(tempo_bpm, drift, words):
    track = make_track(tempo_bpm=tempo_bpm, sections=DRUMS[:4], drift=drift)
    found = beats_of(track)

    assert_followed(found, track)
    assert_straight(found, track)
    assert words in doubts(found)


def assert_straight(found, track):
    off_s = float(np.percentile(np.abs(late_s(found, track)), 97))
    print(f"97 % of the beats within {1e3 * off_s:.2f} ms (bound {1e3 * STRAIGHT_BOUND_S} ms)")
    assert off_s <= STRAIGHT_BOUND_S


@pytest.mark.accuracy
@pytest.mark.parametrize("pattern", ["four on the floor", "breakbeat", "hip-hop"])
@pytest.mark.parametrize(
    ("tempo_bpm", "drift", "words"),
    [
        (100.0, stepping((96, 1.28)), "the tempo changes from 100.00 to 128.00 BPM at bar 25"),
        (124.0, stepping((100, 0.96)), "the tempo changes from 124.00 to 119.04 BPM at bar 26"),
        (
            120.0,
            stepping((64, 1.1), (128, 0.95)),
            "the tempo changes from 120.00 to 132.00 BPM at bar 17, to 114.00 BPM at bar 33",
        ),
    ],
)
def test_steps_are_told_to_the_bar_in_every_pattern(pattern, tempo_bpm, drift, words):
    track = make_track(tempo_bpm=tempo_bpm, pattern=pattern, drift=drift)
    found = beats_of(track)

    assert_followed(found, track)
    assert_straight(found, track)
    assert words in doubts(found)


@pytest.mark.accuracy
def test_a_ramp_between_two_tempos_is_told_with_both_its_ends():
    def ramp(beat):
        return 1.0 + 0.06 * float(np.clip((beat - 64.0) / 32.0, 0.0, 1.0))

    track = make_track(tempo_bpm=124.0, pattern="breakbeat", sections=DRUMS, drift=ramp)
    found = beats_of(track)

    assert_followed(found, track)
    assert any(
        words.startswith("the tempo changes from 124.00 to 131.44 BPM between bars")
        for words in doubts(found)
    )


@pytest.mark.accuracy
@pytest.mark.parametrize("share", [0.3, 0.5])
def test_a_tempo_that_is_left_for_long_is_not_steady(share):
    # A short ramp of a fifth: the whole track's onsets still fit one of the two tempos best.
    start = 192 * share
    track = make_track(
        tempo_bpm=110.0, drift=lambda beat: 1.0 + 0.2 * float(np.clip((beat - start) / 8.0, 0, 1))
    )
    found = beats_of(track)

    print(f"{found.grid.kind}, confidence {found.confidence.placed:.2f} (bound 0.5); {doubts(found)}")
    assert found.grid.kind == "drifting"
    assert found.confidence.placed <= 0.5


@pytest.mark.parametrize("beats", [0.3, 0.4])
def test_a_cut_within_a_beat_is_found_and_the_beats_are_right_on_both_sides(beats):
    track = without(
        make_track(tempo_bpm=126.0, pattern="breakbeat", sections=DRUMS[:4]), beat=64, beats=beats
    )
    found = beats_of(track)

    assert_followed(found, track)
    assert any(
        words.startswith("the beats shift by") and "at about bar 1" in words for words in doubts(found)
    )


@pytest.mark.parametrize(
    ("beats", "words"),
    [
        (1, "bar lines shift by 1 beat at about bar"),
        (2, "bar lines shift by 2 beats at about bar"),
        (0.5, "the beats shift by half a beat at about bar"),
    ],
)
def test_a_piece_missing_in_the_middle_is_told_with_its_size_and_bar(beats, words):
    plain = make_track(tempo_bpm=126.0, pattern="two-step", sections=SECTIONS[:2] + SECTIONS[3:])
    found = beats_of(without(plain, beat=84, beats=beats))

    said = [doubt for doubt in doubts(found) if doubt.startswith(words)]
    print(f"{doubts(found)} (bar 22, bound 2 bars)")
    assert said
    assert abs(int(said[0].split()[-1]) - 22) <= 2
    assert found.confidence.bar_1 < SURE
    assert beats == round(beats) or found.confidence.beats < SURE


@pytest.mark.accuracy
@pytest.mark.parametrize("pattern", ["four on the floor", "breakbeat", "two-step", "hip-hop"])
def test_whole_tracks_are_said_to_shift_nowhere(pattern):
    found = beats_of(make_track(tempo_bpm=124.0, pattern=pattern))

    print(doubts(found))
    assert found.grid.kind == "steady"
    assert not [words for words in doubts(found) if "shift" in words]


def test_an_odd_bar_leaves_the_beats_where_they_are():
    track = without(make_track(tempo_bpm=126.0, sections=DRUMS[:4]), beat=66, beats=2)
    found = beats_of(track)

    off_s = float(np.percentile(np.abs(late_s(found, track)), 97))
    print(f"97 % of the beats within {1e3 * off_s:.2f} ms (bound {1e3 * STRAIGHT_BOUND_S} ms)")
    assert found.grid.kind == "steady"
    assert off_s <= STRAIGHT_BOUND_S


def test_the_path_finds_a_tempo_and_counts_its_beats():
    frames = np.arange(60 * 172)
    seconds = frames * 128.0 / 22050.0
    clicks = (np.mod(seconds * 2.1 + 0.004, 1.0) < 0.01).astype(np.float32) + np.float32(0.01)
    path = tempo_path(clicks, 122.0)

    off = float(np.median(np.abs(path / 126.0 - 1.0)))
    gone = float(beats_gone(path)[-1]) - 2.1 * frames.size * 128.0 / 22050.0
    print(f"tempo off by {100 * off:.3f} % (bound 0.2 %), beats by {gone:.3f} (bound 0.25)")
    assert off <= 0.002
    assert abs(gone) <= 0.25


def test_smoothing_keeps_a_line_and_bridges_what_has_no_weight():
    line = 0.3 + 0.002 * np.arange(80.0)
    weights = np.ones(80)
    weights[30:50] = 0.0
    noisy = line.copy()
    noisy[30:50] += 5.0

    off = float(np.abs(smoothed(noisy, weights) - line).max())
    print(f"off by {off:.2e} (bound 1e-2)")
    assert off <= 1e-2


def test_smoothing_averages_jitter_out():
    noise = np.random.default_rng(2).normal(0.0, 0.016, 200)
    left = float(smoothed(noise, np.ones(200)).std() / noise.std())

    # A window of 16 beats leaves a quarter of independent noise.
    print(f"{left:.2f} of the jitter is left (bound 0.25)")
    assert left <= 0.25


def test_smoothing_does_not_reach_across_a_break():
    values = np.where(np.arange(60) < 30, 0.0, 0.4)

    apart = smoothed(values, np.ones(60), breaks=(30,))
    across = smoothed(values, np.ones(60))
    print(f"at the break {apart[29]:.1e} and {apart[30]:.3f}; without it {across[29]:.3f}")
    assert apart[29] == pytest.approx(0.0, abs=1e-6)
    assert apart[30] == pytest.approx(0.4, abs=1e-6)
    assert across[29] > 0.01


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([Change(96, 96, 100.0, 128.0)], "the tempo changes from 100.00 to 128.00 BPM at bar 25"),
        (
            [Change(96, 128, 124.0, 130.0)],
            "the tempo changes from 124.00 to 130.00 BPM between bars 25 and 33",
        ),
        ([Change(64, 64, 126.0, 126.0, 0.3)], "the beats shift by 0.3 of a beat at about bar 17"),
        ([Change(64, 64, 120.0, 120.0, -0.04)], "the beats shift by 20 ms at about bar 17"),
        (
            [Change(16 * i, 16 * i, 120.0 + i, 121.0 + i) for i in range(1, 6)],
            "the tempo changes from 121.00 to 122.00 BPM at bar 5, to 123.00 BPM at bar 9, "
            "to 124.00 BPM at bar 13, and 2 times more",
        ),
    ],
)
def test_changes_are_told_in_words(changes, words):
    assert changes_in_words(changes, lambda beat: beat / 4 + 1) == words


def test_drift_is_told_in_per_cent_and_large_drift_in_bpm():
    def beats(share):
        return np.cumsum(0.5 / (1.0 + share * np.sin(np.arange(400) / 20.0)))

    assert drift_in_words(beats(0.01)) == "the tempo drifts by 2.0 %"
    assert drift_in_words(beats(0.1)) == "the tempo changes between 108 and 132 BPM"


@pytest.mark.parametrize(
    ("sixteenths", "words"),
    [
        (-8, "bar lines shift by 2 beats at about bar 33"),
        (4, "bar lines shift by 1 beat at about bar 33"),
        (-2, "the beats shift by half a beat at about bar 33"),
        (3, "the beats shift by a quarter beat at about bar 33"),
    ],
)
def test_a_shift_of_bars_is_told_in_words(sixteenths, words):
    assert BarShift(33, sixteenths, 0.1).words == words


@pytest.mark.parametrize("by_beats", [-1.5, -0.5, 0.25, 1.75])
def test_beats_moved_after_a_cut_still_rise_and_keep_those_before_it(by_beats):
    beats_s = 0.5 * np.arange(40.0)
    course = Course(beats_s, (Change(20, 20, 120.0, 120.0, 0.3),)).moved(17, by_beats=by_beats)

    assert np.all(np.diff(course.beats_s) > 0.0)
    assert course.beats_s[:20] == pytest.approx(beats_s[:20])
    fraction = (course.beats_s[25] - beats_s[25]) / 0.5
    assert fraction == pytest.approx(by_beats - round(by_beats))
    assert course.changes[0].shift_beats == pytest.approx((0.3 - by_beats + 0.5) % 1.0 - 0.5)
