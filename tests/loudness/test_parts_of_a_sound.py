"""Figures of a part of a sound: what a meter says of the part alone, at the times of the whole."""

from __future__ import annotations

import numpy as np
import pytest

from mixrender.loudness.meter import Meter, measure
from mixrender.loudness.spans import loudness_between, measured_sound

RATE_HZ = 44100
SECOND = RATE_HZ


def swelling(seconds: int) -> np.ndarray:
    """Noise below full scale that grows and falls, its channels unlike each other."""
    rng = np.random.default_rng(5)
    t = np.arange(seconds * RATE_HZ) / RATE_HZ
    level = 0.05 + 0.1 * np.sin(2 * np.pi * t / 7.0) ** 2
    return np.clip(rng.standard_normal((len(t), 2)) * level[:, None] * [1.0, 0.7], -0.9, 0.9)


def measured(sound, edges, *, block=10_007):
    meter = Meter(sample_rate_hz=RATE_HZ, peak_edges=edges)
    for start in range(0, len(sound), block):
        meter.push(sound[start : start + block])
    return measured_sound(meter, peak_edges=edges)


EDGES = [4 * SECOND, 9 * SECOND, 9 * SECOND + 1, 15 * SECOND]


def test_a_part_measures_as_it_does_alone():
    sound = swelling(20)
    whole = measured(sound, EDGES)
    part = loudness_between(whole, start_s=4.0, end_s=15.0)
    alone = measure(sound[4 * SECOND : 15 * SECOND], sample_rate_hz=RATE_HZ)

    for name in ("integrated_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs"):
        difference = getattr(part, name) - getattr(alone, name)
        print(f"{name}: {difference:+.5f} LU of the part alone, within 0.01")
        # LU: the weighting filter has heard what came before the part
        assert abs(difference) <= 0.01
    assert part.max_short_term_s == pytest.approx(alone.max_short_term_s + 4.0, abs=0.0051)  # a step of 5 ms
    assert part.max_momentary_s == pytest.approx(alone.max_momentary_s + 4.0, abs=0.0051)


def test_the_true_peak_of_a_part_is_found_with_its_frame_and_channel():
    sound = swelling(20)
    sound[6 * SECOND + 7, 1] = 0.97
    sound[12 * SECOND + 3, 0] = -0.98
    whole = measured(sound, EDGES)
    first, second = (loudness_between(whole, start_s=a, end_s=b) for a, b in ((4.0, 9.0), (9.0, 15.0)))

    assert (first.true_peak_channel, second.true_peak_channel) == (1, 0)
    assert abs(first.true_peak_s * RATE_HZ - (6 * SECOND + 7)) <= 1.0  # frame
    assert abs(second.true_peak_s * RATE_HZ - (12 * SECOND + 3)) <= 1.0
    assert second.true_peak_dbtp == whole.loudness.true_peak_dbtp > first.true_peak_dbtp


def test_the_sample_peak_of_a_part_is_the_greatest_sample_in_it():
    sound = swelling(20)
    sound[9 * SECOND - 1, 1] = -0.96  # the last frame of one part, and the first of another
    sound[15 * SECOND, 0] = 0.97
    whole = measured(sound, EDGES)

    assert len(whole.sample_peaks) == len(EDGES) + 1
    for start_s, end_s in ((0.0, 4.0), (4.0, 9.0), (4.0, 15.0), (9.0, 15.0), (15.0, 20.0)):
        part = loudness_between(whole, start_s=start_s, end_s=end_s)
        samples = sound[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)]
        expected_dbfs = 20.0 * np.log10(np.abs(samples).max())
        print(f"{start_s} to {end_s} s: {part.sample_peak_dbfs:.6f} dBFS, bound {expected_dbfs:.6f} ± 1e-9")
        # dB: the greatest magnitude itself, by definition
        assert abs(part.sample_peak_dbfs - expected_dbfs) <= 1e-9
        assert part.true_peak_dbtp >= part.sample_peak_dbfs
        assert part.channels == 2


def test_sound_in_one_part_has_the_sample_peak_of_the_whole():
    sound = swelling(4)

    assert loudness_between(measured(sound, []), start_s=0.0, end_s=4.0).sample_peak_dbfs == (
        measure(sound, sample_rate_hz=RATE_HZ).sample_peak_dbfs
    )


def test_parts_do_not_depend_on_blocks_and_do_not_change_the_whole():
    sound = swelling(20)
    known = measured(sound, EDGES, block=len(sound))

    assert known.loudness == measure(sound, sample_rate_hz=RATE_HZ)
    for block in (1021, 8192, 65_536):
        parted = measured(sound, EDGES, block=block)
        assert (parted.peaks, parted.sample_peaks) == (known.peaks, known.sample_peaks)
    assert len(known.peaks) == len(EDGES) + 1
    assert known.starts == (0, *EDGES)


def test_a_part_of_silence_or_of_no_length_has_no_figures():
    sound = swelling(20)
    sound[4 * SECOND : 9 * SECOND] = 0.0
    # The filters ring on for a moment.
    edges = [4 * SECOND + 2000, 9 * SECOND - 2000]
    silent = loudness_between(measured(sound, edges), start_s=edges[0] / RATE_HZ, end_s=edges[1] / RATE_HZ)
    assert (silent.integrated_lufs, silent.loudness_range_lu, silent.true_peak_dbtp) == (None, None, None)
    assert silent.true_peak_channel is silent.sample_peak_dbfs is silent.plr_lu is None
    nothing = loudness_between(measured(sound, [SECOND]), start_s=1.0, end_s=1.0)
    assert nothing.integrated_lufs is nothing.max_momentary_lufs is nothing.true_peak_dbtp is None
