"""The phaser: where its notches are, that nothing gets louder, its edges, its independence of blocks."""

import numpy as np
import pytest
from effect_checks import (
    RATE_HZ,
    bass_note,
    click_db,
    deepest_hz,
    edged_amount,
    in_blocks,
    noise,
    response,
    response_db,
    steepest,
    times_real_time,
)

from mixrender.dsp.phaser import phaser, sweep_hz


def phased(sound, amount=1.0, corner_hz=800.0, feedback=0.0, *, rate_hz=RATE_HZ):
    return phaser(sound, amount, corner_hz, feedback, sample_rate_hz=rate_hz)[0]


def rms(sound):
    return float(np.sqrt(np.mean(np.square(sound))))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("corner_hz", [200.0, 800.0, 3200.0])
@pytest.mark.parametrize("feedback", [0.0, 0.9])
def test_a_standing_corner_has_notches_where_the_phase_has_turned_by_half_of_a_turn(
    corner_hz, feedback, rate_hz
):
    # Each first-order all-pass turns by 2 atan(tan(π f / fs) / tan(π fc / fs)); four of them by π and by 3π.
    # The feedback leaves the notches where they are. Bounds: 1 % and -40 dB, well below what is heard.
    levels_db = response_db(lambda x: phased(x, 1.0, corner_hz, feedback, rate_hz=rate_hz), 1 << 18)
    g = np.tan(np.pi * corner_hz / rate_hz)
    for turns in (1, 3):
        expected_hz = rate_hz / np.pi * np.arctan(g * np.tan(turns * np.pi / 8))
        found_hz, depth_db = deepest_hz(levels_db, expected_hz, rate_hz)
        error = found_hz / expected_hz - 1
        print(f"notch {found_hz:.2f} Hz, off by {error:.2e} (bound 1 %), {depth_db:.1f} dB (bound -40 dB)")
        assert abs(error) < 0.01
        assert depth_db < -40.0


@pytest.mark.parametrize("feedback", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("amount", [0.3, 1.0])
def test_a_standing_corner_has_the_response_of_the_closed_form_and_gets_no_frequency_louder(amount, feedback):
    found = response(lambda x: phased(x, amount, 800.0, feedback), 1 << 17)
    u = np.tan(np.linspace(0.0, np.pi / 2, len(found))[1:-1]) / np.tan(np.pi * 800.0 / RATE_HZ)
    turned = np.exp(-8j * np.arctan(u))
    wet = (turned - feedback) / (1 - feedback * turned)
    error = np.max(np.abs(found[1:-1] - (1 - amount / 2) - amount / 2 * wet))
    loudest_db = 20 * np.log10(np.max(np.abs(found)))

    print(f"error {error:.1e}, bound 1e-9; loudest {loudest_db:.6f} dB, bound 1e-6 dB")
    assert error < 1e-9
    assert loudest_db < 1e-6


@pytest.mark.parametrize("sweeps_hz", [0.1, 30.0, 3000.0])
def test_corner_and_feedback_that_move_at_any_pace_add_no_energy(sweeps_hz):
    # Rotations keep the sum of squares: that of the all-passed sound is at most that of the input, which
    # holds for each moment, so for a decay after the input's end as well.
    sound = np.concatenate((noise(RATE_HZ), np.zeros((RATE_HZ, 2))))
    motion = 0.5 - 0.5 * np.cos(2 * np.pi * sweeps_hz * np.arange(len(sound)) / RATE_HZ)
    out = phased(sound, 1.0, 20.0 * 1000.0**motion, 0.9 * motion[::-1])
    wet = 2 * out - sound
    kept = np.cumsum(np.square(wet), axis=0) / np.cumsum(np.square(sound), axis=0)
    left = rms(wet[-RATE_HZ // 4 :]) / rms(sound[:RATE_HZ])

    print(f"{sweeps_hz:g} sweeps/s: energy {np.max(kept):.9f}, bound 1 + 1e-9; left after 0.75 s {left:.0e}")
    assert np.max(kept) < 1 + 1e-9
    assert left < 1e-3  # -60 dB


def test_without_amount_the_sound_passes_to_the_bit_and_the_phaser_forgets():
    sound = noise(3000)
    sound[100] = -0.0
    amount = np.concatenate((np.zeros(1000), np.ones(1000), np.zeros(1000)))
    out, state = phaser(sound, amount, 800.0, 0.5, sample_rate_hz=RATE_HZ)
    left_out = phased(sound[1000:2000], 1.0, 800.0, 0.5)

    assert out[amount == 0].tobytes() == sound[amount == 0].tobytes()
    assert not state.any()
    assert np.array_equal(out[1000:2000], left_out)
    assert not np.array_equal(left_out, sound[1000:2000])


@pytest.mark.parametrize("size", [1, 7, 1000, 65_536])
def test_blocks_of_any_size_give_the_same_bits(size):
    n = 4_001 if size == 1 else 70_001
    sound, corner_hz = noise(n), np.geomspace(20.0, 30_000.0, n)
    corner_hz[n // 2 : n // 2 + 500] = 900.0
    amount = np.clip(np.sin(np.linspace(0.0, 20.0, n)), 0.0, 1.0)
    feedback = np.linspace(0.0, 0.9, n)

    def effect(x, a, hz, f, state):
        return phaser(x, a, hz, f, sample_rate_hz=RATE_HZ, state=state)

    whole, _ = effect(sound, amount, corner_hz, feedback, None)

    assert in_blocks(effect, size, sound, amount, corner_hz, feedback).tobytes() == whole.tobytes()


def test_the_state_that_was_handed_in_is_left_as_it_was():
    state = np.full((2, 4), 0.25)
    phaser(noise(100), 1.0, 800.0, 0.5, sample_rate_hz=RATE_HZ, state=state)

    assert np.all(state == 0.25)


@pytest.mark.parametrize("feedback", [0.0, 0.9])
@pytest.mark.parametrize("phase", [0.0, 0.25, 0.4])
def test_an_amount_that_comes_and_goes_in_10_ms_does_not_click(phase, feedback):
    # Common practice, no source: what lies above 2 kHz of a bass note is a click.
    sound = bass_note(RATE_HZ, phase)
    amount = edged_amount(RATE_HZ, on=RATE_HZ // 3, off=RATE_HZ // 2)
    out = phased(sound, amount, 200.0, feedback)
    heard_db, ratio = click_db(out[2000:-2000]), steepest(out) / steepest(sound)

    print(f"{heard_db:.1f} dBFS above 2 kHz, bound -60; steepest {ratio:.3f} of the note's, bound 1.5")
    assert heard_db < -60.0
    assert ratio < 1.5


def test_the_sweep_goes_through_the_centre_on_every_period_and_by_the_depth_to_either_side():
    beats = np.array([0.0, 4.0, 8.0, 12.0, 16.0, 16_004.0])
    corner_hz = sweep_hz(beats, period_beats=16.0, centre_hz=800.0, depth_octaves=2.0)
    error = np.max(np.abs(corner_hz / [800.0, 3200.0, 800.0, 200.0, 800.0, 3200.0] - 1))

    print(f"error {error:.1e}, bound 1e-9")
    assert error < 1e-9


@pytest.mark.parametrize("rate_hz", [8_000, 192_000])
@pytest.mark.parametrize("corner_hz", [0.0, 20.0, 1e9])
def test_extremes_stay_finite_and_a_corner_above_half_the_rate_is_held_below_it(rate_hz, corner_hz):
    sound = noise(20_000)
    out = phased(sound, 1.0, corner_hz, 5.0, rate_hz=rate_hz)
    held = phased(sound, 1.0, min(corner_hz, 0.49 * rate_hz), 0.9, rate_hz=rate_hz)

    assert np.isfinite(out).all()
    assert np.array_equal(out, held)


def test_parameters_of_another_length_are_refused():
    with pytest.raises(ValueError, match=r"3 frames of sound and a parameter of shape \(2,\) differ"):
        phased(np.zeros((3, 2)), 1.0, np.full(2, 800.0))


@pytest.mark.accuracy
def test_a_moving_phaser_is_much_faster_than_real_time():
    def effect(sound):
        beats = np.arange(len(sound)) / 24_000
        corner_hz = sweep_hz(beats, period_beats=16.0, centre_hz=800.0, depth_octaves=2.0)
        return phased(sound, 1.0, corner_hz, 0.5)

    speed = times_real_time(effect)
    print(f"{speed:.0f} times real time at 48 kHz, bound 40")
    assert speed > 40
