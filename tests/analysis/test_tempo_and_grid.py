"""Tempo, beats and bar 1 on music whose beats are known."""

import mir_eval.beat
import mir_eval.tempo
import numpy as np
import pytest
from grid_scores import beats_of, doubts, mono
from loop_music import RATE_HZ, SECTIONS, Track, make_track

from mixrender.analysis.beats import Beats, find_beats
from mixrender.analysis.grid import rounded_tempo

TEMPO_BOUND = 5e-5  # 0.005 %
OFFSET_BOUND_S = 0.005
SHORT = SECTIONS[:4]


def times_of(found: Beats, track: Track):
    last = round(found.grid.beat_at(float(track.beats_s[-1])))
    return np.array([found.grid.time_at(beat) for beat in range(last + 1)])


def offsets_s(found: Beats, track: Track):
    times = times_of(found, track)
    nearest = times[np.argmin(np.abs(times[:, None] - track.beats_s[None, :]), axis=0)]
    return nearest - track.beats_s


def assert_right(found: Beats, track: Track) -> None:
    grid = found.grid
    error = grid.tempo_bpm / track.tempo_bpm - 1.0
    offset = float(np.median(offsets_s(found, track)))
    late_s = grid.bar_1_s - track.beats_s[0]
    print(
        f"tempo off by {100 * error:.5f} % (bound {100 * TEMPO_BOUND} %), beats by {1e3 * offset:.2f} ms "
        f"and bar 1 by {1e3 * late_s:.2f} ms (bound {1e3 * OFFSET_BOUND_S} ms)"
    )

    assert grid.kind == "steady"
    assert abs(error) <= TEMPO_BOUND
    assert abs(offset) <= OFFSET_BOUND_S
    assert abs(late_s) <= OFFSET_BOUND_S


@pytest.mark.parametrize(
    ("tempo_bpm", "pattern"),
    [(124.0, "four on the floor"), (127.43, "four on the floor"), (174.0, "breakbeat"), (140.0, "two-step")],
)
def test_a_steady_track_gets_its_tempo_beats_and_bar_1(tempo_bpm, pattern):
    track = make_track(tempo_bpm=tempo_bpm, pattern=pattern, sections=SHORT, lead_s=0.37)

    assert_right(beats_of(track), track)


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("tempo_bpm", "pattern"),
    [(87.0, "breakbeat"), (87.0, "hip-hop"), (94.0, "two-step"), (174.0, "two-step"), (170.0, "breakbeat")],
)
def test_the_snares_tell_half_from_double_tempo(tempo_bpm, pattern):
    track = make_track(tempo_bpm=tempo_bpm, pattern=pattern, lead_s=0.2)

    assert_right(beats_of(track), track)


@pytest.mark.accuracy
@pytest.mark.parametrize("pattern", ["four on the floor", "breakbeat", "two-step", "hip-hop"])
@pytest.mark.parametrize("tempo_bpm", [122.0, 124.0, 127.43, 128.0, 133.1, 140.0])
def test_every_pattern_gets_its_grid_at_every_tempo(tempo_bpm, pattern):
    track = make_track(tempo_bpm=tempo_bpm, pattern=pattern, lead_s=1.234, seed=7)

    assert_right(beats_of(track), track)


@pytest.mark.parametrize("tempo_bpm", [87.0, 174.0])
def test_at_87_and_174_the_tempo_is_one_of_the_two_and_the_other_is_offered(tempo_bpm):
    found = beats_of(make_track(tempo_bpm=tempo_bpm, pattern="hip-hop", sections=SHORT))

    octaves = np.log2(found.grid.tempo_bpm / tempo_bpm)
    print(f"found {found.grid.tempo_bpm} BPM for {tempo_bpm}: {octaves:+.5f} octaves (whole to 1e-4)")
    assert abs(octaves - round(octaves)) <= 1e-4
    assert round(found.grid.tempo_bpm) == tempo_bpm or "87 or 174 BPM?" in doubts(found)


def test_the_published_beat_and_tempo_scores_are_full():
    # mir_eval 0.8 `beat.f_measure` (within 70 ms), `beat.continuity`, `tempo.detection` (within 8 %): they
    # ask far less than the bounds above.
    track = make_track(tempo_bpm=126.0, pattern="two-step", sections=SHORT, swing=0.6)
    found = beats_of(track)
    times = times_of(found, track)

    f_measure = mir_eval.beat.f_measure(track.beats_s, times)
    continuity = mir_eval.beat.continuity(track.beats_s, times)
    reference, estimate = np.array([60.0, 126.0]), np.array([60.0, found.grid.tempo_bpm])
    score, _, _ = mir_eval.tempo.detection(reference, 1.0, estimate)

    print(f"F {f_measure:.3f} (bound 0.99), continuity {continuity} (bound 0.99), tempo {score} (bound 1)")
    assert f_measure >= 0.99
    assert min(continuity) >= 0.99
    assert score == 1.0


def test_swung_sixteenths_do_not_move_the_beat():
    track = make_track(tempo_bpm=122.0, pattern="two-step", sections=SHORT, swing=0.62)

    assert_right(beats_of(track), track)


def test_a_clear_track_is_sure_and_has_no_warnings():
    found = beats_of(make_track(tempo_bpm=126.0))

    print(f"confidence {found.confidence.placed:.3f} (bound 0.9)")
    assert found.confidence.placed >= 0.9
    assert doubts(found) == []


def test_bar_1_is_the_first_bar_line_after_the_first_sound():
    # A pickup of one beat: its sound comes three beats into bar 0, so that bar 1 is one beat after it.
    track = make_track(tempo_bpm=126.0, sections=SHORT, lead_s=2.0)
    pickup_s = track.beats_s[0] - (track.beats_s[1] - track.beats_s[0])
    sound = track.sound.copy()
    hit = sound[round(track.beats_s[0] * RATE_HZ) :][:4000]
    sound[round(pickup_s * RATE_HZ) :][:4000] += hit
    found = beats_of(Track(sound, track.beats_s, track.tempo_bpm, track.key))

    late_s = found.grid.bar_1_s - track.beats_s[0]
    print(f"bar 1 is off by {1e3 * late_s:.2f} ms (bound {1e3 * OFFSET_BOUND_S} ms)")
    assert abs(late_s) <= OFFSET_BOUND_S


def test_bar_1_is_found_when_the_drums_come_in_late():
    sections = (
        ("chords",),
        ("kick", "hat", "chords"),
        ("kick", "snare", "hat", "bass", "chords"),
        ("kick", "hat"),
    )
    track = make_track(tempo_bpm=128.0, sections=sections, lead_s=0.2)

    assert_right(beats_of(track), track)


@pytest.mark.accuracy
@pytest.mark.parametrize("lead_s", [0.0, 0.0113, 0.4, 7.77])
def test_leading_silence_moves_the_grid_and_nothing_else(lead_s):
    track = make_track(tempo_bpm=128.0, lead_s=lead_s)

    assert_right(beats_of(track), track)


def rng():
    return np.random.default_rng(5)


@pytest.mark.parametrize(
    ("name", "signal"),
    [
        ("a chord held", np.sin(2 * np.pi * 220 * np.arange(20 * 22050) / 22050) * 0.3),
        ("noise", 0.1 * rng().standard_normal(20 * 22050)),
        ("rain", (rng().random(20 * 22050) > 0.9997) * 0.5),
        ("silence", np.zeros(20 * 22050)),
        ("one click", np.eye(1, 10 * 22050, 1000)[0]),
    ],
)
def test_where_nothing_repeats_there_is_no_grid_but_a_warning(name, signal):
    found = find_beats(signal.astype(np.float32), first_sound_s=0.0)

    print(f"{name}: {found.grid.kind} {doubts(found)}")
    assert found.grid.kind == "none"
    assert found.confidence.placed == 0.0
    assert doubts(found) == ["no steady beat found"]


@pytest.mark.parametrize("length", [0, 1, 1000, 22050, 4 * 22050 - 1])
def test_what_is_shorter_than_four_seconds_has_no_grid(length):
    found = find_beats(np.ones(length, dtype=np.float32), first_sound_s=0.0)

    assert found.grid.kind == "none"
    assert found.slots is None
    assert "too short" in doubts(found)[0]


@pytest.mark.parametrize("length_s", [4.0, 5.3, 8.0])
def test_a_few_seconds_of_a_beat_give_a_grid_or_a_warning_but_no_fault(length_s):
    track = make_track(tempo_bpm=128.0, sections=(("kick", "hat"),))
    found = find_beats(mono(track.sound[: round(length_s * RATE_HZ)]), first_sound_s=0.0)

    print(f"{length_s} s: {found.grid.kind} {doubts(found)}")
    assert found.grid.kind != "none" or doubts(found)


@pytest.mark.parametrize(
    ("fitted", "error", "duration_s", "expected"),
    [
        (128.0009, 0.0, 300.0, 128.0),  # 0.0007 %
        (127.5011, 0.0, 300.0, 127.5),
        (127.43, 0.0, 300.0, 127.43),
        (127.99, 0.0, 300.0, 127.99),  # 0.008 %: 23 ms over the track
        (126.003, 0.0, 30.0, 126.0),  # 0.0024 %: less than 1.5 ms over half a minute
        (126.003, 0.0, 300.0, 126.003),
        (126.006, 4e-5, 30.0, 126.0),  # the fit itself is no surer
    ],
)
def test_a_tempo_that_cannot_be_told_from_a_round_one_is_round(fitted, error, duration_s, expected):
    assert rounded_tempo(fitted, error_relative=error, duration_s=duration_s) == expected


def test_the_same_sound_gives_the_same_grid():
    track = make_track(tempo_bpm=128.0, sections=SHORT[:2])

    assert beats_of(track).grid == beats_of(track).grid
