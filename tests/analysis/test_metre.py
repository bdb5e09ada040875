"""Bars of three beats, of four, and of two dotted ones are told apart."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from loop_music import PATTERNS, RATE_HZ, make_track

from mixrender.analysis.beats import Beats, find_beats
from mixrender.analysis.metre import find_metre, three_against_four
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.analysis.slots import Slots

TEMPO_BOUND = 5e-5
"""Relative."""

BAR_BOUND_S = 0.005
LEAD_S = 0.2


def beats_of(pattern: str, tempo_bpm: float, *, swing: float = 0.5) -> Beats:
    track = make_track(tempo_bpm=tempo_bpm, pattern=pattern, lead_s=LEAD_S, swing=swing)
    signal = soxr.resample(track.sound.mean(axis=1), RATE_HZ, ANALYSIS_RATE_HZ).astype(np.float32)
    return find_beats(signal, first_sound_s=LEAD_S)


def assert_bars(found: Beats, *, tempo_bpm: float, beats_per_bar: int) -> None:
    grid = found.grid
    off_s = abs(grid.bar_1_s - LEAD_S)
    print(
        f"{grid.tempo_bpm} BPM, {grid.beats_per_bar} to the bar, bar 1 off by {1e3 * off_s:.2f} ms "
        f"(bound {1e3 * BAR_BOUND_S} ms)"
    )
    assert grid.beats_per_bar == beats_per_bar
    assert abs(grid.tempo_bpm / tempo_bpm - 1.0) <= TEMPO_BOUND
    assert off_s <= BAR_BOUND_S


@pytest.mark.parametrize("tempo_bpm", [100.0, 120.0, 150.0, 180.0])
def test_a_waltz_has_three_beats_to_the_bar(tempo_bpm):
    assert_bars(beats_of("waltz", tempo_bpm), tempo_bpm=tempo_bpm, beats_per_bar=3)


@pytest.mark.parametrize("tempo_bpm", [60.0, 72.0, 100.0, 140.0])
def test_six_eight_has_two_dotted_beats_to_the_bar_and_says_so(tempo_bpm):
    found = beats_of("six-eight", tempo_bpm)

    assert_bars(found, tempo_bpm=tempo_bpm, beats_per_bar=2)
    assert any(doubt.cure == "--beats-per-bar 4" and "6/8" in doubt.words for doubt in found.doubts)
    assert found.confidence.bar_1 < 0.9


def test_the_doubt_about_a_halved_tempo_leads_away_from_it():
    found = beats_of("six-eight", 100.0)

    doubt = next(doubt for doubt in found.doubts if doubt.part == "tempo")
    print(f"{found.grid.tempo_bpm} BPM: {doubt}")
    assert doubt.words == "100 or 200 BPM?"
    assert doubt.cure == "--double"


@pytest.mark.parametrize("swing", [0.5, 0.6, 0.66])
@pytest.mark.parametrize("pattern", sorted(set(PATTERNS) - {"waltz", "six-eight"}))
def test_swing_makes_no_thirds_of_four_beats(pattern, swing):
    found = beats_of(pattern, 124.0, swing=swing)

    print(f"{pattern}, swing {swing}: {found.grid.beats_per_bar} to the bar (wanted 4)")
    assert found.grid.beats_per_bar == 4


def test_what_repeats_after_three_beats_is_told_from_what_repeats_after_four():
    rows = np.zeros((2, 4, 480))
    rows[0, :, ::12], rows[1, :, ::16] = 1.0, 1.0

    three, four = (three_against_four(row) for row in rows)

    print(f"evidence {three:.2f} (bound > 1) and {four:.2f} (bound < -1)")
    assert three > 1.0
    assert four < -1.0


def test_without_evidence_bars_have_four_beats():
    empty = Slots(np.arange(64.0), np.zeros((5, 64)), np.zeros((4, 64)), np.zeros((48, 64)))

    metre = find_metre(empty)

    print(f"{metre} (bounds 0.9 and 0.99)")
    assert metre.beats_per_bar == 4
    assert 0.9 <= metre.probability < 0.99
