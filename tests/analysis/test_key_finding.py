"""The key of synthesised cadences."""

import numpy as np
import pytest
import soxr
from loop_music import RATE_HZ, make_track

from mixrender.analysis.key import find_key, named
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.keys import Key, parse_key

MINOR_SCALE = np.array([1.0, 0, 0.4, 0.5, 0, 0.4, 0, 0.8, 0.3, 0, 0.4, 0])
TUNING_BOUND_CENTS = 3.0


def key_of(**track):
    sound = make_track(
        sections=(("kick", "chords"), ("kick", "snare", "hat", "bass", "chords")), **track
    ).sound
    return find_key(soxr.resample(sound.mean(axis=1), RATE_HZ, ANALYSIS_RATE_HZ).astype(np.float32))


@pytest.mark.parametrize(("tonic", "minor"), [(9, True), (6, True), (0, False), (10, False)])
def test_a_cadence_over_drums_names_its_key(tonic, minor):
    found = key_of(tempo_bpm=126.0, tonic=tonic, minor=minor)

    print(f"{found.key} ({found.confidence:.2f}), then {found.rival}")
    assert found.key == Key(tonic, "minor" if minor else "major")


@pytest.mark.accuracy
@pytest.mark.parametrize("minor", [True, False])
@pytest.mark.parametrize("tonic", range(12))
def test_a_cadence_names_its_key_in_all_twelve(tonic, minor):
    assert key_of(tempo_bpm=132.0, tonic=tonic, minor=minor).key == Key(tonic, "minor" if minor else "major")


@pytest.mark.parametrize("cents", [-30.0, 0.0, 25.0])
def test_a_detuned_cadence_keeps_its_key_and_tells_its_tuning(cents):
    sound = make_track(tempo_bpm=126.0, sections=(("chords",),)).sound.mean(axis=1)
    # Played faster by the ratio, it is tuned higher by as much.
    signal = soxr.resample(sound, RATE_HZ * 2.0 ** (cents / 1200.0), ANALYSIS_RATE_HZ).astype(np.float32)
    found = find_key(signal)

    error = found.tuning_cents - cents
    print(
        f"tuning {found.tuning_cents:.1f} for {cents} cents: off by {error:.1f} (bound {TUNING_BOUND_CENTS})"
    )
    assert found.key == parse_key("A minor")
    assert abs(error) <= TUNING_BOUND_CENTS


@pytest.mark.parametrize("tonic", range(12))
def test_a_scale_of_notes_names_its_tonic(tonic):
    found = named(np.roll(MINOR_SCALE, tonic))

    assert found.key == Key(tonic, "minor")
    assert found.rival != found.key


def test_a_clearer_scale_gives_more_confidence():
    clear = named(MINOR_SCALE).confidence
    vague = named(0.3 * MINOR_SCALE + np.roll(MINOR_SCALE, 7)).confidence

    print(f"clear {clear:.2f} > two keys at once {vague:.2f}")
    assert clear > vague
    assert 0.0 <= vague <= clear <= 1.0


@pytest.mark.parametrize(
    "signal",
    [np.zeros(50000), np.zeros(10), np.zeros(0), np.full(50000, 1e-6)],
    ids=["silence", "short", "empty", "faint"],
)
def test_what_has_no_sound_has_no_key(signal):
    found = find_key(signal.astype(np.float32))

    assert found.key is None
    assert found.confidence == 0.0


def test_equal_tones_have_no_key():
    assert named(np.ones(12)).key is None


@pytest.mark.parametrize("length_s", [1.0, 2.5])
def test_a_short_sound_raises_no_fault_or_warning(length_s):
    tone = np.sin(2 * np.pi * 220 * np.arange(round(length_s * ANALYSIS_RATE_HZ)) / ANALYSIS_RATE_HZ)

    found = find_key(tone.astype(np.float32))

    assert found.key is None or found.key.tonic in (9, 2)  # A, or D with A as its fifth
