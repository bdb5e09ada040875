"""The K weighting: the standard's table at 48 kHz, its curve at every other rate."""

import numpy as np
import pytest
from loudness_cases import k_gain_db

from mixrender.errors import InputError
from mixrender.loudness import kfilter
from mixrender.loudness.kfilter import TABLE_48_KHZ, k_weighting


def response_db(sample_rate_hz, frequency_hz):
    z = np.exp(-2j * np.pi * frequency_hz / sample_rate_hz)
    gain = 1.0
    for b0, b1, b2, a1, a2 in k_weighting(sample_rate_hz):
        gain = gain * (b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z)
    return 20 * np.log10(np.abs(gain))


def test_48_khz_has_the_table_of_the_standard():
    assert np.array_equal(k_weighting(48_000), np.array(TABLE_48_KHZ))


def test_the_way_to_other_rates_leads_back_to_the_table_at_48_khz():
    # The table: BS.1770-5, Annex 1, tables 1 and 2.
    derived = np.array([kfilter._shelf(48_000), kfilter._highpass(48_000)])
    error = np.abs(derived - np.array(TABLE_48_KHZ)).max()

    print(f"largest difference from the table: {error:.1e}, bound 1e-13")
    assert error < 1e-13


@pytest.mark.parametrize(
    ("rate_hz", "bound_db"),
    [
        (8_000, 0.03),
        (11_025, 0.01),
        (16_000, 0.002),
        (22_050, 0.0005),
        (32_000, 0.0001),
        (44_100, 0.0001),
        (88_200, 0.0001),
        (96_000, 0.0001),
        (176_400, 0.0001),
        (192_000, 0.0001),
    ],
)
def test_other_rates_have_the_curve_of_48_khz(rate_hz, bound_db):
    # BS.1770-5 asks for "the same frequency response"; below 22 kHz the poles that are moved bend the top.
    frequency_hz = np.geomspace(20.0, min(20_000.0, 0.45 * rate_hz), 1_000)
    error_db = np.abs(response_db(rate_hz, frequency_hz) - k_gain_db(frequency_hz)).max()

    print(f"{rate_hz} Hz: off by {error_db:.5f} dB, bound {bound_db} dB")
    assert error_db < bound_db


@pytest.mark.parametrize("rate_hz", [0, 7_999, 192_001])
def test_a_rate_out_of_range_is_refused_with_a_way_out(rate_hz):
    with pytest.raises(InputError, match=r"between 8000 and 192000 Hz\. Convert the file"):
        k_weighting(rate_hz)
