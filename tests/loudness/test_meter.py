"""The meter beyond the published signals: rates, channels, gates, edges, silence, blocks, gain."""

import dataclasses
import tracemalloc

import numpy as np
import pytest
from loudness_cases import amplitude, k_gain_db, music_like, tone

from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter, integrated, measure
from mixrender.loudness.power import CHANNEL_NAMES, CHANNEL_WEIGHTS

ALL_RATES_HZ = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
MEASURES = [f.name for f in dataclasses.fields(Loudness) if f.name != "duration_s"]


def in_blocks(x, frames, *, sample_rate_hz=44_100):
    meter = Meter(sample_rate_hz=sample_rate_hz, channels=x.shape[1])
    for start in range(0, len(x), frames):
        meter.push(x[start : start + frames])
    return meter.result()


def test_997_hz_at_full_scale_in_one_front_channel_reads_minus_3_01():
    # BS.1770-5, Annex 1: the check value of the standard.
    for weights in ((1.0, 0.0), (0.0, 1.0), (1.0,), (0.0, 0.0, 1.0, 0.0, 0.0, 0.0)):
        x = tone([(2, 0)], frequency_hz=997.0, weights=weights)
        got = measure(x, sample_rate_hz=48_000).integrated_lufs

        print(f"{weights}: {got:.4f} LUFS, bound -3.01 +-0.006")
        assert got == pytest.approx(-3.01, abs=0.006)


@pytest.mark.parametrize("channels", CHANNEL_WEIGHTS)
def test_each_channel_alone_counts_by_its_weight(channels):
    # BS.1770-5, table 3: 1 in front, 1.41 at the sides (+1.49 LU), the LFE not at all.
    for channel, name in enumerate(CHANNEL_NAMES[channels]):
        x = tone([(2, 0)], frequency_hz=997.0, weights=np.arange(channels) == channel)
        got = measure(x, sample_rate_hz=48_000)
        side_lu = 10 * np.log10(1.41) if "surround" in name else 0.0

        print(f"{name} of {channels}: {got.integrated_lufs} LUFS, expected {-3.01 + side_lu:.3f} +-0.006")
        if name == "LFE":
            assert got.integrated_lufs is got.max_momentary_lufs is None
            assert got.true_peak_dbtp == pytest.approx(0.0, abs=0.05)
        else:
            assert got.integrated_lufs == pytest.approx(-3.01 + side_lu, abs=0.006)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_tones_along_the_k_curve_read_alike_at_every_rate(rate_hz):
    # Frequencies of the kind in ITU-R BS.2217; expected: the curve of the table at 48 kHz. Bounds: 0.02 LU
    # at 44.1 and 48 kHz, 0.03 LU elsewhere.
    bound_lu = 0.02 if rate_hz in (44_100, 48_000) else 0.03
    for frequency_hz in (f for f in (25.0, 100.0, 500.0, 1_000.0, 2_000.0, 10_000.0) if f < 0.45 * rate_hz):
        x = tone([(4, -23)], rate_hz=rate_hz, frequency_hz=frequency_hz)
        got = measure(x, sample_rate_hz=rate_hz).integrated_lufs
        expected = -23 - 0.691 + k_gain_db(frequency_hz)

        print(f"{frequency_hz:g} Hz at {rate_hz} Hz: {got:.4f}, expected {expected:.4f} +-{bound_lu} LU")
        assert got == pytest.approx(expected, abs=bound_lu)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_bursts_off_the_grid_are_found_at_every_rate(rate_hz):
    # 400 ms and 3 s that begin anywhere: at most 2.5 ms of the 400 are missed, 0.027 LU. Bound +0.02 -0.06
    # of the loudness of the same tone when it goes on.
    steady = integrated(tone([(5, -20)], rate_hz=rate_hz), sample_rate_hz=rate_hz)
    for start_s in (0.1013, 0.2537, 0.7771):
        for width_s, field in ((0.4, "max_momentary_lufs"), (3.0, "max_short_term_lufs")):
            x = tone([(start_s, None), (width_s, -20), (3.0, None)], rate_hz=rate_hz)
            got = measure(x, sample_rate_hz=rate_hz)
            at_s = getattr(got, field.replace("_lufs", "_s"))

            print(f"{field} at {rate_hz} Hz: {getattr(got, field):.3f}, expected {steady:.3f} +0.02 -0.06")
            assert -0.06 <= getattr(got, field) - steady <= 0.02
            assert at_s == pytest.approx(start_s + width_s / 2, abs=0.006)


@pytest.mark.accuracy
def test_music_has_the_same_loudness_at_every_rate():
    reference = music_like(seconds=24, rate_hz=48_000, low_pass_hz=14_000)
    spectrum = np.fft.rfft(reference, axis=0)
    expected = measure(reference, sample_rate_hz=48_000)
    for rate_hz in (32_000, 44_100, 96_000, 192_000):
        n = 24 * rate_hz
        got = measure(np.fft.irfft(spectrum, n, axis=0) * (n / len(reference)), sample_rate_hz=rate_hz)
        for name in ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "true_peak_dbtp"):
            difference = getattr(got, name) - getattr(expected, name)
            print(f"{name} at {rate_hz} Hz: {difference:+.4f} from 48 kHz, bound 0.03")
            assert abs(difference) < 0.03


def test_the_absolute_gate_lies_at_minus_70():
    # A tone at -70.3 LUFS is below it, one at -69.7 above it.
    for level_lufs, expected in ((-70.3, None), (-69.7, -69.7)):
        x = tone([(5, level_lufs + 0.691 - k_gain_db(1_000.0))])
        got = measure(x, sample_rate_hz=48_000)
        assert got.integrated_lufs == (expected if expected is None else pytest.approx(expected, abs=0.02))
        assert (got.loudness_range_lu is None) == (expected is None)
        assert got.max_momentary_lufs == pytest.approx(level_lufs, abs=0.02)


@pytest.mark.parametrize(("below_lu", "counted"), [(10.3, False), (9.7, True)])
def test_the_relative_gate_lies_10_lu_below_the_ungated_mean(below_lu, counted):
    # Equal times of both levels: the ungated mean of powers 1 and p is (1 + p) / 2, the quiet part lies
    # `below_lu` under it when p = q / (2 - q), q = 10^(-below / 10).
    q = 10 ** (-below_lu / 10)
    quiet_db = 10 * np.log10(q / (2 - q))
    x = tone([(60, -20), (60, -20 + quiet_db)])
    got = measure(x, sample_rate_hz=48_000).integrated_lufs
    loud = -20 - 0.691 + k_gain_db(1_000.0)
    expected = loud + (10 * np.log10((1 + 10 ** (quiet_db / 10)) / 2) if counted else 0.0)

    print(f"quiet part {below_lu} LU below the mean: {got:.3f}, expected {expected:.3f} +-0.02 LU")
    assert got == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("seconds", [0.0, 0.2, 0.5, 5.0])
def test_silence_has_no_figure_at_all(seconds, channels):
    got = measure(np.zeros((round(seconds * 48_000), channels)), sample_rate_hz=48_000)

    assert [getattr(got, name) for name in MEASURES] == [None] * len(MEASURES)
    assert got.duration_s == seconds


def test_a_sound_shorter_than_a_window_lacks_that_window_only():
    shortest = measure(tone([(0.399, -20)]), sample_rate_hz=48_000)
    short = measure(tone([(2.9, -20)]), sample_rate_hz=48_000)

    assert shortest.integrated_lufs is shortest.max_momentary_lufs is None
    assert shortest.true_peak_dbtp == pytest.approx(-20, abs=0.05)
    assert short.integrated_lufs == pytest.approx(-20, abs=0.02)
    assert short.max_short_term_lufs is short.loudness_range_lu is short.loud_lufs is None


def test_exactly_400_ms_can_be_measured():
    for rate_hz in ALL_RATES_HZ:
        x = tone([(0.4, -20)], rate_hz=rate_hz)
        assert measure(x, sample_rate_hz=rate_hz).integrated_lufs is not None
        assert measure(x[:-1], sample_rate_hz=rate_hz).integrated_lufs is None


def test_digital_silence_after_sound_is_neither_infinite_nor_slow_nor_counted():
    x = tone([(3, -20), (60, None)])
    got = measure(x, sample_rate_hz=48_000)

    # The blocks that hold the end of the tone are gated in at 3/4, 1/2 and 1/4 of its power.
    expected = -20 - 0.691 + k_gain_db(1_000.0) + 10 * np.log10((27 + 1.5) / 30)
    print(f"{got.integrated_lufs:.3f}, expected {expected:.3f} +-0.02 LUFS")
    assert got.integrated_lufs == pytest.approx(expected, abs=0.02)
    assert all(np.isfinite(getattr(got, name)) for name in MEASURES)


@pytest.mark.parametrize("rate_hz", [44_100, 22_050, 11_025])
def test_the_figures_do_not_depend_on_how_the_sound_is_cut(rate_hz):
    x = music_like(seconds=4.321, rate_hz=rate_hz, low_pass_hz=0.45 * rate_hz)
    whole = measure(x, sample_rate_hz=rate_hz)

    for frames in (1 if rate_hz == 11_025 else 7, 64, 1_000, 8_191, 8_192, 65_536):
        assert in_blocks(x, frames, sample_rate_hz=rate_hz) == whole  # bit for bit
    assert whole.integrated_lufs == integrated(x, sample_rate_hz=rate_hz)


@pytest.mark.accuracy
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_figures_are_the_same_if_every_sample_is_pushed_alone(rate_hz):
    # Long enough for every measure. Bound: 1e-9; it is bit for bit.
    x = music_like(seconds=3.2, rate_hz=rate_hz)

    assert in_blocks(x, 1, sample_rate_hz=rate_hz) == measure(x, sample_rate_hz=rate_hz)


def test_six_channels_do_not_depend_on_how_the_sound_is_cut_either():
    x = np.concatenate([music_like(seconds=2, rate_hz=44_100, seed=i) for i in range(3)], axis=1)
    whole = measure(x, sample_rate_hz=44_100)

    for frames in (37, 4_410, 8_193):
        assert in_blocks(x, frames) == whole  # bit for bit


@pytest.mark.accuracy
def test_what_the_meter_keeps_is_bounded_over_three_hours():
    # Bound: 40 MB: 8 bytes for each 5 ms (17 MB), a quarter more, and as much again for the result. The low
    # rate, and one loud minute before quiet ones, are to be quick.
    block = np.random.default_rng(1).uniform(-0.1, 0.1, (60 * 8_000, 2)).astype(np.float32)
    measure(block, sample_rate_hz=8_000)
    tracemalloc.start()
    meter = Meter(sample_rate_hz=8_000)
    meter.push(block)
    block *= 0.5
    for _ in range(179):
        meter.push(block)
    got = meter.result()
    peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()

    print(
        f"{got.duration_s:.0f} s measured with {peak_mb:.1f} MB, bound 40 MB; {got.integrated_lufs:.2f} LUFS"
    )
    assert got.duration_s == 10_800
    assert peak_mb < 40


def test_the_loudest_window_is_found_across_the_pieces_of_a_long_sound():
    # 100 s are one piece of the search: a burst that begins before it and ends after it.
    for start_s in (99.5, 99.8, 100.0, 100.3):
        x = tone([(start_s, -40), (0.4, -20), (10, -40)], rate_hz=8_000)
        got = measure(x, sample_rate_hz=8_000)
        assert got.max_momentary_s == pytest.approx(start_s + 0.2, abs=0.006)


def test_reading_the_result_does_not_disturb_the_stream():
    x = music_like(seconds=4, rate_hz=44_100)
    meter = Meter(sample_rate_hz=44_100)
    for start in range(0, len(x), 10_000):
        meter.push(x[start : start + 10_000])
        meter.result()

    assert meter.result() == measure(x, sample_rate_hz=44_100)


def test_gain_moves_every_loudness_by_as_many_units():
    x = music_like(seconds=12, rate_hz=44_100)
    before = measure(x, sample_rate_hz=44_100)
    for gain_db in (-24.0, -6.5, 12.0):
        after = measure(x * amplitude(gain_db), sample_rate_hz=44_100)
        for name in MEASURES:
            change = 0.0 if name.endswith(("_s", "_lu", "_channel", "channels")) else gain_db
            assert getattr(after, name) - getattr(before, name) == pytest.approx(change, abs=0.001)


def test_exchanged_channels_and_float32_read_the_same():
    x = music_like(seconds=6, rate_hz=44_100).astype(np.float32)
    plain = measure(x, sample_rate_hz=44_100)

    assert measure(x.astype(np.float64), sample_rate_hz=44_100) == plain
    swapped = measure(x[:, ::-1], sample_rate_hz=44_100)
    for name in (name for name in MEASURES if name != "true_peak_channel"):
        assert getattr(swapped, name) == pytest.approx(getattr(plain, name), abs=1e-9)
    assert swapped.true_peak_channel == 1 - plain.true_peak_channel


def test_one_channel_alone_reads_3_01_lu_below_two():
    x = music_like(seconds=6, rate_hz=44_100)[:, :1]
    mono = measure(x[:, 0], sample_rate_hz=44_100).integrated_lufs
    stereo = measure(np.repeat(x, 2, axis=1), sample_rate_hz=44_100).integrated_lufs

    assert stereo - mono == pytest.approx(10 * np.log10(2), abs=1e-9)


def test_the_peak_to_loudness_ratio_is_the_true_peak_less_the_loudness():
    # A sine of two channels in phase at 1 kHz: peak p dBTP, loudness p LUFS (BS.1770-5), so the ratio is 0.
    tonal, silent = measure(tone([(2, -9)]), sample_rate_hz=48_000), Loudness(duration_s=1.0)

    print(f"{tonal.plr_lu:.4f} LU, bound 0 +-0.02")
    assert tonal.plr_lu == pytest.approx(0.0, abs=0.02)
    assert silent.plr_lu is None
    assert dataclasses.replace(tonal, integrated_lufs=None).plr_lu is None
