"""The loudness of parts of a track, from the power that was kept, beside a meter of the part alone."""

import itertools

import numpy as np
import pyloudnorm
import pytest

from mixrender.analysis.section_loudness import bar_spans, integrated_lufs, mean_lufs
from mixrender.facts import Grid
from mixrender.loudness.meter import Meter, measure

SAME_LU = 0.05
"""What a section may differ from a meter that hears it alone: half of what EBU Tech 3341 allows a meter."""


def power_of(sound, rate_hz, *, block_frames=65536):
    meter = Meter(sample_rate_hz=rate_hz, channels=2)
    for start in range(0, len(sound), block_frames):
        meter.push(sound[start : start + block_frames])
    return meter.power()


def changing_noise(duration_s, rate_hz, *, seed=3):
    """Noise whose level jumps by up to 30 dB every 0.7 s, as breaks and drops do."""
    rng = np.random.default_rng(seed)
    frames = round(duration_s * rate_hz)
    levels_db = rng.uniform(-40.0, -10.0, round(duration_s / 0.7) + 2)
    gain = 10.0 ** (levels_db[(np.arange(frames) / rate_hz / 0.7).astype(int)] / 20.0)
    return (gain[:, None] * rng.standard_normal((frames, 2)) * 0.5).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [22050, 44100, 48000, 96000])
def test_a_section_is_as_loud_as_a_meter_says_of_it_alone(rate_hz):
    sound = changing_noise(40.0, rate_hz)
    spans = [(0.0, 3.0), (0.0133, 7.7117), (9.1871, 12.2), (12.2, 33.3333), (36.9, 40.0)]
    found = integrated_lufs(power_of(sound, rate_hz), spans)
    alone = [
        measure(sound[round(a * rate_hz) : round(b * rate_hz)], sample_rate_hz=rate_hz).integrated_lufs
        for a, b in spans
    ]

    apart_lu = np.abs(np.array(found) - np.array(alone))
    print(f"{rate_hz} Hz: at most {apart_lu.max():.4f} LU apart (bound {SAME_LU} LU)")
    assert apart_lu.max() <= SAME_LU


def test_a_section_is_as_loud_as_another_meter_says_of_it_alone():
    """pyloudnorm, whose gating blocks are those of BS.1770-4: the same 0.4 s, one every 0.1 s."""
    sound = changing_noise(30.0, 48000, seed=4)
    spans = [(0.5, 6.2), (8.0, 20.0), (20.0, 29.9)]
    found = integrated_lufs(power_of(sound, 48000), spans)
    other = [
        pyloudnorm.Meter(48000).integrated_loudness(sound[round(a * 48000) : round(b * 48000)].astype(float))
        for a, b in spans
    ]

    apart_lu = np.abs(np.array(found) - np.array(other))
    print(f"at most {apart_lu.max():.4f} LU from the other meter (bound 0.1 LU, that of EBU Tech 3341)")
    assert apart_lu.max() <= 0.1


def test_the_whole_file_as_one_section_is_the_integrated_loudness_itself():
    sound = changing_noise(20.0, 44100)
    meter = Meter(sample_rate_hz=44100, channels=2)
    meter.push(sound)

    (found,) = integrated_lufs(meter.power(), [(0.0, 20.0)])
    apart_lu = found - meter.result().integrated_lufs
    print(f"{apart_lu:.2g} LU apart (bound 1e-9 LU: rounding)")
    assert abs(apart_lu) <= 1e-9


def test_silent_and_very_short_sections_have_no_loudness():
    sound = np.zeros((44100 * 6, 2), np.float32)
    sound[: 44100 * 2] = 0.1
    power = power_of(sound, 44100)

    assert integrated_lufs(power, [(3.0, 6.0), (0.5, 0.89), (5.0, 5.0), (9.0, 12.0)]) == [None] * 4


def test_a_bar_has_the_level_of_its_mean_power():
    """A full-scale sine of 997 Hz on one channel reads -3.01 LUFS (BS.1770-5, Annex 1): two make 0.0."""
    rate_hz, bar_s = 48000, 1.875
    time_s = np.arange(round(8 * bar_s * rate_hz)) / rate_hz
    levels_db = np.array([-20.0, -20.0, -6.0, -40.0, -80.0, -12.0, -12.5, -30.0])
    gain = 10.0 ** (levels_db[(time_s / bar_s).astype(int)] / 20.0)
    sound = np.repeat((gain * np.sin(2 * np.pi * 997.0 * time_s))[:, None], 2, axis=1).astype(np.float32)
    grid = Grid("steady", tempo_bpm=128.0, bar_1_s=0.0)
    found = mean_lufs(power_of(sound, rate_hz), bar_spans(grid, duration_s=8 * bar_s))
    loud = [0, 1, 2, 5, 6]

    apart_db = np.abs(np.array(found) - levels_db)
    print(f"levels {np.round(found, 3)}, loud bars at most {apart_db[loud].max():.4f} dB off (bound 0.05 dB)")
    assert apart_db[loud].max() <= 0.05
    assert apart_db[[3, 7]].max() <= 0.3  # the filter rings on from a bar that is 34 and 17.5 dB louder
    assert found[4] == -70.0


def test_levels_between_steps_share_the_power_by_time():
    """Bars of a quarter second at odd places: their powers, weighted by length, add up to the whole."""
    sound = changing_noise(10.0, 44100)
    power = power_of(sound, 44100)
    edges_s = (
        np.linspace(0.0, 10.0, 41) + np.r_[0.0, np.random.default_rng(1).uniform(-0.004, 0.004, 39), 0.0]
    )
    parts = np.array(mean_lufs(power, list(itertools.pairwise(edges_s))))
    whole = mean_lufs(power, [(0.0, 10.0)])[0]

    summed = 10.0 * np.log10(np.sum(10.0 ** (parts / 10.0) * np.diff(edges_s)) / 10.0)
    print(f"{summed - whole:+.6f} dB (bound 0.001 dB)")
    assert abs(summed - whole) <= 0.001


def test_power_and_loudness_do_not_depend_on_the_blocks():
    sound = changing_noise(6.0, 44100)
    one, other = power_of(sound, 44100), power_of(sound, 44100, block_frames=777)

    assert np.array_equal(one.energies, other.energies)


def test_whole_bars_count_from_bar_1_to_the_end_of_the_sound():
    grid = Grid("steady", tempo_bpm=120.0, bar_1_s=0.5)

    assert bar_spans(grid, duration_s=6.9) == [(0.5, 2.5), (2.5, 4.5), (4.5, 6.5)]
    assert bar_spans(grid, duration_s=2.4) == []
    assert bar_spans(Grid("none"), duration_s=60.0) == []
    assert mean_lufs(power_of(np.zeros((441, 2), np.float32), 44100), []) == []
