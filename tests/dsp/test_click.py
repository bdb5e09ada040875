"""The metronome: on time between samples, the same however it is cut, heard, never too loud."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from mixrender.dsp.click import LENGTH_S, LOUDEST_DB, TONES, clicks

RATES_HZ = (22050, 44100, 48000, 96000)


def one(time_s: float, accent: str, *, rate_hz: int = 44100, level_db: float = 0.0) -> np.ndarray:
    """The left channel of one click in its first half second."""
    return clicks([time_s], [accent], 0, rate_hz // 2, sample_rate_hz=rate_hz, level_db=level_db)[:, 0]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("accent", TONES)
def test_a_click_begins_on_its_time_between_samples_too(rate_hz, accent):
    worst_ms = 0.0
    for time_s in 0.1 + np.random.default_rng(1).random(50) / 10:
        sound = one(time_s, accent, rate_hz=rate_hz)
        onset = int(np.argmax(np.abs(sound) > 0.05 * np.abs(sound).max()))
        assert not sound[: int(np.ceil(time_s * rate_hz))].any()
        worst_ms = max(worst_ms, abs(onset / rate_hz - time_s) * 1000)

    print(f"{accent} at {rate_hz} Hz: begins within {worst_ms:.3f} ms")
    assert worst_ms <= 0.1  # ms: a tenth of what beats are held to; two samples at 22.05 kHz take 0.09


def test_the_place_between_two_samples_is_kept():
    """How far two clicks lie apart is read off the turn between their spectra."""
    rate_hz, shift_s = 44100, 0.3 / 44100
    a, b = one(0.1, "beat"), one(0.1 + shift_s, "beat")

    spectra = np.fft.rfft(a), np.fft.rfft(b)
    bins = slice(round(1000 * a.size / rate_hz), round(2000 * a.size / rate_hz))
    turn = np.angle(spectra[0] * np.conj(spectra[1]))[bins]
    delays_s = turn / (2 * np.pi * np.fft.rfftfreq(a.size, 1 / rate_hz)[bins])
    error_us = abs(float(np.median(delays_s)) - shift_s) * 1e6
    print(f"error {error_us:.3f} µs of {shift_s * 1e6:.2f} µs")
    assert error_us <= 0.5  # µs, a fiftieth of a sample


@pytest.mark.parametrize("cut", [1, 7, 441, 1000])
def test_the_sound_does_not_depend_on_how_it_is_cut(cut):
    times_s = np.sort(np.random.default_rng(2).random(20)) * 0.2
    accents = ["bar", "beat", "section", "beat"] * 5
    whole = clicks(times_s, accents, 0, 10000, sample_rate_hz=44100, level_db=-6.0)
    parts = [
        clicks(times_s, accents, start, min(start + cut, 10000), sample_rate_hz=44100, level_db=-6.0)
        for start in range(0, 10000, cut)
    ]

    assert np.array_equal(np.concatenate(parts), whole)
    assert whole.any()


def test_both_channels_are_equal_so_that_mono_loses_nothing():
    sound = clicks([0.01, 0.1], ["bar", "beat"], 0, 8000, sample_rate_hz=44100, level_db=0.0)

    assert sound.shape == (8000, 2)
    assert np.array_equal(sound[:, 0], sound[:, 1]) and sound.any()


@pytest.mark.parametrize("accent", TONES)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_click_comes_near_its_level_and_not_above_it(accent, rate_hz):
    level_db = -12.0 + TONES[accent].level_db
    peak_db = 20 * np.log10(np.abs(one(0.1, accent, rate_hz=rate_hz, level_db=-12.0)).max())

    print(f"{accent}: peak {peak_db:.2f} dBFS of at most {level_db} dBFS")
    assert level_db - 4.0 <= peak_db <= level_db  # dB: 4 dB are a decay within the first quarter wave
    assert TONES[accent].level_db <= LOUDEST_DB


def test_accents_differ_in_pitch_and_bars_are_louder_than_beats():
    found_hz = []
    for accent in ("beat", "bar", "section"):
        spectrum = np.abs(np.fft.rfft(one(0.1, accent)))
        found_hz.append(float(np.argmax(spectrum) * 44100 / 22050))
    print(f"strongest at {found_hz} Hz")

    # A whole tone is 12 %: steps of a third and more are told apart by anyone.
    assert found_hz[1] / found_hz[0] >= 1.25 and found_hz[2] / found_hz[1] >= 1.25
    assert np.abs(one(0.1, "bar")).max() > np.abs(one(0.1, "beat")).max()


def test_a_click_is_short_and_ends_without_a_step():
    sound = one(0.1, "beat")
    last = int(np.flatnonzero(sound)[-1])
    steps_db = 20 * np.log10(np.abs(np.diff(sound[last - 20 : last + 2])).max() / np.abs(sound).max())

    assert last / 44100 <= 0.1 + LENGTH_S + 1e-9
    assert 0.010 <= LENGTH_S <= 0.020  # s
    print(f"largest step at the end {steps_db:.1f} dB below the peak")
    assert steps_db <= -50.0  # dB: below what the click itself hides


def test_nothing_sounds_without_beats_or_in_an_empty_range():
    assert not clicks([], [], 0, 100, sample_rate_hz=44100, level_db=0.0).any()
    assert clicks([0.0], ["bar"], 50, 50, sample_rate_hz=44100, level_db=0.0).shape == (0, 2)


@pytest.mark.parametrize("accent", TONES)
def test_a_click_at_the_level_of_loud_music_is_heard_over_pink_noise(accent):
    """A tone is heard in noise from about 4 dB below the level in its critical band on.

    Source: Zwicker and Fastl, Psychoacoustics, chapter 4 (from memory). A third of an octave is about such
    a band at 1 to 3 kHz.
    """
    from mixrender.loudness.meter import Meter
    from mixrender.mixdown.click_track import OVER_LOUD_PARTS_DB

    rng, rate_hz = np.random.default_rng(3), 44100
    spectrum = np.fft.rfft(rng.normal(size=10 * rate_hz))
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(spectrum.size), 200)))
    meter = Meter(sample_rate_hz=rate_hz, channels=2)
    meter.push(np.column_stack([noise, noise]).astype(np.float32))
    loudness = meter.result().integrated_lufs
    click = one(0.1, accent, level_db=loudness + OVER_LOUD_PARTS_DB)

    centre_hz = TONES[accent].frequency_hz
    edges_hz = [centre_hz / 2 ** (1 / 6), centre_hz * 2 ** (1 / 6)]
    band = scipy.signal.butter(3, edges_hz, "band", fs=rate_hz, output="sos")
    heard = scipy.signal.sosfilt(band, click)[4410 : 4410 + 1100]  # 25 ms
    masker = scipy.signal.sosfilt(band, noise)
    above_db = 10 * np.log10(np.mean(heard**2) / np.mean(masker**2))
    print(f"{accent}: {above_db:.1f} dB above the noise in its band")
    assert above_db >= 3.0  # dB: 7 above the threshold, for music that is louder on the beat
