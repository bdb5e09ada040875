"""The meter's true and sample peaks: exact at every rate, at both ends of a sound, with time and channel."""

import numpy as np
import pytest
from loudness_cases import faded, interpolated_peak_db, tone

from mixrender.loudness.meter import measure

ALL_RATES_HZ = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_a_tone_below_20_khz_peaks_at_its_amplitude_at_every_rate(rate_hz):
    # Exact: the amplitude, whatever the phase. Bound +0.05 -0.15 dB.
    worst = 0.0
    n = np.arange(4_800)
    for part_of_rate in (0.01, 1 / 6, 0.25, 0.3, 0.4, 0.45):
        for phase in np.linspace(0, np.pi, 12, endpoint=False):
            if part_of_rate * rate_hz <= 20_000:
                wave = 0.5 * np.sin(2 * np.pi * part_of_rate * n + phase)
                x = faded(wave[:, None], rate_hz=rate_hz, fade_s=1_000 / rate_hz)
                got = measure(x, sample_rate_hz=rate_hz).true_peak_dbtp
                worst = max(worst, got - 20 * np.log10(0.5), key=abs)

    print(f"{rate_hz} Hz: off by {worst:+.4f} dB, bound +0.05 -0.15 dB")
    assert -0.15 <= worst <= 0.05


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_a_crest_between_two_samples_at_either_end_is_seen_at_every_rate(rate_hz):
    # Two equal samples amid silence: about 4 / pi half-way between them; exact: by the spectrum.
    for place in (slice(0, 2), slice(-2, None)):
        x = np.zeros((5_000, 1))
        x[place] = 0.5
        got, exact = measure(x, sample_rate_hz=rate_hz), interpolated_peak_db(x)

        print(f"{rate_hz} Hz: {got.true_peak_dbtp:.3f}, exact {exact:.3f} +0.05 -0.15 dB")
        assert -0.15 <= got.true_peak_dbtp - exact <= 0.05
        assert got.sample_peak_dbfs == pytest.approx(20 * np.log10(0.5), abs=1e-9)


def test_the_sample_peak_is_the_greatest_magnitude_and_never_above_the_true_peak():
    rng = np.random.default_rng(4)
    for channels in (1, 2, 6):
        x = rng.uniform(-0.7, 0.7, (20_000, channels))
        x[12_345, -1] = -0.8
        got = measure(x, sample_rate_hz=44_100)
        assert got.sample_peak_dbfs == pytest.approx(20 * np.log10(0.8), abs=1e-9)
        assert got.true_peak_dbtp >= got.sample_peak_dbfs


@pytest.mark.parametrize("place", ["first", "last"])
def test_true_peak_at_the_first_and_the_last_sample(place):
    # A file cut on a crest: the waveform rings over its end. Exact: interpolation of the zero-extended sound.
    x = tone([(0.0505, -6)], rate_hz=44_100, frequency_hz=9_000.0)[25:]
    x = np.concatenate((faded(x, rate_hz=44_100)[: len(x) // 2], np.zeros_like(x)))
    x[len(x) // 2 - 1] = -0.9
    x = x[: len(x) // 2]
    x = x[::-1] if place == "first" else x
    got = measure(x, sample_rate_hz=44_100)
    expected_db = interpolated_peak_db(x)

    print(f"{place}: {got.true_peak_dbtp:.3f}, expected {expected_db:.3f} +0.05 -0.15 dB")
    assert -0.15 <= got.true_peak_dbtp - expected_db <= 0.05
    assert got.true_peak_s == pytest.approx(0.0 if place == "first" else (len(x) - 1) / 44_100, abs=2e-5)


def test_the_time_of_the_true_peak_is_that_of_the_loudest_crest():
    x = tone([(1.0, -30), (0.01, -6), (2.0, -30)], frequency_hz=4_000.0)
    got = measure(x, sample_rate_hz=48_000)

    assert got.true_peak_s == pytest.approx(1.005, abs=0.006)


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_the_channel_of_the_true_peak_is_named_wherever_it_lies(channels):
    # The peak in each channel in turn: at the start, amid the sound, across two blocks, and at its end.
    for channel in range(channels):
        for frame in (0, 5_000, 8_191, 16_383, 19_999):
            x = np.random.default_rng(1).uniform(-0.1, 0.1, (20_000, channels))
            x[frame, channel] = -0.9
            got = measure(x, sample_rate_hz=44_100)
            assert got.true_peak_channel == channel
            assert got.true_peak_s == pytest.approx(frame / 44_100, abs=1.5 / 44_100)


def test_of_equal_channels_the_first_is_named():
    x = tone([(1, -6)])

    assert measure(x, sample_rate_hz=48_000).true_peak_channel == 0
    assert measure(np.zeros((48_000, 2)), sample_rate_hz=48_000).true_peak_channel is None


def test_a_tone_at_two_fifths_of_the_rate_is_not_under_read():
    # The case on which meters of four points a sample read 0.44 dB low; exact value: the tone's amplitude.
    n = np.arange(9_600)
    for rate_hz in (44_100, 48_000):
        for phase in np.linspace(0, 2 * np.pi, 16, endpoint=False):
            x = faded(0.5 * np.sin(0.8 * np.pi * n + phase)[:, None], rate_hz=rate_hz)
            got = measure(x, sample_rate_hz=rate_hz).true_peak_dbtp
            assert -0.15 <= got - 20 * np.log10(0.5) <= 0.05
