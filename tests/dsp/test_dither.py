"""Dither and rounding to whole numbers: the statistics of the error, clipping, repeatability."""

import numpy as np
import pytest

from mixrender.dsp.dither import DITHER_PEAK_STEPS, dither_generator, quantise

FULL_SCALE = {16: 32_768.0, 24: 8_388_608.0}


KNOWN = [[2516582, 2516582], [2516582, 2516583], [2516583, 2516582], [2516583, 2516582]]


def error_steps(x, *, bits=16, dither=True, seed=1):
    result = quantise(x, bits=bits, rng=dither_generator(seed), dither=dither)
    assert result.clipped_samples == 0
    return result.samples - x * FULL_SCALE[bits]


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.75])
def test_dithered_error_has_mean_0_and_power_a_quarter_step_for_any_constant(part, bits):
    # Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992. Bounds: five standard errors of 400,000 samples.
    error = error_steps(np.full((200_000, 2), (100 + part) / FULL_SCALE[bits]), bits=bits)

    print(f"mean {error.mean():+.5f}, bound 0.004; power {np.mean(error**2):.5f}, bound 0.25 +-0.002 steps^2")
    assert abs(error.mean()) < 0.004
    assert np.mean(error**2) == pytest.approx(0.25, abs=0.002)
    assert np.abs(error).max() <= DITHER_PEAK_STEPS


@pytest.mark.parametrize(("bits", "wanted_db"), [(16, -96.33), (24, -144.49)])
def test_the_error_is_half_a_step_rms_and_white(bits, wanted_db):
    # TPDF and rounding: sqrt(3 * LSB^2 / 12) = LSB / 2 (Lipshitz, Wannamaker, Vanderkooy, 1992, from memory).
    closed_form_db = 20 * np.log10(np.sqrt(3 / 12) / FULL_SCALE[bits])
    assert closed_form_db == pytest.approx(wanted_db, abs=0.01)
    x = np.random.default_rng(2).uniform(-0.5, 0.5, (200_000, 2))
    error = error_steps(x, bits=bits) / FULL_SCALE[bits]
    level_db = 10 * np.log10(np.mean(error**2))
    power = np.abs(np.fft.rfft(error[:, 0])) ** 2
    bands = power[1:100_001].reshape(10, -1).mean(axis=1)
    spread_db = np.ptp(10 * np.log10(bands))

    print(
        f"{level_db:.3f} dBFS, bound {closed_form_db:.3f} +-0.03; ten bands within {spread_db:.2f} dB (0.3)"
    )
    assert level_db == pytest.approx(closed_form_db, abs=0.03)
    assert spread_db < 0.3


@pytest.mark.parametrize(("bits", "level_dbfs"), [(16, -85.0), (24, -133.2)])
def test_a_quiet_tone_has_no_harmonics_and_the_noise_does_not_follow_it(bits, level_dbfs):
    # 997 Hz, 1.8 steps high: plain rounding has harmonics 24 to 30 dB below it, dithered there are none above
    # the noise. Bound: each below -50 dB; the correlation of error power and signal below 0.01.
    n = 44_100 * 4
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 997 * np.arange(n) / 44_100)
    x = np.stack((tone, tone), axis=1)
    results = {}
    for dither in (True, False):
        error = error_steps(x, bits=bits, dither=dither)
        spectrum = np.abs(np.fft.rfft((x * FULL_SCALE[bits] + error)[:, 0]))
        harmonics = [spectrum[997 * 4 * k] / spectrum[997 * 4] for k in (2, 3, 5, 7)]
        results[dither] = 20 * np.log10(max(harmonics))
        correlation = abs(np.corrcoef(error[:, 0] ** 2, tone**2)[0, 1])
        if dither:
            print(f"correlation of error power and signal power {correlation:.4f}, bound 0.01")
            assert correlation < 0.01

    print(f"greatest harmonic: dithered {results[True]:.1f} dB, bound -50; rounded {results[False]:.1f} dB")
    assert results[True] < -50 < results[False]


def test_channels_get_noise_of_their_own():
    error = error_steps(np.zeros((100_000, 2)))
    correlation = np.corrcoef(error[:, 0], error[:, 1])[0, 1]

    print(f"correlation of the channels' noise {correlation:+.4f}, bound 0.016 (five standard errors)")
    assert abs(correlation) < 0.016


@pytest.mark.parametrize("bits", [16, 24])
def test_the_samples_do_not_depend_on_how_the_sound_is_cut(bits):
    x = np.random.default_rng(3).uniform(-1, 1, (5_000, 2))
    whole = quantise(x, bits=bits, rng=dither_generator(7)).samples
    for frames in (1, 3, 999, 4_096):
        rng = dither_generator(7)
        parts = [quantise(x[i : i + frames], bits=bits, rng=rng).samples for i in range(0, len(x), frames)]
        assert np.array_equal(np.concatenate(parts), whole)


def test_a_seed_always_gives_the_same_noise_and_another_seed_another():
    x = np.zeros((1_000, 2))
    first, again, other = (quantise(x, bits=16, rng=dither_generator(seed)).samples for seed in (5, 5, 6))

    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    # The noise itself, so that a new version of a library cannot change what a plan renders to.
    assert quantise(np.full((4, 2), 0.3), bits=24, rng=dither_generator(5)).samples.tolist() == KNOWN


def test_without_dither_halves_round_up_and_whole_steps_stay():
    x = np.array([[-1.5, -1.0], [-0.5, 0.0], [0.5, 0.499], [1.5, 32_767.0]]) / 32_768.0
    result = quantise(x, bits=16, dither=False)

    assert result.samples.tolist() == [[-1, -1], [0, 0], [1, 0], [2, 32_767]]
    assert result.samples.dtype == np.int16
    assert quantise(x, bits=24, dither=False).samples.dtype == np.int32


@pytest.mark.parametrize("bits", [16, 24])
def test_samples_beyond_full_scale_are_set_to_it_and_counted(bits):
    top = int(FULL_SCALE[bits]) - 1
    x = np.array(
        [[1.0, -1.0], [1.5, -1.5], [top / (top + 1), 0.0]], dtype=np.float32 if bits == 16 else np.float64
    )
    result = quantise(x, bits=bits, dither=False)

    assert result.samples.tolist() == [[top, -top - 1], [top, -top - 1], [top, 0]]
    assert result.clipped_samples == 3


def test_an_empty_block_is_quantised_to_nothing():
    assert quantise(np.zeros((0, 2)), bits=16, rng=dither_generator(0)).samples.shape == (0, 2)


def test_dither_without_a_generator_is_refused():
    with pytest.raises(ValueError, match=r"rng=dither_generator\(seed\)"):
        quantise(np.zeros((1, 2)), bits=16)
