"""The flanger: its comb, its interpolation, that nothing gets louder, its edges, its memory."""

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

from mixrender.dsp.flanger import FlangerState, flanger, memory_frames, sweep_frames

FRACTIONS = (0.0, 0.1, 0.25, 0.5, 0.77)


def flanged(sound, amount=1.0, delay_frames=144.0, feedback=0.0, *, rate_hz=RATE_HZ):
    return flanger(sound, amount, delay_frames, feedback, sample_rate_hz=rate_hz)[0]


@pytest.mark.parametrize("fraction", FRACTIONS)
@pytest.mark.parametrize("feedback", [0.0, 0.9])
def test_a_standing_delay_has_notches_at_the_odd_multiples_of_half_its_inverse(feedback, fraction):
    delay_frames = 48 + fraction
    levels_db = response_db(lambda x: flanged(x, 1.0, delay_frames, feedback), 1 << 18)
    pitch_hz = RATE_HZ / delay_frames
    notches = [
        (expected_hz, *deepest_hz(levels_db, expected_hz, share=0.2 * pitch_hz / expected_hz))
        for expected_hz in (np.arange(10) + 0.5) * pitch_hz
    ]
    errors = [abs(found_hz / expected_hz - 1) for expected_hz, found_hz, _ in notches]
    shallowest_db = max(depth_db for *_, depth_db in notches)

    print(f"off by {max(errors):.1e}, bound 0.5 %; shallowest {shallowest_db:.1f} dB, bound -40 dB")
    assert notches[-1][0] > 9000.0
    assert max(errors) < 0.005
    assert shallowest_db < -40.0


@pytest.mark.parametrize("fraction", FRACTIONS)
@pytest.mark.parametrize(("amount", "feedback"), [(1.0, 0.0), (1.0, 0.5), (1.0, 0.9), (0.4, 0.9)])
def test_the_resonances_have_the_levels_of_the_closed_form_up_to_16_khz(amount, feedback, fraction):
    # H = (Z - f) / (1 - f Z), Z = exp(-i 2π f τ); at the multiples of 1 / τ the response is 1, between them
    # it falls to (1 - amount). Bound 0.2 dB where it is above -20 dB.
    delay_frames = 90 + fraction
    n_frames = 1 << 17
    frequency_hz = np.fft.rfftfreq(n_frames, 1 / RATE_HZ)
    found = np.abs(response(lambda x: flanged(x, amount, delay_frames, feedback), n_frames))
    comb = np.exp(-2j * np.pi * frequency_hz * delay_frames / RATE_HZ)
    wet = (comb - feedback) / (1 - feedback * comb)
    expected = np.abs(1 - amount / 2 + amount / 2 * wet)
    heard = (expected > 0.1) & (frequency_hz < 16_000.0)
    error_db = np.max(np.abs(20 * np.log10(found[heard] / expected[heard])))
    resonances = [round(k * n_frames / delay_frames) for k in range(1, int(16_000 / RATE_HZ * delay_frames))]
    peaks_db = 20 * np.log10(np.max([found[bin - 4 : bin + 5] for bin in resonances], axis=1))

    print(f"off by {error_db:.3f} dB, peaks within {np.max(np.abs(peaks_db)):.4f} of 0 dB, bound 0.2 dB")
    assert error_db < 0.2
    assert np.max(np.abs(peaks_db)) < 0.2


def test_the_interpolation_is_off_by_61_db_at_most_up_to_0_363_of_the_rate():
    errors_db = []
    for fraction in np.arange(1, 32) / 32:
        found = 2 * response(lambda x, d=20 + fraction: flanged(x, 1.0, d), 1 << 12) - 1
        angle = 2 * np.pi * np.fft.rfftfreq(1 << 12)
        error = np.abs(found - np.exp(-1j * angle * (20 + fraction)))[angle < 2 * np.pi * 0.363]
        errors_db.append(20 * np.log10(np.max(error)))

    print(f"{max(errors_db):.1f} dB, bound -61 dB")
    assert max(errors_db) < -61.0


@pytest.mark.parametrize("hz", [100.0, 4000.0, 16_000.0])
def test_a_tone_read_by_a_moving_delay_is_the_tone_of_that_moment(hz):
    # A strong sweep, ±2 ms twice a second. Bound: the error of the interpolation at rest.
    at = np.arange(RATE_HZ)
    delay = sweep_frames(at / 24_000, period_beats=1.0, delay_s=0.003, depth=2 / 3, sample_rate_hz=RATE_HZ)
    tone = np.sin(2 * np.pi * hz * at / RATE_HZ)
    delayed = 2 * flanged(np.column_stack((tone, tone)), 1.0, delay)[:, 0] - tone
    error = (delayed - np.sin(2 * np.pi * hz * (at - delay) / RATE_HZ))[400:]
    error_db = 20 * np.log10(np.max(np.abs(error)))

    print(f"{hz:g} Hz: off by {error_db:.1f} dB, bound -61 dB")
    assert error_db < -61.0


def test_a_whole_delay_is_exact():
    sound = noise(5000)
    delayed = np.concatenate((np.zeros((144, 2)), sound[:-144]))

    assert np.array_equal(flanged(sound), 0.5 * sound + 0.5 * delayed)


@pytest.mark.parametrize("feedback", [0.0, 0.5, 0.9])
def test_no_frequency_gets_louder(feedback):
    loudest_db = max(
        np.max(response_db(lambda x, d=20 + fraction: flanged(x, 1.0, d, feedback), 1 << 15))
        for fraction in FRACTIONS
    )

    # The interpolation is 0.008 dB too loud at most near half the rate, up to ten times that in the loop.
    print(f"loudest {loudest_db:.4f} dB, bound 0.08 dB")
    assert loudest_db < 0.08


@pytest.mark.parametrize("period_beats", [0.25, 4.0, 16.0])
@pytest.mark.parametrize("program", [noise(3 * RATE_HZ), bass_note(3 * RATE_HZ, 0.0)], ids=["noise", "bass"])
def test_a_delay_that_moves_at_any_pace_stays_bounded_and_dies_away(program, period_beats):
    # The hostile end of the parameters: 20 ms swept by all of it, 90 % of feedback, at 120 BPM. Whatever the
    # delay, the echoes -f, 1 - f², f (1 - f²), ... add up to 1 + 2 f at most, and with the dry to 1 + f.
    sound = np.concatenate((program, np.zeros((5 * RATE_HZ, 2))))
    beats = np.arange(len(sound)) / 24_000
    delay = sweep_frames(beats, period_beats=period_beats, delay_s=0.02, depth=1.0, sample_rate_hz=RATE_HZ)
    out = flanged(sound, 1.0, delay, 0.9)
    ratio = np.max(np.abs(out)) / np.max(np.abs(sound))
    left = np.max(np.abs(out[-RATE_HZ:])) / np.max(np.abs(sound))

    print(f"peak {ratio:.3f} of the input's, bound 1.9; last second {left:.1e}, bound 1e-3")
    assert ratio < 1.9
    assert left < 1e-3


def test_without_amount_the_sound_passes_to_the_bit():
    sound = noise(3000)
    sound[100] = -0.0
    amount = np.concatenate((np.zeros(1000), np.ones(1000), np.zeros(1000)))
    out = flanged(sound, amount, 50.5, 0.5)

    assert out[amount == 0].tobytes() == sound[amount == 0].tobytes()
    assert not np.array_equal(out[amount == 1], sound[amount == 1])


def test_what_lies_longer_ago_than_its_memory_is_forgotten_without_amount():
    memory = memory_frames(RATE_HZ)
    sound = noise(4 * memory)
    amount = np.concatenate((np.ones(memory), np.zeros(memory), np.ones(2 * memory)))
    whole = flanged(sound, amount, 900.5, 0.9)
    late = flanged(sound[memory:], amount[memory:], 900.5, 0.9)

    assert np.array_equal(whole[memory:], late)


@pytest.mark.parametrize("size", [1, 7, 1000, 65_536])
def test_blocks_of_any_size_give_the_same_bits(size):
    n = 2_001 if size == 1 else 70_001
    sound, delay_frames = noise(n), np.geomspace(5.0, 3000.0, n)
    amount = np.clip(np.sin(np.linspace(0.0, 20.0, n)), 0.0, 1.0)
    feedback = np.linspace(0.0, 0.9, n)

    def effect(x, a, delay, f, state):
        return flanger(x, a, delay, f, sample_rate_hz=RATE_HZ, state=state)

    whole, _ = effect(sound, amount, delay_frames, feedback, None)

    assert in_blocks(effect, size, sound, amount, delay_frames, feedback).tobytes() == whole.tobytes()


def test_the_state_that_was_handed_in_is_left_as_it_was():
    _, state = flanger(noise(5000), 1.0, 200.5, 0.5, sample_rate_hz=RATE_HZ)
    kept = FlangerState(state.line.copy(), state.loop_frames)
    flanger(noise(5000, seed=2), 1.0, 200.5, 0.5, sample_rate_hz=RATE_HZ, state=state)

    assert np.array_equal(state.line, kept.line)
    assert state.loop_frames == kept.loop_frames == 480


@pytest.mark.parametrize("feedback", [0.0, 0.9])
@pytest.mark.parametrize("delay_s", [0.003, 0.0177])
@pytest.mark.parametrize("phase", [0.0, 0.25, 0.4])
def test_an_amount_that_comes_and_goes_in_10_ms_does_not_click(phase, delay_s, feedback):
    # Common practice, no source: what lies above 2 kHz of a bass note is a click.
    sound = bass_note(2 * RATE_HZ, phase)
    amount = sum(edged_amount(len(sound), on=on, off=on + 20_000) for on in (20_000, 42_000))
    out = flanged(sound, amount, delay_s * RATE_HZ + 0.3, feedback)
    heard_db, ratio = click_db(out[2500:-2500]), steepest(out[2500:]) / steepest(sound)

    print(f"{heard_db:.1f} dBFS above 2 kHz, bound -60; steepest {ratio:.3f} of the note's, bound 1.5")
    assert heard_db < -60.0
    assert ratio < 1.5


def test_the_sweep_goes_through_the_delay_on_every_period_and_by_the_depth_to_either_side():
    beats = np.array([0.0, 4.0, 8.0, 12.0, 16_004.0])
    delay = sweep_frames(beats, period_beats=16.0, delay_s=0.003, depth=0.5, sample_rate_hz=RATE_HZ)
    error = np.max(np.abs(delay - [144.0, 216.0, 144.0, 72.0, 216.0]))

    print(f"error {error:.1e} frames, bound 1e-9")
    assert error < 1e-9


@pytest.mark.parametrize("rate_hz", [8_000, 192_000])
@pytest.mark.parametrize("delay_frames", [-5.0, 8.0, 1e9])
def test_extremes_stay_finite_and_the_delay_is_held_between_8_frames_and_40_ms(rate_hz, delay_frames):
    sound = noise(20_000)
    out = flanged(sound, 1.0, delay_frames, 5.0, rate_hz=rate_hz)
    held = flanged(sound, 1.0, np.clip(delay_frames, 8.0, 0.04 * rate_hz), 0.9, rate_hz=rate_hz)

    assert np.isfinite(out).all()
    assert np.array_equal(out, held)


@pytest.mark.accuracy
def test_a_moving_flanger_is_much_faster_than_real_time():
    def effect(sound):
        beats = np.arange(len(sound)) / 24_000
        delay = sweep_frames(beats, period_beats=16.0, delay_s=0.003, depth=0.5, sample_rate_hz=RATE_HZ)
        return flanged(sound, 1.0, delay, 0.5)

    speed = times_real_time(effect)
    print(f"{speed:.0f} times real time at 48 kHz, bound 40")
    assert speed > 40
