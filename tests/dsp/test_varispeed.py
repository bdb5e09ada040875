"""Sound read at fractional positions: pitch, noise, exactness, behaviour at the edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mixrender.dsp.varispeed import reach_frames, varispeed
from mixrender.units import FloatArray, ratio_to_cents

RATE_HZ = 44100
RESIDUAL_DB = -98.0
"""Bound on everything that is not the wanted tone, relative to the tone, below 16 kHz."""


def tone(hz: float, at_frames: FloatArray) -> FloatArray:
    sound = np.sin(2.0 * np.pi * hz * at_frames / RATE_HZ)
    return np.stack([sound, -0.5 * sound], axis=1)


def residual_db(heard: FloatArray, ideal: FloatArray) -> float:
    return float(10.0 * np.log10(np.mean((heard - ideal) ** 2) / np.mean(ideal**2)))


@pytest.mark.parametrize("speed", [0.92, 1.0321, 1.08])
def test_a_tone_is_raised_by_1200_log2_of_the_speed(speed: float) -> None:
    heard = varispeed(tone(1000.0, np.arange(30000.0)), np.arange(500, 25000) * speed)[:, 0]
    phase = np.unwrap(np.angle(_analytic(heard, 1000.0 * speed)))[2000:-2000]
    slope = np.polyfit(np.arange(len(phase)), phase, 1)[0]
    cents = ratio_to_cents(slope * RATE_HZ / (2.0 * np.pi) / 1000.0)
    error = abs(cents - 1200.0 * math.log2(speed))
    print(f"speed {speed}: {cents:.4f} cents, error {error:.5f} <= 0.1 cent")
    assert error <= 0.1


def _analytic(sound: FloatArray, hz: float) -> FloatArray:
    """The tone's complex envelope times its carrier: a one-sided spectrum."""
    spectrum = np.fft.fft(sound * np.hanning(len(sound)))
    spectrum[len(sound) // 2 :] = 0.0
    return np.fft.ifft(spectrum)


@pytest.mark.parametrize("hz", [100.0, 1000.0, 5000.0, 10000.0, 14000.0])
@pytest.mark.parametrize("speed", [0.92, 1.0321, 1.08])
def test_a_tone_leaves_less_than_minus_98_db_of_anything_else_at_constant_speed(
    hz: float, speed: float
) -> None:
    positions = 200.0 + np.arange(20000) * speed
    found = residual_db(varispeed(tone(hz, np.arange(22500.0)), positions), tone(hz, positions))
    print(f"{hz:.0f} Hz x {speed}: residual {found:.1f} <= {RESIDUAL_DB} dB")
    assert found <= RESIDUAL_DB


@pytest.mark.parametrize("hz", [100.0, 1000.0, 10000.0, 15900.0])
def test_a_ramp_of_speed_follows_the_analytic_tone(hz: float) -> None:
    n = 40000
    positions = 200.0 + np.arange(n) * 1.0 + 0.032 * np.arange(n) ** 2 / (2.0 * n)
    found = residual_db(varispeed(tone(hz, np.arange(42000.0)), positions), tone(hz, positions))
    print(f"{hz:.0f} Hz on a ramp of +3.2 %: residual {found:.1f} <= {RESIDUAL_DB} dB")
    assert found <= RESIDUAL_DB


def test_whole_positions_give_the_frames_themselves() -> None:
    x = np.random.default_rng(1).standard_normal((3000, 2))

    assert np.array_equal(varispeed(x, np.arange(100.0, 2900.0)), x[100:2900])
    assert np.array_equal(varispeed(x[::-1], 2999.0 - np.arange(100.0, 2900.0)), x[100:2900])


def test_float32_sound_gives_the_same_as_its_float64_copy() -> None:
    x = np.random.default_rng(2).standard_normal((2000, 2)).astype(np.float32)
    positions = np.arange(1000) * 1.03 + 100.25

    assert np.array_equal(varispeed(x, positions), varispeed(x.astype(np.float64), positions))


def test_what_speed_lifts_above_half_the_rate_does_not_fold_back() -> None:
    # At 1.08 a tone of 21.5 kHz would be heard at 20.9 kHz, folded.
    positions = 200.0 + np.arange(20000) * 1.08
    heard = varispeed(tone(21500.0, np.arange(22500.0)), positions)
    level_db = 10.0 * math.log10(float(np.mean(heard[:, 0] ** 2)) / 0.5)
    print(f"alias {level_db:.1f} <= -90 dB")
    assert level_db <= -90.0


def test_it_is_silent_outside_the_sound() -> None:
    x = np.ones((100, 2))

    assert not varispeed(x, np.arange(-1000.0, -40.0)).any()
    assert not varispeed(x, 1e9 + np.arange(10.0)).any()
    assert varispeed(x[:0], np.arange(3.0)).shape == (3, 2)
    assert varispeed(x, np.zeros(0)).shape == (0, 2)


@pytest.mark.parametrize("speed", [0.9, 1.02, 1.3])
def test_the_stated_reach_holds_all_that_is_read(speed: float) -> None:
    x = np.random.default_rng(4).standard_normal((1000, 2))
    positions = 400.3 + np.arange(100) * speed
    first, last = int(positions[0]) - reach_frames(speed), int(positions[-1]) + 1 + reach_frames(speed)

    assert np.abs(varispeed(x, positions) - varispeed(x[first:last], positions - first)).max() <= 1e-11


def test_positions_that_are_not_finite_are_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        varispeed(np.zeros((10, 2)), np.array([0.0, np.nan]))


def test_mono_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\(n, 2\)"):
        varispeed(np.zeros((10, 1)), np.arange(3.0))
