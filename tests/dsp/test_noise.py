"""White noise: its statistics, and that a frame is the same however it is read."""

import time

import numpy as np
import pytest

from mixrender.dsp.noise import NOISE_RMS, noise

N = 1 << 20


def test_mean_level_and_peak_are_those_of_uniform_noise_of_minus_20_db():
    # 2^20 frames: the mean strays by RMS / 1024, the mean square by sqrt(4 / 5) / 1024; bounds: 4 of these.
    sound = noise(0, N, seed=1)
    mean, power = np.abs(np.mean(sound, axis=0)), np.mean(np.square(sound), axis=0) / NOISE_RMS**2
    peak = np.max(np.abs(sound)) / NOISE_RMS

    print(
        f"mean {mean}, bound {4 * NOISE_RMS / 1024:.1e}; power {power}, bound 1 ± 0.0035; peak {peak:.6f} RMS"
    )
    assert np.all(mean < 4 * NOISE_RMS / 1024)
    assert np.all(np.abs(power - 1) < 0.0035)
    assert np.sqrt(3.0) * 0.9999 < peak <= np.sqrt(3.0)


def test_the_spectrum_is_flat():
    # 32 bands of 16384 lines each: the power in a band strays by 1 / 128; the bound is 5 of these, 0.17 dB.
    power = np.square(np.abs(np.fft.rfft(noise(0, N, seed=2), axis=0)[1:]))
    bands_db = 10 * np.log10(power.reshape(32, -1, 2).mean(axis=1) / (N * NOISE_RMS**2))

    print(f"bands within {np.max(np.abs(bands_db)):.3f} dB, bound 0.17 dB")
    assert np.max(np.abs(bands_db)) < 0.17


def test_channels_neighbours_and_seeds_are_unrelated():
    # A coefficient of 2^20 pairs strays by 1 / 1024; the bound is 4.5 of these.
    sound, other = noise(0, N, seed=3), noise(0, N, seed=4)
    pairs = {
        "left and right": sound.T,
        "right and the next left": (sound[:-1, 1], sound[1:, 0]),
        **{f"{lag} frames apart": (sound[:-lag, 0], sound[lag:, 0]) for lag in (1, 2, 3, 4, 16_384)},
        "two seeds": (sound[:, 0], other[:, 0]),
        "two seeds, a frame apart": (sound[2:, 0], other[:-2, 0]),
    }
    found = {name: abs(np.corrcoef(*pair)[0, 1]) for name, pair in pairs.items()}

    print(found, "bound 0.0044")
    assert max(found.values()) < 0.0044


@pytest.mark.parametrize("start", [-100_001, -4, -1, 0, 1, 2, 3, 16_383, 16_384, 10**12 + 1])
@pytest.mark.parametrize("length", [0, 1, 2, 3, 1000])
def test_a_frame_is_the_same_however_it_is_read(start, length):
    whole = noise(start - 5, start + length + 5, seed=5)

    assert noise(start, start + length, seed=5).tobytes() == whole[5 : 5 + length].tobytes()
    assert whole.shape == (length + 10, 2)


def test_no_frame_comes_twice_about_frame_0():
    assert len(np.unique(noise(-5000, 5000, seed=6))) == 20_000


@pytest.mark.accuracy
def test_noise_is_much_faster_than_real_time_even_in_small_blocks():
    for size in (1024, 1 << 20):
        began = time.perf_counter()
        for start in range(0, 1 << 22, size):
            noise(start, start + size, seed=7)
        speed = (1 << 22) / 48_000 / (time.perf_counter() - began)
        print(f"blocks of {size}: {speed:.0f} times real time at 48 kHz, bound 200")
        assert speed > 200
