"""The key of synthesised chords, loops and cadences."""

import itertools

import mir_eval.key
import numpy as np
import pytest
import soxr
from loop_music import RATE_HZ, make_track

from mixrender.analysis.key import KeyFound, find_key, fits_of, key_doubts, tonic_fits_of
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.facts import Grid
from mixrender.keys import Key, fifths_distance, parse_key

# Harmonic practice, no source: chords as (semitones above the tonic, third of 3 or 4 semitones), from the
# first bar on. Each begins at home, as loops of dance music and cadences do.
LOOPS = {
    "minor": {
        "i VI III VII": ((0, 3), (8, 4), (3, 4), (10, 4)),
        "i iv VII III": ((0, 3), (5, 3), (10, 4), (3, 4)),
        "i VII VI VII": ((0, 3), (10, 4), (8, 4), (10, 4)),
        "i iv V i": ((0, 3), (5, 3), (7, 4), (0, 3)),
    },
    "major": {
        "I V vi IV": ((0, 4), (7, 4), (9, 3), (5, 4)),
        "I vi IV V": ((0, 4), (9, 3), (5, 4), (7, 4)),
        "I vi ii V": ((0, 4), (9, 3), (2, 3), (7, 4)),
        "I IV V I": ((0, 4), (5, 4), (7, 4), (0, 4)),
    },
}
ALL_LOOPS = [(mode, name) for mode, loops in LOOPS.items() for name in loops]
BAR_S = 2.0
SCORE_BOUND = 0.95
TUNING_BOUND_CENTS = 1.0
CHANGE_BOUND_S = 0.5
MINOR_SCALE = np.array([1.0, 0, 0.4, 0.5, 0, 0.4, 0, 0.8, 0.3, 0, 0.4, 0])


def chords(tonic, loop, *, bars=16, cents=0.0):
    """Bars of held triads in root position, four harmonics to a note, shape (n,) at the analysis rate."""
    t = np.arange(round(BAR_S * ANALYSIS_RATE_HZ)) / ANALYSIS_RATE_HZ
    envelope = np.minimum(t / 0.01, 1.0) * np.minimum((BAR_S - t) / 0.05, 1.0)
    sound = []
    for root, third in itertools.islice(itertools.cycle(loop), bars):
        notes = (60 + (tonic + root) % 12 + step for step in (0, third, 7))
        tones = [440.0 * 2.0 ** ((note - 69 + cents / 100.0) / 12.0) for note in notes]
        sound.append(
            envelope * sum(np.sin(2 * np.pi * k * f * t) / k**1.5 for f in tones for k in (1, 2, 3, 4))
        )
    return (0.1 * np.concatenate(sound)).astype(np.float32)


def drums(pattern, *, parts=("kick", "snare", "hat")):
    sound = make_track(tempo_bpm=126.0, pattern=pattern, sections=(parts, parts)).sound.mean(axis=1)
    return soxr.resample(sound, RATE_HZ, ANALYSIS_RATE_HZ).astype(np.float32)


def key_of(**track):
    sound = make_track(
        sections=(("kick", "chords"), ("kick", "snare", "hat", "bass", "chords")), **track
    ).sound
    return find_key(soxr.resample(sound.mean(axis=1), RATE_HZ, ANALYSIS_RATE_HZ).astype(np.float32))


def two_seconds_a_bar():
    return Grid(kind="steady", tempo_bpm=120.0, bar_1_s=0.0)


@pytest.mark.parametrize(("tonic", "minor"), [(9, True), (6, True), (0, False), (10, False)])
def test_a_cadence_over_drums_names_its_key(tonic, minor):
    found = key_of(tempo_bpm=126.0, tonic=tonic, minor=minor)

    print(f"{found.key} ({found.confidence:.2f}), then {found.rival}")
    assert found.key == Key(tonic, "minor" if minor else "major")
    assert found.rival != found.key


@pytest.mark.accuracy
@pytest.mark.parametrize("minor", [True, False])
@pytest.mark.parametrize("tonic", range(12))
def test_a_cadence_names_its_key_in_all_twelve(tonic, minor):
    assert key_of(tempo_bpm=132.0, tonic=tonic, minor=minor).key == Key(tonic, "minor" if minor else "major")


@pytest.mark.accuracy
@pytest.mark.parametrize(("mode", "name"), ALL_LOOPS)
def test_common_loops_score_as_keys_are_scored(mode, name):
    # mir_eval 0.8 `key.weighted_score`, the score of the MIREX audio key detection task.
    scores = []
    for tonic in range(12):
        found = find_key(chords(tonic, LOOPS[mode][name]), grid=two_seconds_a_bar())
        scores.append(mir_eval.key.weighted_score(str(Key(tonic, mode)), str(found.key)))

    print(f"{name}: {np.mean(scores):.2f} over twelve keys (bound {SCORE_BOUND})")
    assert np.mean(scores) >= SCORE_BOUND


def test_the_same_four_chords_are_in_the_key_in_which_they_begin():
    # Am F C G and C G Am F: the first chord alone tells relative keys apart.
    minor = find_key(chords(9, LOOPS["minor"]["i VI III VII"]))
    major = find_key(chords(0, LOOPS["major"]["I V vi IV"]))

    print(f"{minor.key} ({minor.confidence:.2f}), {major.key} ({major.confidence:.2f})")
    assert (str(minor.key), str(minor.rival)) == ("A minor", "C major")
    assert (str(major.key), str(major.rival)) == ("C major", "A minor")


def test_the_starts_of_phrases_tell_the_key_where_the_first_chord_misleads():
    # Four bars of dominant before the loop, as a build-up has them.
    loop = chords(0, LOOPS["major"]["I vi IV V"], bars=28)
    signal = np.concatenate([chords(7, ((0, 4),), bars=4), loop])
    grid = Grid(kind="steady", tempo_bpm=120.0, bar_1_s=4 * BAR_S)

    without, unsure, with_grid = (
        find_key(signal),
        find_key(signal, grid=grid, bars_confidence=0.0),
        find_key(signal, grid=grid),
    )
    print(f"C major at {with_grid.confidence:.2f} with the grid, {without.key} without")
    assert unsure == without
    assert str(with_grid.key) == "C major"
    assert without.key != with_grid.key or without.confidence < with_grid.confidence


@pytest.mark.parametrize("cents", [-45.0, -30.0, -4.0, 0.0, 13.0, 25.0, 45.0])
def test_detuned_chords_keep_their_key_and_tell_their_tuning(cents):
    found = find_key(chords(9, LOOPS["minor"]["i iv V i"], bars=8, cents=cents))

    error = found.tuning_cents - cents
    print(f"{found.tuning_cents:.2f} for {cents} cents: off by {error:.2f} (bound {TUNING_BOUND_CENTS})")
    assert str(found.key) == "A minor"
    assert abs(error) <= TUNING_BOUND_CENTS


def test_a_quarter_tone_off_is_either_of_two_keys_half_a_semitone_away():
    found = find_key(chords(9, LOOPS["minor"]["i iv V i"], bars=8, cents=50.0))

    error = (found.tuning_cents - 50.0 + 50.0) % 100.0 - 50.0
    print(
        f"{found.key}, tuning {found.tuning_cents:.2f} cents: off by {error:.2f} (bound {TUNING_BOUND_CENTS})"
    )
    assert abs(error) <= TUNING_BOUND_CENTS
    assert str(found.key) == ("A minor" if found.tuning_cents > 0.0 else "Bb minor")


@pytest.mark.parametrize(("old", "semitones"), [(0, 2), (5, 1), (11, -3)])
def test_a_change_of_key_is_found_where_it_is(old, semitones):
    loop = LOOPS["major"]["I V vi IV"]
    signal = np.concatenate([chords(old, loop), chords((old + semitones) % 12, loop, bars=12)])
    found = find_key(signal, grid=two_seconds_a_bar())

    off_s = found.change_s - 16 * BAR_S
    print(f"{found.key} to {found.later_key}, {off_s:+.2f} s (bound {CHANGE_BOUND_S})")
    assert found.key == Key(old, "major")
    assert found.later_key == Key(old, "major").transposed(semitones=semitones)
    assert abs(off_s) <= CHANGE_BOUND_S


@pytest.mark.parametrize(("mode", "name"), ALL_LOOPS)
def test_music_that_stays_in_its_key_changes_none(mode, name):
    assert find_key(chords(2, LOOPS[mode][name], bars=32)).change_s is None


def test_ten_seconds_are_enough_for_a_key():
    assert str(find_key(chords(4, LOOPS["minor"]["i iv V i"], bars=5)).key) == "E minor"


@pytest.mark.parametrize(
    "signal",
    [np.zeros(50000), np.zeros(10), np.zeros(0), np.full(50000, 1e-6)],
    ids=["silence", "short", "empty", "faint"],
)
def test_what_has_no_sound_has_no_key(signal):
    assert find_key(signal.astype(np.float32)) == KeyFound(None, None, 0.0, None)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_has_no_key(seed):
    noise = 0.1 * np.random.default_rng(seed).standard_normal(20 * ANALYSIS_RATE_HZ)

    assert find_key(noise.astype(np.float32)).key is None


@pytest.mark.parametrize("pattern", ["four on the floor", "breakbeat", "hip-hop"])
def test_drums_alone_have_no_key(pattern):
    assert find_key(drums(pattern)).key is None


@pytest.mark.parametrize("length_s", [1.0, 2.5])
def test_a_short_tone_raises_no_fault_and_is_at_home_in_its_key(length_s):
    tone = np.sin(2 * np.pi * 220 * np.arange(round(length_s * ANALYSIS_RATE_HZ)) / ANALYSIS_RATE_HZ)

    found = find_key(tone.astype(np.float32))

    assert found.key is not None
    assert found.key.tonic == 9


@pytest.mark.parametrize("tonic", range(12))
def test_a_scale_and_a_triad_fit_the_key_they_belong_to(tonic):
    scale = np.roll(MINOR_SCALE, tonic)
    triad = np.roll([1.0, 0, 0, 0, 0.6, 0, 0, 0.8, 0, 0, 0, 0], tonic)

    assert np.unravel_index(np.argmax(fits_of(scale)), (2, 12)) == (1, tonic)
    assert np.unravel_index(np.argmax(tonic_fits_of(triad)), (2, 12)) == (0, tonic)


def test_equal_tones_fit_no_key():
    assert not fits_of(np.ones(12)).any()


def test_a_cadence_is_surer_than_a_loop_of_shared_chords():
    clear = find_key(chords(9, LOOPS["minor"]["i iv V i"])).confidence
    vague = find_key(chords(9, LOOPS["minor"]["i VI III VII"])).confidence

    print(f"cadence {clear:.2f} > loop {vague:.2f}")
    assert 0.0 < vague < clear < 1.0


@pytest.mark.parametrize(
    ("key", "rival", "words"),
    [
        ("A minor", "C major", "the key may also be C major, its relative"),
        ("A minor", "A major", "the key may also be A major, its parallel"),
        ("A minor", "E minor", "the key may also be E minor, a fifth up"),
        ("A minor", "F# minor", "the key may also be F# minor, 3 fifths apart"),
    ],
)
def test_a_doubtful_key_names_its_rival_and_how_it_relates(key, rival, words):
    doubts = key_doubts(KeyFound(parse_key(key), parse_key(rival), 0.6, 0.0))

    assert [(doubt.part, doubt.words, doubt.cure) for doubt in doubts] == [("key", words, None)]


def test_a_sure_key_raises_no_doubt_but_for_its_change():
    sure = KeyFound(parse_key("C major"), parse_key("A minor"), 0.8, 0.0)
    moved = KeyFound(sure.key, sure.rival, 0.8, 0.0, change_s=82.5, later_key=parse_key("D major"))

    assert key_doubts(sure) == ()
    assert [doubt.words for doubt in key_doubts(moved)] == ["the key changes to D major at 1:22.5"]
    assert key_doubts(KeyFound(None, None, 0.0, None)) == ()


def test_keys_a_fifth_apart_are_no_change_of_key():
    # Sixteen bars of C major, then of G major: each is at home in the other.
    signal = np.concatenate([chords(tonic, LOOPS["major"]["I IV V I"], bars=12) for tonic in (0, 7)])

    assert fifths_distance(parse_key("C major"), parse_key("G major")) == 1
    assert find_key(signal).change_s is None
