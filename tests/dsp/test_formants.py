"""Formants of shifted sound: where they are, what stays as it was, and independence of blocks."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from vowels import FORMANTS_HZ, RATE_HZ, formants_hz, vowel

from mixrender.dsp.formants import (
    UNPITCHED_HZ,
    envelopes,
    fundamentals_hz,
    keep_formants,
    window_frames,
)
from mixrender.dsp.varispeed import varispeed
from mixrender.units import FloatArray, semitones_to_ratio

NEAR = 0.05
"""How far a formant may be from where it was; one speaker varies by as much (common practice, no source)."""


def reader(sound: FloatArray) -> Callable[[int, int], NDArray[np.float64]]:
    """Reads of a sound, zeros outside of it."""

    def read(start: int, stop: int) -> FloatArray:
        out = np.zeros((stop - start, 2))
        first, last = max(start, 0), min(stop, len(sound))
        if first < last:
            out[first - start : last - start] = sound[first:last]
        return out

    return read


def shifted(sound: FloatArray, ratio: float) -> FloatArray:
    """The sound read faster: its pitch and its formants move by `ratio`."""
    return varispeed(sound, np.arange(0.0, len(sound) - 1.0, ratio))


def kept(sound: FloatArray, ratio: float) -> FloatArray:
    return keep_formants(reader(sound), 0, len(sound), ratio=ratio, sample_rate_hz=RATE_HZ)


@pytest.mark.parametrize(
    "semitones", [-2, 5, *(pytest.param(shift, marks=pytest.mark.accuracy) for shift in (-5, -1, 1, 2))]
)
@pytest.mark.parametrize("voice_hz", [None, 110.0])
@pytest.mark.parametrize("name", sorted(FORMANTS_HZ))
def test_formants_come_back_to_where_they_were(name: str, voice_hz: float | None, semitones: int) -> None:
    ratio = semitones_to_ratio(semitones)
    sound = vowel(name, seconds=3.0 if voice_hz else 5.0, voice_hz=voice_hz)
    own_hz = formants_hz(sound[:, 0], np.array(FORMANTS_HZ[name]))
    moved = shifted(sound, ratio)
    follow = formants_hz(moved[:, 0], own_hz * ratio) / own_hz / ratio - 1.0
    found = formants_hz(kept(moved, ratio)[:, 0], own_hz) / own_hz - 1.0
    print(
        f"{semitones:+d}: kept, off by {np.round(100.0 * found, 1)} <= 5 %; "
        f"following, off the ratio by {np.round(100.0 * follow, 1)} <= 5 %"
    )
    assert np.all(np.abs(found) <= NEAR)
    assert np.all(np.abs(follow) <= NEAR)


def test_a_ratio_of_1_leaves_the_sound_as_it_is() -> None:
    sound = vowel("a", seconds=1.0, voice_hz=110.0)
    change = np.abs(kept(sound, 1.0) - sound).max()
    print(f"change {change:.1e} <= 1e-12")
    assert change <= 1e-12


@pytest.mark.parametrize("ratio", [0.75, 1.0595, 1.335])
def test_level_and_image_stay(ratio: float) -> None:
    sound = shifted(vowel("a", seconds=2.0, voice_hz=150.0), ratio) * np.array([1.0, -0.25])
    found = kept(sound, ratio)
    change_db = 10.0 * np.log10(np.mean(found**2) / np.mean(sound**2))
    print(f"level change {change_db:+.2f}, within 0.5 dB")
    assert abs(change_db) <= 0.5
    assert np.allclose(found[:, 1], -0.25 * found[:, 0], atol=1e-12)


def test_a_click_stays_where_it_is() -> None:
    sound = np.zeros((8192, 2))
    sound[4000] = 0.5
    found = kept(sound, semitones_to_ratio(4.0))
    assert np.argmax(np.abs(found[:, 0])) == 4000
    centre = np.sum(np.arange(8192) * found[:, 0] ** 2) / np.sum(found[:, 0] ** 2)
    print(f"centre of energy {(centre - 4000.0) / RATE_HZ * 1000.0:+.4f}, within 0.01 ms")
    assert abs(centre - 4000.0) / RATE_HZ * 1000.0 <= 0.01


def test_blocks_make_no_difference() -> None:
    read = reader(shifted(vowel("i", seconds=1.0, voice_hz=110.0), 1.2))
    whole = keep_formants(read, 0, 20000, ratio=1.2, sample_rate_hz=RATE_HZ)
    edges = [0, 1, 700, 5000, 5512, 19999, 20000]
    parts = [
        keep_formants(read, start, stop, ratio=1.2, sample_rate_hz=RATE_HZ) for start, stop in pairwise(edges)
    ]
    assert np.abs(np.concatenate(parts) - whole).max() <= 1e-12


def test_silence_stays_silent() -> None:
    assert not kept(np.zeros((5000, 2)), 1.2).any()


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("hz", [82.0, 196.0, 440.0])
def test_the_fundamental_is_found_within_a_fiftieth(hz: float, rate_hz: int) -> None:
    window = window_frames(rate_hz)
    t = np.arange(window) / rate_hz
    tone = sum(np.cos(2.0 * np.pi * hz * k * t + k * k) / k for k in range(1, 12))
    power = np.abs(np.fft.rfft(tone * np.hanning(window)))[np.newaxis] ** 2
    found = float(fundamentals_hz(power, sample_rate_hz=rate_hz)[0])
    print(f"{found:.1f} Hz for {hz} Hz at {rate_hz} Hz, within 2 %")
    assert abs(found / hz - 1.0) <= 0.02


def test_noise_has_no_fundamental() -> None:
    rng = np.random.default_rng(2)
    parts = rng.standard_normal((200, window_frames(RATE_HZ))) * np.hanning(window_frames(RATE_HZ))
    found = fundamentals_hz(np.abs(np.fft.rfft(parts)) ** 2, sample_rate_hz=RATE_HZ)
    share = float(np.mean(found == UNPITCHED_HZ))
    print(f"{100.0 * share:.0f} % of frames without, >= 90 %")
    assert share >= 0.9


def test_the_envelope_of_harmonics_is_that_of_their_levels() -> None:
    """Harmonics of 150 Hz that fall by 12 dB from 0 to 6 kHz: the envelope passes without their ripple."""
    window = window_frames(RATE_HZ)
    hz = 150.0 * np.arange(1, 60)
    t = np.arange(window) / RATE_HZ
    levels_db = -12.0 * hz / 6000.0
    tone = sum(
        10.0 ** (level / 20.0) * np.cos(2.0 * np.pi * f * t) for f, level in zip(hz, levels_db, strict=True)
    )
    power = np.abs(np.fft.rfft(tone * np.hanning(window)))[np.newaxis] ** 2
    found = envelopes(power, np.array([150.0]), sample_rate_hz=RATE_HZ)[0] * 10.0 / np.log(10.0)
    bins = np.arange(round(300.0 * window / RATE_HZ), round(6000.0 * window / RATE_HZ))
    error = found[bins] + 12.0 * bins * RATE_HZ / window / 6000.0
    ripple_db = float(np.abs(error - np.median(error)).max())
    print(f"within {ripple_db:.2f} <= 1 dB")
    assert ripple_db <= 1.0
