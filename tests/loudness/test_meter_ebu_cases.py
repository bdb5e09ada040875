"""The test signals of EBU Tech 3341 v4 and Tech 3342 v4 (2023) that can be made from their descriptions.

Each must be met within the published tolerance, and within this program's narrower one of the value that
exact arithmetic on the steps of power gives (the nominal values carry up to 0.04 LU of their own).
"""

import numpy as np
import pytest
from loudness_cases import (
    PROGRAMMES,
    RANGES,
    SURROUND,
    TONES,
    Arithmetic,
    interpolated_peak_db,
    tone,
    true_peak_burst,
    true_peak_tone,
)

from mixrender.loudness.meter import measure

EBU_LU = 0.1  # Tech 3341, table 1
EBU_RANGE_LU = 1.0  # Tech 3342, table 1
EBU_PEAK_DB = (-0.4, 0.2)  # Tech 3341, table 1

SHORT_TERM_LU = 0.02  # below: this program's own bounds
STEADY_LU = 0.03
MOMENTARY_LU = (-0.06, 0.02)
RANGE_LU = 0.1
PEAK_DB = (-0.15, 0.05)

RATES_HZ = (
    44_100,
    48_000,
    *(pytest.param(rate_hz, marks=pytest.mark.accuracy) for rate_hz in (32_000, 88_200, 96_000, 192_000)),
)


def integrated_lu(rate_hz):
    return 0.02 if rate_hz in (44_100, 48_000) else 0.03


def require(name, got, expected, bounds):
    low, high = bounds if isinstance(bounds, tuple) else (-bounds, bounds)
    print(f"{name}: {got:.3f}, expected {expected:.3f} {low:+g} {high:+g}")
    assert low <= got - expected <= high


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", PROGRAMMES)
def test_integrated_loudness_of_cases_1_to_5(case, rate_hz):
    parts = PROGRAMMES[case]
    got = measure(tone(parts, rate_hz=rate_hz), sample_rate_hz=rate_hz)

    require(f"case {case}, EBU", got.integrated_lufs, -33 if case == 2 else -23, EBU_LU)
    require(f"case {case}", got.integrated_lufs, Arithmetic(parts).integrated(), integrated_lu(rate_hz))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", [1, 2])
def test_a_steady_tone_has_one_loudness_in_every_window(case, rate_hz):
    got = measure(tone(PROGRAMMES[case], rate_hz=rate_hz), sample_rate_hz=rate_hz)

    for name in ("max_momentary_lufs", "max_short_term_lufs", "integrated_lufs", "loud_lufs"):
        require(f"case {case} {name}, EBU", getattr(got, name), -33 if case == 2 else -23, EBU_LU)
        require(
            f"case {case} {name}", getattr(got, name), Arithmetic(PROGRAMMES[case]).greatest(0.4), STEADY_LU
        )


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("channels", [5, 6])
def test_integrated_loudness_of_case_6_in_surround(channels, rate_hz):
    centre, front, rear = SURROUND
    weights = (front, front, centre, rear, rear)
    if channels == 6:
        weights = (*weights[:3], 1.0, *weights[3:])  # a loud LFE, which must not count
    got = measure(tone([(20, -23)], rate_hz=rate_hz, weights=weights), sample_rate_hz=rate_hz)

    power = 2 * front**2 + centre**2 + 1.41 * 2 * rear**2
    require("case 6, EBU", got.integrated_lufs, -23, EBU_LU)
    expected = Arithmetic([(20, -23)], power=power).integrated()
    require("case 6", got.integrated_lufs, expected, integrated_lu(rate_hz))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(
    ("case", "field", "width_s", "parts"),
    [
        (9, "max_short_term_lufs", 3.0, [(1.34, -20), (1.66, -30)] * 5),
        (12, "max_momentary_lufs", 0.4, [(0.18, -20), (0.22, -30)] * 25),
    ],
)
def test_a_window_as_long_as_the_pattern_reads_the_same_everywhere(case, field, width_s, parts, rate_hz):
    x = tone(parts, rate_hz=rate_hz)
    readings = [getattr(measure(x, sample_rate_hz=rate_hz), field)]
    for start_s in np.arange(3.0, len(x) / rate_hz - width_s - 0.05, 0.37):
        cut = x[round(start_s * rate_hz) :][: round((width_s + 0.01) * rate_hz)]
        readings.append(getattr(measure(cut, sample_rate_hz=rate_hz), field))

    for reading in readings:
        require(f"case {case}, EBU", reading, -23, EBU_LU)
    require(f"case {case}", readings[0], Arithmetic(parts).greatest(width_s), STEADY_LU)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", [10, 11, 13, 14])
def test_the_greatest_window_of_a_burst_wherever_it_begins(case, rate_hz):
    short_term = case in (10, 11)
    step_s, burst_s = (0.15, 3.0) if short_term else (0.02, 0.4)
    for i in range(20):
        level = -23 if case in (10, 13) else -38 + i
        after_s = 1.0 if case in (10, 13) else burst_s - i * step_s
        parts = [(i * step_s, None), (burst_s, level), (after_s, None)]
        got = measure(tone(parts, rate_hz=rate_hz), sample_rate_hz=rate_hz)
        reading = got.max_short_term_lufs if short_term else got.max_momentary_lufs
        expected = Arithmetic(parts).greatest(burst_s)

        require(f"case {case}, {i}, EBU", reading, level, EBU_LU)
        require(f"case {case}, {i}", reading, expected, SHORT_TERM_LU if short_term else MOMENTARY_LU)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", TONES)
def test_true_peak_of_cases_15_to_19(case, rate_hz):
    divisor, level, phase_degrees, expected_db = TONES[case]
    x = true_peak_tone(rate_hz=rate_hz, divisor=divisor, level=level, phase_degrees=phase_degrees)
    got = measure(x, sample_rate_hz=rate_hz)

    require(f"case {case}, EBU", got.true_peak_dbtp, expected_db, EBU_PEAK_DB)
    require(f"case {case}", got.true_peak_dbtp, interpolated_peak_db(x), PEAK_DB)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", [20, 21, 22, 23])
def test_true_peak_of_cases_20_to_23(case, rate_hz):
    x = true_peak_burst(rate_hz=rate_hz, offset=case - 20)
    got = measure(x, sample_rate_hz=rate_hz)

    require(f"case {case}, EBU", got.true_peak_dbtp, 0.0, EBU_PEAK_DB)
    require(f"case {case}", got.true_peak_dbtp, interpolated_peak_db(x), PEAK_DB)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("times", [1, pytest.param(2, marks=pytest.mark.accuracy)])
@pytest.mark.parametrize("case", RANGES)
def test_loudness_range_of_tech_3342_once_and_repeated(case, times, rate_hz):
    levels, expected_lu = RANGES[case]
    parts = [(20, level) for level in levels] * times
    got = measure(tone(parts, rate_hz=rate_hz), sample_rate_hz=rate_hz)

    require(f"range {case}, EBU", got.loudness_range_lu, expected_lu, EBU_RANGE_LU)
    require(f"range {case}", got.loudness_range_lu, Arithmetic(parts).range(), RANGE_LU)


@pytest.mark.accuracy
@pytest.mark.parametrize("case", RANGES)
def test_repeating_a_programme_does_not_change_its_range(case):
    # Tech 3342 asks for the same result within its tolerance, 1 LU; bound here: 0.1 LU.
    parts = [(20, level) for level in RANGES[case][0]]
    once, twice, thrice = (
        measure(tone(parts * times), sample_rate_hz=48_000).loudness_range_lu for times in (1, 2, 3)
    )

    print(
        f"range {case}: once {once:.3f}, twice {twice:.3f}, three times {thrice:.3f} LU, bound 0.1 LU apart"
    )
    assert max(once, twice, thrice) - min(once, twice, thrice) <= RANGE_LU


@pytest.mark.parametrize("parts", [[(4, -20), (4, -30)], [(3.3, -18), (5.4, -29), (3.3, -24)], [(8, -20)]])
def test_loudness_range_of_a_short_clip_is_that_of_ten_readings_a_second(parts):
    got = measure(tone(parts), sample_rate_hz=48_000)

    require("range", got.loudness_range_lu, Arithmetic(parts).range(), RANGE_LU)
