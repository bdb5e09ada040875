"""Repeats of a sound: where they come, how loud and how dull they are, whatever the blocks."""

import math
import time

import numpy as np
import pytest

from mixrender.dsp.echo import LEAST_DELAY_FRAMES, echo, tail_s

RATE_HZ = 48_000


def echoed(send, delay_frames, feedback=0.5, damping_hz=math.nan, *, longest_frames=None, state=None):
    n = len(send)
    delays = np.broadcast_to(np.asarray(delay_frames, dtype=float), n)
    return echo(
        send,
        delays,
        np.broadcast_to(np.asarray(feedback, dtype=float), n),
        np.broadcast_to(np.asarray(damping_hz, dtype=float), n),
        sample_rate_hz=RATE_HZ,
        longest_frames=longest_frames or math.ceil(np.max(delays)),
        state=state,
    )


def impulse(n, at=0):
    send = np.zeros((n, 2))
    send[at] = 1.0, -0.5
    return send


def centre_frames(sound, near, *, half=200, low_hz=1000.0, high_hz=16_000.0):
    """Where a band-limited impulse lies, to a fraction: the slope of its phase over the band."""
    first = round(near) - half
    spectrum = np.fft.rfft(sound[first : first + 2 * half])
    turns = np.fft.rfftfreq(2 * half)
    band = (turns > low_hz / RATE_HZ) & (turns < high_hz / RATE_HZ)
    straightened = spectrum * np.exp(2j * np.pi * turns * half)
    slope = np.polyfit(turns[band], np.unwrap(np.angle(straightened[band])), 1)[0]
    return first + half - slope / (2 * np.pi)


@pytest.mark.parametrize("feedback", [0.25, 0.5, 0.9])
def test_an_impulse_repeats_at_whole_delays_each_time_by_the_feedback_quieter(feedback):
    start, delay, count = 300, 7_001, 6
    wet = echoed(impulse(start + (count + 1) * delay, start), delay, feedback)[0]
    repeats = wet[start + delay :: delay][:count]
    levels_db = 20 * np.log10(np.abs(repeats[:, 0]))
    error_db = np.max(np.abs(levels_db - np.arange(count) * 20 * np.log10(feedback)))
    between = np.abs(wet[:, 0])
    between[start + delay :: delay] = 0.0

    print(f"feedback {feedback}: off by {error_db:.1e} dB, bound 0.01 dB; between {np.max(between):.1e}")
    assert error_db < 0.01
    assert np.array_equal(repeats[:, 1], -0.5 * repeats[:, 0])
    assert np.max(between) < 0.004  # what the DC blocker holds back, below 5 Hz: 0.00065 for each repeat
    assert not np.any(wet[: start + delay])


def test_the_first_repeat_is_the_sound_bit_for_bit_and_undamped():
    send = np.random.default_rng(1).standard_normal((5_000, 2))
    wet = echoed(send, 1_234, 0.0, 500.0)[0]

    assert np.array_equal(wet[1_234:], send[:-1_234])
    assert not np.any(wet[:1_234])


@pytest.mark.parametrize("delay", [32.25, 450.5, 2_000.37, 16_875.9])
def test_a_delay_between_frames_is_met_to_a_hundredth_of_a_frame(delay):
    # Close repeats overlap unless there is only one to look at.
    count = 4 if delay > 420 else 1
    wet = echoed(impulse(int(count * delay) + 900, 300), delay, 0.9 if count > 1 else 0.0)[0][:, 0]
    errors = [centre_frames(wet, 300 + m * delay) - 300 - m * delay for m in range(1, count + 1)]

    print(f"{delay} frames: off by {np.max(np.abs(errors)):.1e} frames, bound 0.01")
    assert np.max(np.abs(errors)) < 0.01


# Delays of note values in ms, 60000 / bpm x beats, from the arithmetic.
NOTES_MS = [
    (124, 3 / 4, 362.903),
    (124, 1 / 2, 241.935),
    (124, 1 / 3, 161.290),
    (124, 1, 483.871),
    (128, 3 / 4, 351.5625),
    (128, 1 / 4, 117.1875),
    (128, 4, 1875.0),
    (174, 3 / 4, 258.621),
    (174, 1 / 4, 86.207),
    (174, 1, 344.828),
]


@pytest.mark.parametrize(("tempo_bpm", "beats", "expected_ms"), NOTES_MS)
def test_repeats_of_note_values_come_to_the_sample(tempo_bpm, beats, expected_ms):
    delay = beats * 60.0 / tempo_bpm * RATE_HZ
    wet = echoed(impulse(int(3 * delay) + 900, 300), delay, 0.8)[0][:, 0]
    found_ms = [(centre_frames(wet, 300 + m * delay) - 300) * 1000 / RATE_HZ for m in (1, 2, 3)]
    error_ms = np.max(np.abs(np.array(found_ms) - expected_ms * np.array([1, 2, 3])))

    print(f"{tempo_bpm} BPM, {beats:.3f} beats: off by {error_ms:.4f} ms, bound {500 / RATE_HZ:.4f} ms")
    assert error_ms < 0.5 * 1000 / RATE_HZ


def time_s(beat):
    """Time of a beat while the tempo goes from 124 to 128 BPM over 64 beats, linear in beats."""
    return 60 * 64 / 4 * np.log1p(4 * np.asarray(beat) / (124 * 64))


def beat_at(seconds):
    return 124 * 64 / 4 * np.expm1(4 * np.asarray(seconds) / (60 * 64))


@pytest.mark.parametrize("beats", [3 / 4, 1 / 2])
def test_repeats_keep_to_the_beats_while_the_tempo_moves(beats):
    frames = np.arange(4 * RATE_HZ)
    delays = frames - RATE_HZ * time_s(beat_at(frames / RATE_HZ) - beats)
    start = RATE_HZ + 123
    wet = echoed(impulse(len(frames), start), delays, 0.9)[0][:, 0]
    expected = [RATE_HZ * time_s(beat_at(start / RATE_HZ) + m * beats) for m in range(1, 6)]
    errors = [centre_frames(wet, frame) - frame for frame in expected]

    standing = start + 5 * delays[start] - expected[-1]
    print(f"off by {np.max(np.abs(errors)):.1e} frames, bound 0.5; a standing delay by {standing:.0f}")
    assert np.max(np.abs(errors)) < 0.5
    assert abs(standing) > 5


@pytest.mark.parametrize("damping_hz", [1_000.0, 6_000.0])
def test_each_further_repeat_is_damped_once_more(damping_hz):
    # Impulse-invariant one-pole: J. O. Smith, "Introduction to Digital Filters", CCRMA.
    delay, feedback = 6_000, 0.7
    wet = echoed(impulse(6 * delay), delay, feedback, damping_hz)[0][:, 0]
    hz = np.array([200.0, 1_000.0, 5_000.0, 12_000.0])
    share = 1 - np.exp(-2 * np.pi * damping_hz / RATE_HZ)
    response = share / np.abs(1 - (1 - share) * np.exp(-2j * np.pi * hz / RATE_HZ))
    errors_db = []
    for m in range(1, 5):
        spectrum = np.fft.rfft(wet[m * delay : (m + 1) * delay])
        found = np.abs(spectrum[np.round(hz * delay / RATE_HZ).astype(int)])
        errors_db.append(20 * np.log10(found / (feedback * response) ** (m - 1)))

    print(f"damping {damping_hz:g} Hz: off by {np.max(np.abs(errors_db)):.4f} dB, bound 0.05 dB")
    assert np.max(np.abs(errors_db)) < 0.05


@pytest.mark.parametrize("size", [1, 7, 997])
def test_blocks_of_any_size_give_the_same_bits(size):
    rng = np.random.default_rng(3)
    n = 2_003 if size == 1 else 20_011
    send, place = rng.standard_normal((n, 2)), np.arange(n)
    delays = 600.0 + 400.0 * np.sin(place / 700.0)
    delays[n // 3 : n // 2] = 500.0
    feedback = 0.45 + 0.45 * np.sin(place / 900.0)
    damping_hz = np.where(place % 5_000 < 1_000, np.nan, np.geomspace(200.0, 20_000.0, n))
    whole, last = echoed(send, delays, feedback, damping_hz, longest_frames=1_000)
    state, parts = None, []
    for i in range(0, n, size):
        cut = slice(i, i + size)
        wet, state = echoed(
            send[cut], delays[cut], feedback[cut], damping_hz[cut], longest_frames=1_000, state=state
        )
        parts.append(wet)

    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert state.past.tobytes() == last.past.tobytes()


def test_a_minute_of_noise_at_the_most_feedback_keeps_its_power():
    send = np.random.default_rng(5).standard_normal((60 * RATE_HZ, 2))
    echoed(send[:100], 50.5)  # compiled
    begin = time.perf_counter()
    wet = echoed(send, 16_875, 0.9)[0]
    took_s = time.perf_counter() - begin
    # Repeats of white noise add in power: 1 / (1 - feedback^2).
    power_db = 10 * np.log10(np.mean(wet[40 * RATE_HZ :] ** 2) * (1 - 0.9**2))

    print(f"power off by {power_db:.3f} dB, bound 0.1 dB; {60 / took_s:.0f} x real time")
    assert abs(power_db) < 0.1
    assert np.all(np.isfinite(wet))


def test_an_offset_does_not_build_up():
    # Without a blocker it would end at 0.01 / (1 - 0.9) = 0.1.
    wet = echoed(np.full((30 * RATE_HZ, 2), 0.01), 4_800, 0.9, 6_000.0)[0]

    print(f"0.01 ends at {wet[-1, 0]:.6f}, bound 0.0101")
    assert np.max(np.abs(wet[-RATE_HZ:])) < 0.0101


def test_the_repeats_end_in_exact_zeros_without_denormals():
    wet, state = echoed(impulse(250_000), 100.5, 0.5, 3_000.0)
    sounding = np.abs(wet[wet != 0.0])

    print(f"smallest {np.min(sounding):.1e}")
    assert np.min(sounding) > 1e-60
    assert not np.any(wet[-1_000:])
    assert not np.any(state.past) and not np.any(state.lowpass) and not np.any(state.offset)


def test_silence_stays_silence():
    assert not np.any(echoed(np.zeros((5_000, 2)), 100.3, 0.9, 2_000.0)[0])


def test_delays_shorter_than_the_interpolator_are_held():
    send = np.random.default_rng(6).standard_normal((500, 2))
    held = echoed(send, 0.0, longest_frames=100)[0]

    assert np.array_equal(held, echoed(send, LEAST_DELAY_FRAMES, longest_frames=100)[0])
    # The shortest that a plan can ask for, 1/32 beat, is longer at any tempo of music.
    assert LEAST_DELAY_FRAMES < 1 / 32 * 60 / 300 * 44_100


def test_a_delay_that_shrinks_raises_the_pitch_and_folds_nothing_back():
    # At twice the speed 5 kHz sounds as 10 kHz; 17 kHz would sound as 34 kHz, and fold back to 14 kHz.
    n = 20_000
    delays = 20_000.0 - np.arange(n)
    wet = {}
    for hz in (5_000, 17_000):
        tone = np.sin(2 * np.pi * hz * np.arange(-20_000, n) / RATE_HZ)[:, np.newaxis] * np.ones(2)
        state = echoed(tone[:20_000], 20_000.0, 0.0, longest_frames=20_000)[1]
        wet[hz] = echoed(tone[20_000:], delays, 0.0, longest_frames=20_000, state=state)[0][100:9_700, 0]
    spectrum = np.abs(np.fft.rfft(wet[5_000] * np.hanning(9_600)))
    folded_db = 10 * np.log10(2 * np.mean(wet[17_000] ** 2))

    print(
        f"5 kHz sounds at {np.argmax(spectrum) * RATE_HZ / 9_600:g} Hz; folded {folded_db:.0f}, bound -80 dB"
    )
    assert np.argmax(spectrum) * RATE_HZ / 9_600 == 10_000
    assert folded_db < -80


@pytest.mark.parametrize(
    ("feedback", "repeats"), [(0.0, 1), (0.001, 1), (0.25, 5), (0.5, 10), (0.7, 20), (0.9, 66)]
)
def test_the_tail_reaches_to_the_last_repeat_above_minus_60_db(feedback, repeats):
    # delay x ceil(60 / (-20 log10 feedback)).
    assert tail_s(0.5, feedback) == pytest.approx(0.5 * repeats)
    assert feedback**repeats < 0.001 + 1e-12  # the next one
    assert repeats == 1 or feedback ** (repeats - 1) > 0.001


@pytest.mark.parametrize(
    ("delay", "feedback", "damping_hz", "message"),
    [
        (101.0, 0.5, 1_000.0, "between 0 and 100 frames"),
        (math.nan, 0.5, 1_000.0, "between 0 and 100 frames"),
        (50.0, 1.0, 1_000.0, "below 1"),
        (50.0, -0.1, 1_000.0, "at least 0"),
        (50.0, 0.5, 0.0, "above 0 Hz"),
    ],
)
def test_values_out_of_range_are_errors(delay, feedback, damping_hz, message):
    with pytest.raises(ValueError, match=message):
        echoed(np.zeros((10, 2)), delay, feedback, damping_hz, longest_frames=100)


def test_a_state_of_another_length_and_lanes_of_another_length_are_errors():
    state = echoed(np.zeros((10, 2)), 50.0, longest_frames=100)[1]
    with pytest.raises(ValueError, match="no room for 90 frames"):
        echoed(np.zeros((10, 2)), 50.0, longest_frames=90, state=state)
    with pytest.raises(ValueError, match="n delays"):
        echo(
            np.zeros((10, 2)), np.ones(9), np.ones(10), np.ones(10), sample_rate_hz=RATE_HZ, longest_frames=9
        )
