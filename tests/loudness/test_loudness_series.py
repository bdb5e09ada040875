"""Loudness over time: its values beside the meter's, their times, silence and short sounds."""

import numpy as np
import pytest
from loudness_cases import music_like, tone

from mixrender.loudness.meter import Meter, measure
from mixrender.loudness.series import SERIES_HZ, momentary_series, short_term_series

SERIES = [(momentary_series, 0.4, "max_momentary"), (short_term_series, 3.0, "max_short_term")]


def power(x, *, rate_hz=48_000):
    meter = Meter(sample_rate_hz=rate_hz, channels=x.shape[1])
    meter.push(x)
    return meter.power()


@pytest.mark.parametrize(("series", "width_s", "_"), SERIES)
def test_a_steady_tone_reads_its_loudness_ten_times_a_second(series, width_s, _):
    times_s, lufs = series(power(tone([(5, -23)])))

    assert SERIES_HZ == 10
    assert times_s == pytest.approx(width_s / 2 + np.arange(round((5 - width_s) * 10) + 1) / 10)
    print(f"from {lufs.min():.4f} to {lufs.max():.4f} LUFS, bound -23 +-0.02")
    assert lufs == pytest.approx(-23.0, abs=0.02)


@pytest.mark.parametrize(("series", "width_s", "field"), SERIES)
def test_every_value_is_what_the_meter_says_of_its_window_alone(series, width_s, field):
    # A window cut out alone lacks the filter's past, hence 0.1 LU.
    x = music_like(seconds=8, rate_hz=44_100)
    whole = measure(x, sample_rate_hz=44_100)
    times_s, lufs = series(power(x, rate_hz=44_100))
    for i in (0, 13, len(lufs) - 1):
        cut = x[round((times_s[i] - width_s / 2) * 44_100) :][: round(width_s * 44_100)]
        alone = getattr(measure(cut, sample_rate_hz=44_100), f"{field}_lufs")
        print(f"at {times_s[i]:.1f} s: {lufs[i]:.3f}, alone {alone:.3f} LUFS, bound 0.1 LU")
        assert lufs[i] == pytest.approx(alone, abs=0.1)

    greatest = getattr(whole, f"{field}_lufs")
    print(f"greatest of the series {lufs.max():.3f}, of the meter {greatest:.3f}, bound 0.1 LU below")
    assert greatest - 0.1 <= lufs.max() <= greatest


@pytest.mark.parametrize(("series", "width_s", "_"), SERIES)
def test_what_is_below_the_absolute_gate_is_not_a_number(series, width_s, _):
    times_s, lufs = series(power(tone([(4, -23), (4, None), (4, -71), (4, -69)])))
    parts = [(0, 4), (4.5, 8), (8.5, 12), (12.5, 16)]
    inside = [(times_s - width_s / 2 >= a) & (times_s + width_s / 2 <= b) for a, b in parts]

    assert [bool(np.isnan(lufs[part]).all()) for part in inside] == [False, True, True, False]
    assert not np.isnan(lufs[inside[0] | inside[3]]).any()
    assert lufs[inside[3]] == pytest.approx(-69.0, abs=0.02)


@pytest.mark.parametrize(("series", "width_s", "_"), SERIES)
def test_a_sound_shorter_than_a_window_has_no_values_and_one_as_long_has_one(series, width_s, _):
    assert [len(part) for part in series(power(tone([(width_s - 0.01, -20)])))] == [0, 0]
    assert [len(part) for part in series(power(tone([(width_s, -20)])))] == [1, 1]
