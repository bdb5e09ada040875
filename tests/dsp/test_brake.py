"""A platter that stops and starts: places, pitch, joints and what is left at standstill."""

import numpy as np
import pytest
from effect_checks import RATE_HZ, bass_note, click_db, steepest

from mixrender.dsp.brake import brake_gain, brake_positions, spin_up_gain, spin_up_positions
from mixrender.dsp.varispeed import reach_frames, varispeed

N = 96_000  # a bar of 120 BPM
LEAD = 4800


def stopped(source, n_frames=N):
    """`LEAD` frames of the source, then a stop, as it would sound."""
    positions = np.concatenate((np.arange(float(LEAD)), LEAD + brake_positions(n_frames)))
    return varispeed(source, positions) * faded(brake_gain(n_frames), LEAD, 0)


def started(source, n_frames=N):
    """A start, then `LEAD` frames of the source, which goes on untouched from frame n_frames."""
    positions = np.concatenate((spin_up_positions(n_frames), n_frames + np.arange(float(LEAD))))
    return varispeed(source, positions) * faded(spin_up_gain(n_frames), 0, LEAD)


def faded(gain, before, after):
    return np.pad(gain, (before, after), constant_values=1.0)[:, np.newaxis]


def test_a_stop_begins_on_its_frame_at_full_speed_and_ends_half_as_far_on():
    positions = brake_positions(N)
    speeds = np.gradient(positions)[1:-1]
    error = np.max(np.abs(speeds - (1 - np.arange(1, N - 1) / N)))

    print(
        f"speed off by {error:.1e}, bound 1e-9; stands {N / 2 - positions[-1]:.1e} frames before the middle"
    )
    assert positions[0] == 0.0
    assert error < 1e-9
    assert N / 2 - positions[-1] == pytest.approx(0.5 / N, abs=1e-9)


def test_a_start_arrives_at_the_place_where_the_source_would_be_at_full_speed():
    positions = spin_up_positions(N)
    joined = np.concatenate((positions, [N, N + 1.0]))
    error = np.max(np.abs(np.gradient(joined)[1:-2] - np.arange(1, N) / N))

    print(f"starts at {positions[0]}, speed off by {error:.1e}, bound 1e-9")
    assert positions[0] == N / 2
    assert error < 1e-9
    assert joined[-2] - joined[-3] == pytest.approx(1.0 - 0.5 / N, abs=1e-9)


@pytest.mark.parametrize("hz", [500.0, 3000.0])
@pytest.mark.parametrize("positions", [brake_positions(N), spin_up_positions(N)], ids=["stop", "start"])
def test_the_pitch_is_1200_log2_of_the_speed(positions, hz):
    # A tone that turns, cosine left and sine right: its phase is read off directly, and the central
    # difference of a phase that goes with the square of the time is exact. Bound 1 cent above speed 0.25.
    turns = 2 * np.pi * hz * np.arange(N + reach_frames(1.0)) / RATE_HZ
    heard = varispeed(np.column_stack((np.cos(turns), np.sin(turns))), positions)
    phase = np.unwrap(np.arctan2(heard[:, 1], heard[:, 0]))
    half = 240  # measured over 10 ms
    inner = slice(100 + half, N - 100 - half)
    speed = np.gradient(positions)[inner]
    found = (phase[2 * half :] - phase[: -2 * half])[100:-100] / (4 * np.pi * half * hz / RATE_HZ)
    quick = speed > 0.25
    cents = np.abs(1200 * np.log2(found[quick] / speed[quick]))

    print(f"{hz:g} Hz: off by at most {np.max(cents):.4f} cents, bound 1 cent")
    assert np.count_nonzero(quick) > 0.7 * N
    assert np.max(cents) < 1.0


def test_the_joints_with_the_untouched_source_are_exact():
    source = np.random.default_rng(1).standard_normal((N + 2 * LEAD, 2))

    assert np.array_equal(stopped(source)[: LEAD + 1], source[: LEAD + 1])
    assert np.array_equal(started(source)[N:], source[N : N + LEAD])


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.4])
def test_a_stop_into_silence_and_a_start_out_of_it_do_not_click(phase):
    # Common practice, no source: what lies above 2 kHz of a bass note is a click.
    source = bass_note(N + 2 * LEAD, phase)
    silence = np.zeros((LEAD, 2))
    stop_db = click_db(np.concatenate((stopped(source), silence))[200:])
    start_db = click_db(np.concatenate((silence, started(source)))[:-200])
    hard_db = click_db(np.concatenate((stopped(source)[200:LEAD], silence)))

    print(f"stop {stop_db:.1f}, start {start_db:.1f} dBFS above 2 kHz, bound -60 dBFS; cut off {hard_db:.1f}")
    assert max(stop_db, start_db) < -60.0 < hard_db


def test_a_constant_at_standstill_goes_by_the_fade_and_leaves_nothing():
    # The steepest of a raised cosine over 4800 frames is π / 2 / 4800, from 1 to nothing; whatever the source
    # holds where the platter stands, it leaves no step. Reading adds -98 dB (see the tests of varispeed).
    ones = np.ones((N + 2 * LEAD, 2))
    stop = np.concatenate((stopped(ones)[200:], np.zeros((1, 2))))
    start = np.concatenate((np.zeros((1, 2)), started(ones)[:-200]))
    fastest, bound = max(steepest(stop), steepest(start)), np.pi / 2 / (0.05 * N) + 10 ** (-98 / 20)

    print(f"{fastest:.3e} a frame, bound {bound:.3e}; last frame {stop[-2, 0]:.1e}, first {start[1, 0]:.1e}")
    assert fastest < bound
    assert abs(stop[-2, 0]) < 1e-6 and start[1, 0] == 0.0


@pytest.mark.parametrize(
    "gain", [brake_gain, lambda n, **k: spin_up_gain(n, **k)[::-1]], ids=["stop", "start"]
)
def test_the_fade_takes_a_twentieth_at_standstill_or_more_where_that_is_asked_for(gain):
    assert np.count_nonzero(gain(1000) < 1.0) in (49, 50)
    assert np.all(np.diff(gain(1000)) <= 0.0)
    assert np.count_nonzero(gain(1000, least_fade_frames=480) < 1.0) in (479, 480)
    assert np.count_nonzero(gain(100, least_fade_frames=480) < 1.0) in (99, 100)


@pytest.mark.parametrize("n_frames", [0, 1, 2, 50])
def test_short_ones_are_finite(n_frames):
    for function in (brake_positions, spin_up_positions, brake_gain, spin_up_gain):
        values = function(n_frames)
        assert values.shape == (n_frames,)
        assert np.isfinite(values).all()
