"""Passages of speech, and the gain of music that gives way to it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from mixrender.dsp.ducking import Dip, duck_gain, passages, step_frames

RATE_HZ = 48000
STEP = step_frames(RATE_HZ)


def spoken(*spans_s: tuple[float, float], duration_s: float = 12.0, level_db: float = -20.0) -> np.ndarray:
    """Powers of sound of one level in these spans and of a noise floor of -80 dB outside."""
    powers = np.full(round(duration_s * RATE_HZ / STEP), 1e-8)
    for start_s, end_s in spans_s:
        powers[round(start_s * RATE_HZ / STEP) : round(end_s * RATE_HZ / STEP)] = 10 ** (level_db / 10)
    return powers


def seconds(found: list[tuple[int, int]]) -> list[tuple[float, float]]:
    return [(start / RATE_HZ, stop / RATE_HZ) for start, stop in found]


def test_sentences_are_passages_and_pauses_between_words_part_of_them() -> None:
    powers = spoken((1.0, 1.4), (1.8, 3.0), (5.0, 6.0))
    found = passages(powers, sample_rate_hz=RATE_HZ, hold_s=0.3)
    assert seconds(found) == [(1.0, 3.0), (5.0, 6.0)]


def test_pauses_up_to_the_hold_are_bridged_and_the_hold_is_at_least_half_a_second() -> None:
    powers = spoken((1.0, 2.0), (2.7, 3.0), (3.49, 4.0))
    assert seconds(passages(powers, sample_rate_hz=RATE_HZ, hold_s=0.1)) == [(1.0, 2.0), (2.7, 4.0)]
    assert seconds(passages(powers, sample_rate_hz=RATE_HZ, hold_s=0.8)) == [(1.0, 4.0)]


@pytest.mark.parametrize("level_db", [-50.0, -20.0, 0.0])
def test_soft_endings_belong_to_a_passage_whatever_the_level(level_db: float) -> None:
    loud, soft, softer = (spoken(span, level_db=level_db) for span in ((2, 3), (3, 3.2), (3.2, 3.4)))
    powers = np.maximum.reduce([loud, soft * 10**-2.4, softer * 10**-2.6])
    assert seconds(passages(powers, sample_rate_hz=RATE_HZ, hold_s=0.5)) == [(2.0, 3.2)]


def test_silence_and_clicks_are_no_passages() -> None:
    assert passages(np.zeros(5000), sample_rate_hz=RATE_HZ, hold_s=0.5) == []
    assert passages(np.zeros(0), sample_rate_hz=RATE_HZ, hold_s=0.5) == []
    powers = spoken((1.0, 1.02), (5.0, 6.0))
    assert seconds(passages(powers, sample_rate_hz=RATE_HZ, hold_s=0.5)) == [(5.0, 6.0)]


def test_the_gain_is_a_raised_cosine_in_db_before_and_after_and_flat_while_it_is_spoken() -> None:
    """Against the closed form, share = (1 - cos(pi x)) / 2; bound 1e-9 dB, which is rounding."""
    dip = Dip(10_000, 20_000, 4_000, 8_000, 12.0)
    gain_db = 20 * np.log10(duck_gain([dip], 0, 40_000))
    frames = np.arange(40_000)
    expected = np.zeros(40_000)
    falling, rising = slice(6_000, 10_000), slice(20_000, 28_000)
    expected[falling] = -6.0 * (1 - np.cos(np.pi * (frames[falling] - 6_000) / 4_000))
    expected[10_000:20_000] = -12.0
    expected[rising] = -6.0 * (1 - np.cos(np.pi * (28_000 - frames[rising]) / 8_000))
    worst_db = np.abs(gain_db - expected).max()
    print(f"worst {worst_db:.1e} dB <= 1e-9 dB")
    assert worst_db <= 1e-9
    assert gain_db[10_000] == gain_db[19_999] == pytest.approx(-12.0, abs=1e-12)


def test_where_no_dip_reaches_the_gain_is_one_to_the_bit() -> None:
    dips = [Dip(10_000, 20_000, 4_000, 8_000, 12.0)]
    assert duck_gain(dips, 0, 6_000) == 1.0
    assert duck_gain(dips, 28_000, 30_000) == 1.0
    whole = duck_gain(dips, 0, 30_000)
    assert np.all(whole[:6_001] == 1.0) and np.all(whole[28_000:] == 1.0)


def test_the_gain_is_the_same_however_it_is_cut() -> None:
    dips = [Dip(9_000, 12_000, 4_410, 9_000, 10.0), Dip(17_000, 22_222, 4_410, 9_000, 7.3)]
    whole = duck_gain(dips, 0, 40_000)
    edges = [0, 1, 4_589, 4_591, 9_000, 12_001, 16_383, 20_000, 31_223, 40_000]
    parts = [np.full(b - a, 1.0) * duck_gain(dips, a, b) for a, b in pairwise(edges)]
    assert np.array_equal(np.concatenate(parts), whole)


def test_where_two_dips_overlap_the_deeper_counts_and_nothing_jumps() -> None:
    """Steepest is the raised cosine of the deeper dip: pi/2 of depth over its ramp a frame."""
    first, second = Dip(9_000, 12_000, 2_000, 6_000, 12.0), Dip(14_000, 18_000, 2_000, 6_000, 4.0)
    both, alone = duck_gain([first, second], 0, 30_000), duck_gain([first], 0, 30_000)
    other = duck_gain([second], 0, 30_000)
    assert np.array_equal(both, np.minimum(alone, other))
    steepest_db = np.abs(np.diff(20 * np.log10(both))).max()
    bound_db = 12.0 * np.pi / 2 / 2_000
    print(f"steepest {steepest_db:.5f} dB a frame <= {bound_db:.5f}")
    assert steepest_db <= bound_db * 1.0001
