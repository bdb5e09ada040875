"""Reverberation: how long it lasts, how dense, wide, loud and even it is, whatever the blocks."""

import math
import time

import numpy as np
import pytest
from scipy.ndimage import median_filter
from scipy.signal import butter, sosfilt

from mixrender.dsp.reverb import PREDELAY_S, resting_reverb, reverb, tail_s

RATE_HZ = 48_000


def reverberated(send, decay_s, damping_hz=math.nan, *, rate_hz=RATE_HZ, state=None):
    n = len(send)
    return reverb(
        send,
        np.broadcast_to(np.asarray(decay_s, dtype=float), n),
        np.broadcast_to(np.asarray(damping_hz, dtype=float), n),
        sample_rate_hz=rate_hz,
        state=state,
    )


def response(decay_s, damping_hz=math.nan, *, length_s=None, sides=(1.0, 1.0), rate_hz=RATE_HZ):
    """What an impulse leaves behind, shape (n, 2)."""
    send = np.zeros((round((length_s or 1.3 * decay_s + 0.3) * rate_hz), 2))
    send[0] = sides
    return reverberated(send, decay_s, damping_hz, rate_hz=rate_hz)[0]


def octave(sound, centre_hz, *, rate_hz=RATE_HZ):
    edges_hz = [centre_hz / math.sqrt(2), centre_hz * math.sqrt(2)]
    return sosfilt(butter(3, edges_hz, "bandpass", fs=rate_hz, output="sos"), sound, axis=0)


def decay_curve_db(sound):
    """Schroeder's backward integration (JASA 37, 1965)."""
    left = np.cumsum(sound[::-1] ** 2)[::-1]
    return 10 * np.log10(left[left > 0.0] / left[0])


def measured_decay_s(sound, *, rate_hz=RATE_HZ):
    """Reverberation time from -5 to -35 dB, T30 of ISO 3382-1 (from memory)."""
    curve_db = decay_curve_db(sound)
    frames = np.flatnonzero((curve_db <= -5) & (curve_db >= -35))
    return -60 / np.polyfit(frames / rate_hz, curve_db[frames], 1)[0]


@pytest.mark.parametrize("damping_hz", [math.nan, 6_000.0])
@pytest.mark.parametrize("decay_s", [0.5, 1.0, 2.0, 5.0])
def test_it_decays_in_the_time_asked_for(decay_s, damping_hz):
    impulse = response(decay_s, damping_hz)
    found = [measured_decay_s(octave(impulse[:, c], hz)) for hz in (500, 1_000) for c in (0, 1)]
    error_percent = np.max(np.abs(np.array(found) / decay_s - 1)) * 100

    print(f"{decay_s:g} s, damping {damping_hz:g} Hz: off by {error_percent:.1f} %, bound 10 %")
    assert error_percent < 10


@pytest.mark.parametrize("decay_s", [1.0, 4.0])
def test_where_it_is_damped_it_decays_in_half_the_time(decay_s):
    # An octave around the damping holds slower and faster sound; T30 leans to the slower.
    found = measured_decay_s(octave(response(decay_s, 5_000.0)[:, 0], 5_000.0)) / decay_s
    far = measured_decay_s(octave(response(decay_s, 5_000.0)[:, 0], 12_000.0)) / decay_s

    print(f"{decay_s:g} s: {found:.3f} of it at the damping, bound 0.5 to 0.6; {far:.3f} at 12 kHz")
    assert 0.5 < found < 0.6
    assert far < 0.4


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000])
def test_it_decays_alike_at_other_rates(rate_hz):
    impulse = response(1.0, 6_000.0, rate_hz=rate_hz)
    found = measured_decay_s(octave(impulse[:, 0], 1_000, rate_hz=rate_hz), rate_hz=rate_hz)

    print(f"{rate_hz} Hz: {found:.3f} s, bound 0.9 to 1.1 s")
    assert 0.9 < found < 1.1


@pytest.mark.parametrize("decay_s", [0.5, 2.0])
def test_it_decays_without_steps_or_bumps(decay_s):
    # In windows of a twentieth of the decay the level falls by 3 dB, and never rises.
    power = response(decay_s, 6_000.0)[round(0.1 * RATE_HZ) :].sum(axis=1) ** 2
    size = round(decay_s / 20 * RATE_HZ)
    levels_db = 10 * np.log10(power[: len(power) // size * size].reshape(-1, size).mean(axis=1))
    steps_db = np.diff(levels_db[levels_db > levels_db[0] - 70])

    print(f"{decay_s:g} s: steps {np.min(steps_db):.1f} to {np.max(steps_db):.1f} dB, bound 0 dB")
    assert np.max(steps_db) < 0.0


def echo_density(sound, at_s):
    """Share of samples beyond one standard deviation, 1 for noise: J. S. Abel, P. Huang, AES 121, 2006.

    From memory: a window of 20 ms, here as the mean over three of them.
    """
    size = round(0.02 * RATE_HZ)
    weights = np.hanning(size) / np.sum(np.hanning(size))
    shares = []
    for middle in np.round(np.array([at_s, at_s + 0.01, at_s + 0.02]) * RATE_HZ).astype(int):
        piece = sound[middle - size // 2 :][:size]
        shares.append(np.sum(weights[np.abs(piece) > math.sqrt(np.sum(weights * piece**2))]))
    return np.mean(shares) / math.erfc(1 / math.sqrt(2))


@pytest.mark.parametrize("damping_hz", [math.nan, 6_000.0])
def test_within_80_ms_echoes_are_as_dense_as_noise(damping_hz):
    impulse = response(2.0, damping_hz, length_s=1.0)
    times_s = (0.08, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8)
    density = np.array([[echo_density(impulse[:, c], s) for s in times_s] for c in (0, 1)])

    print(f"damping {damping_hz:g} Hz: {np.min(density):.2f} to {np.max(density):.2f}, bound 1 +- 0.15")
    assert np.all(np.abs(density - 1) < 0.15)


@pytest.mark.parametrize("decay_s", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("sides", [(1.0, 1.0), (1.0, -1.0), (1.0, 0.0)])
def test_left_and_right_share_next_to_nothing(decay_s, sides):
    left, right = response(decay_s, 6_000.0, sides=sides).T
    late = slice(round(0.08 * RATE_HZ), None)
    found = [np.corrcoef(left[cut], right[cut])[0, 1] for cut in (slice(None), late)]

    print(f"{decay_s:g} s, {sides}: correlation {found[0]:.3f}, late {found[1]:.3f}, bound 0.3")
    assert np.max(np.abs(found)) < 0.3


@pytest.mark.parametrize("decay_s", [0.3, 1.0, 5.0])
def test_the_centre_stays_in_the_centre_and_a_side_leans_to_its_own(decay_s):
    def balance_db(sides):
        left, right = np.sum(response(decay_s, 6_000.0, sides=sides) ** 2, axis=0)
        return 10 * np.log10(left / right)

    centre_db, left_db, right_db = (balance_db(sides) for sides in ((1, 1), (1, 0), (0, 1)))
    print(f"{decay_s:g} s: centre {centre_db:.2f} dB, bound 0.5 dB; sides {left_db:.2f}, {right_db:.2f} dB")
    assert abs(centre_db) < 0.5
    assert left_db > 0.5 > -0.5 > right_db


@pytest.mark.parametrize("damping_hz", [math.nan, 6_000.0, 1_000.0])
@pytest.mark.parametrize("decay_s", [0.3, 0.5, 1.0, 2.0, 5.0, 10.0])
def test_it_holds_the_energy_that_went_in(decay_s, damping_hz):
    energy = np.sum(response(decay_s, damping_hz) ** 2, axis=0)
    level_db = 10 * np.log10(np.mean(energy))

    print(f"{decay_s:g} s, damping {damping_hz:g} Hz: {level_db:.2f} dB, bound 1 dB")
    assert abs(level_db) < 1.0


def tallest_peak_db(sound, from_s, to_s):
    """How far the highest line of the spectrum stands above the median of the 200 Hz around it."""
    piece = sound[round(from_s * RATE_HZ) : round(to_s * RATE_HZ)]
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)))) ** 2
    hz = np.fft.rfftfreq(len(piece), 1 / RATE_HZ)
    power = power[(hz > 100) & (hz < 5_000)]
    return 10 * np.log10(np.max(power / median_filter(power, round(200 * len(piece) / RATE_HZ))))


@pytest.mark.parametrize("decay_s", [1.0, 2.0, 5.0, 10.0])
def test_no_tone_rings_out_of_the_late_tail(decay_s):
    # Some thousands of lines of Gaussian noise have a highest one of 11 to 13 dB. Six dB more are allowed.
    impulse = response(decay_s)
    found = [
        tallest_peak_db(impulse[:, c], share * decay_s, share * decay_s + 1.0)
        for c in (0, 1)
        for share in (0.2, 0.5)
    ]
    rng, frames = np.random.default_rng(4), np.arange(len(impulse))
    noise = rng.standard_normal(len(frames)) * 10 ** (-3 * frames / (decay_s * RATE_HZ))
    noise_db = tallest_peak_db(noise, 0.5 * decay_s, 0.5 * decay_s + 1.0)
    # A single comb of the same decay, which does ring.
    comb = np.zeros(len(frames))
    comb[:: round(0.05 * RATE_HZ)] = 10 ** (-3 * frames[:: round(0.05 * RATE_HZ)] / (decay_s * RATE_HZ))
    comb_db = tallest_peak_db(comb, 0.2 * decay_s, 0.2 * decay_s + 1.0)

    print(
        f"{decay_s:g} s: {np.max(found):.1f} dB, bound 18 dB; noise {noise_db:.1f}, a comb {comb_db:.1f} dB"
    )
    assert np.max(found) < 18
    assert comb_db > 18


@pytest.mark.parametrize("size", [1, 7, 997])
def test_blocks_of_any_size_give_the_same_bits(size):
    rng = np.random.default_rng(3)
    n = 2_003 if size == 1 else 30_011
    send, place = rng.standard_normal((n, 2)), np.arange(n)
    decay_s = np.where(place < n // 3, 1.5, 1.0 + 0.9 * np.sin(place / 5_000.0))
    damping_hz = np.where(place % 5_000 < 1_000, np.nan, np.geomspace(500.0, 20_000.0, n))
    whole, last = reverberated(send, decay_s, damping_hz)
    state, parts = None, []
    for i in range(0, n, size):
        cut = slice(i, i + size)
        wet, state = reverberated(send[cut], decay_s[cut], damping_hz[cut], state=state)
        parts.append(wet)

    assert np.any(whole)
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert state.lines.tobytes() == last.lines.tobytes()


def test_a_decay_that_moves_reaches_what_is_ringing_already_without_clicks():
    n, turn = 2 * RATE_HZ, RATE_HZ // 2
    send = np.zeros((n, 2))
    send[:turn, :] = np.sin(2 * np.pi * 300 * np.arange(turn) / RATE_HZ)[:, np.newaxis]
    send[:turn] *= np.hanning(turn)[:, np.newaxis]
    decay_s = np.concatenate([np.full(turn, 4.0), np.linspace(4.0, 0.4, turn), np.full(n - 2 * turn, 0.4)])
    moved, stood = reverberated(send, decay_s)[0], reverberated(send, 4.0)[0]
    clicks = sosfilt(butter(8, 3_000, "highpass", fs=RATE_HZ, output="sos"), moved[:, 0])
    clicks_db = 20 * np.log10(np.max(np.abs(clicks[RATE_HZ // 10 :])) / np.max(np.abs(moved)))
    fallen_db = 10 * np.log10(np.sum(moved[-RATE_HZ // 10 :] ** 2) / np.sum(stood[-RATE_HZ // 10 :] ** 2))

    print(f"{clicks_db:.0f} dB above 3 kHz, bound -90 dB; {fallen_db:.0f} dB below a decay of 4 s")
    assert np.array_equal(moved[:turn], stood[:turn])
    assert clicks_db < -90
    assert fallen_db < -60


@pytest.mark.parametrize("decay_s", [0.1, 2.0])
def test_nothing_comes_before_the_first_echo(decay_s):
    sounding = np.flatnonzero(np.any(response(decay_s, 6_000.0), axis=1))

    print(f"first echo after {sounding[0] / RATE_HZ * 1000:.2f} ms, bound {PREDELAY_S * 1000:g} to 31 ms")
    assert PREDELAY_S * RATE_HZ <= sounding[0] < 0.031 * RATE_HZ


def test_silence_stays_silence():
    assert not np.any(reverberated(np.zeros((20_000, 2)), 3.0, 5_000.0)[0])


def test_the_tail_ends_in_exact_zeros_without_denormals():
    wet, state = reverberated(np.eye(6 * RATE_HZ, 2), 0.3, 6_000.0)
    sounding = np.abs(wet[wet != 0.0])

    print(f"smallest {np.min(sounding):.1e}, ends after {np.flatnonzero(wet)[-1] / 2 / RATE_HZ:.1f} s")
    assert np.min(sounding) > 1e-60
    assert not np.any(wet[-1_000:])
    assert not any(np.any(part) for part in (state.lines, state.lowpass, state.diffusers, state.highpass))


def test_an_offset_leaves_nothing_and_bass_next_to_nothing():
    n = 3 * RATE_HZ
    offset = reverberated(np.full((n, 2), 0.5), 1.0)[0][-RATE_HZ:]
    noise = np.random.default_rng(8).standard_normal((n, 2))
    bass = sosfilt(butter(8, 20, fs=RATE_HZ, output="sos"), noise, axis=0)
    bass_db = 10 * np.log10(np.mean(reverberated(bass, 1.0)[0] ** 2) / np.mean(bass**2))

    print(f"offset {np.max(np.abs(offset)):.1e}; below 20 Hz {bass_db:.1f} dB, bound -18 dB")
    assert np.max(np.abs(offset)) < 1e-4
    assert bass_db < -18


@pytest.mark.parametrize("decay_s", [0.5, 2.0, 6.0])
def test_after_its_tail_it_is_60_db_down(decay_s):
    # Of the response's energy a millionth may be left, which is where its decay curve stands at -60 dB.
    mid = octave(response(decay_s, length_s=1.5 * decay_s + 0.3)[:, 0], 1_000.0)
    left_db = decay_curve_db(mid)[round(tail_s(decay_s) * RATE_HZ)]

    print(f"{decay_s:g} s: {left_db:.1f} dB left after {tail_s(decay_s):.2f} s, bound -60 dB +- 10 %")
    assert left_db < -60 * 0.9


def test_it_is_many_times_faster_than_it_sounds():
    send = np.random.default_rng(5).standard_normal((10 * RATE_HZ, 2))
    reverberated(send[:100], 2.0, 6_000.0)  # compiled
    begin = time.process_time()
    wet = reverberated(send, np.linspace(1.0, 3.0, len(send)), 6_000.0)[0]
    speed = 10 / (time.process_time() - begin)

    print(f"{speed:.0f} x real time on one core, aim 60")
    assert np.all(np.isfinite(wet))
    assert speed > 10  # what even a busy machine must reach


@pytest.mark.parametrize(
    ("decay_s", "damping_hz", "message"),
    [(0.0, 1_000.0, "above 0 s"), (math.nan, 1_000.0, "above 0 s"), (1.0, 0.0, "above 0 Hz")],
)
def test_values_out_of_range_are_errors(decay_s, damping_hz, message):
    with pytest.raises(ValueError, match=message):
        reverberated(np.zeros((10, 2)), decay_s, damping_hz)


def test_a_state_of_another_rate_and_lanes_of_another_length_are_errors():
    with pytest.raises(ValueError, match="not one at 48000 Hz"):
        reverberated(np.zeros((10, 2)), 1.0, state=resting_reverb(44_100))
    with pytest.raises(ValueError, match="n decays"):
        reverb(np.zeros((10, 2)), np.ones(9), np.ones(10), sample_rate_hz=RATE_HZ)
