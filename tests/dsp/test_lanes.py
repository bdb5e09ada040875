"""Lanes: the value of a control at every frame, and what its moves do to sound."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixrender.dsp.isolator import Isolator, combine
from mixrender.dsp.lanes import (
    CONTROL_KINDS,
    KILL,
    NEUTRAL,
    OPEN,
    SILENT,
    Lane,
    LanePoint,
    LanePointError,
    compile_lane,
    constant_over,
    evaluate,
    evaluate_filter,
    neutral_lane,
    untouched_over,
)
from mixrender.dsp.laws import ABRUPT_LAWS, LAWS
from mixrender.dsp.svf import svf_faded
from mixrender.plan.controls import CONTROLS
from mixrender.units import db_to_gain

RATE_HZ = 48_000
STEP_FRAMES = 480
BEAT_FRAMES = 24_000  # 120 BPM
P = LanePoint


def steady_beat_at(times_s):
    return times_s * 2.0


def steady_time_at(beat):
    return beat / 2.0


def ramp_beat_at(times_s):
    """From 120 to 140 BPM over 32 beats, linear in beats: 60 B / (b - a) ln(1 + (b - a) k / (a B))."""
    return 120.0 * 32.0 / 20.0 * np.expm1(times_s * 20.0 / (60.0 * 32.0))


def ramp_time_at(beat):
    return 60.0 * 32.0 / 20.0 * math.log1p(20.0 * beat / (120.0 * 32.0))


def lane_of(*points, kind="level", ramp=False, **options):
    time_at = ramp_time_at if ramp else steady_time_at
    options = {"time_at_beat": time_at, "sample_rate_hz": RATE_HZ, **options}
    return compile_lane(points, kind=kind, **options)


def values(lane, start=0, stop=20 * BEAT_FRAMES, *, ramp=False, rate_hz=RATE_HZ):
    function = evaluate if lane.wet is None else evaluate_filter
    beat_at = ramp_beat_at if ramp else steady_beat_at
    return function(lane, np.arange(start, stop), beat_at=beat_at, sample_rate_hz=rate_hz)


def constant(lane, first, last):
    return constant_over(lane, first, last, beat_at=steady_beat_at, sample_rate_hz=RATE_HZ)


def untouched(lane, first, last):
    return untouched_over(lane, first, last, beat_at=steady_beat_at, sample_rate_hz=RATE_HZ)


def raised(frames):
    return 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)


# --- what holds, and from when ---


def test_every_control_of_a_track_has_a_kind_and_every_kind_but_frequency_a_neutral_value():
    assert set(CONTROL_KINDS) == set(CONTROLS)
    assert set(NEUTRAL) == set(CONTROL_KINDS.values()) - {"frequency"}
    with pytest.raises(ValueError, match="no frequency is neutral"):
        neutral_lane("frequency")


def test_a_damping_moves_from_and_to_open_at_its_rim():
    damping = values(lane_of(P(0, OPEN), P(4, 200.0), P(6, OPEN, "at once"), P(7, 6000.0), kind="damping"))

    assert math.isnan(damping[0]) and math.isnan(damping[6 * BEAT_FRAMES])
    assert damping[1] == pytest.approx(20_000.0, rel=1e-3)
    assert damping[2 * BEAT_FRAMES] == pytest.approx(math.sqrt(20_000.0 * 200.0), rel=1e-9)
    assert damping[6 * BEAT_FRAMES - 240] == pytest.approx(math.sqrt(20_000.0 * 200.0), rel=1e-9)  # half way
    assert constant(lane_of(P(0, 6000.0), kind="damping"), 0, 10) == pytest.approx(6000.0, rel=1e-12)
    assert untouched(lane_of(P(0, 20_000.0), kind="damping"), 0, 10)


def test_before_the_first_point_its_value_holds_and_after_the_last_the_last():
    gain = values(lane_of(P(4, -6.0), P(8, -12.0)))

    assert np.all(gain[: 4 * BEAT_FRAMES] == db_to_gain(-6.0))
    assert np.all(gain[8 * BEAT_FRAMES :] == db_to_gain(-12.0))


@pytest.mark.parametrize("move", ["at once", 2.0])
def test_before_a_first_point_with_a_move_the_neutral_value_holds(move):
    gain = values(lane_of(P(4, -6.0, move)))

    assert np.all(gain[: 4 * BEAT_FRAMES - STEP_FRAMES] == 1.0)
    assert np.all(gain[6 * BEAT_FRAMES :] == db_to_gain(-6.0))


def test_the_neutral_value_of_a_parameter_is_the_callers():
    amount = values(lane_of(P(4, 0.9, 2.0), kind="amount", neutral=0.5))

    assert amount[0] == 0.5
    assert amount[5 * BEAT_FRAMES] == pytest.approx(0.7, abs=1e-12)


def test_equal_neighbours_do_not_move():
    assert lane_of(P(0, -3.0), P(4, -3.0), P(8, -3.0, "at once")).segments == ()
    assert lane_of(P(0, OPEN), P(4, OPEN), kind="lowpass").segments == ()


def test_a_straight_move_begins_where_the_point_before_ended():
    gain = values(lane_of(P(0, 0.0), P(2, -6.0, 2.0), P(8, -12.0)))

    assert gain[3 * BEAT_FRAMES] == pytest.approx(db_to_gain(-3.0), abs=1e-12)
    assert gain[4 * BEAT_FRAMES] == pytest.approx(db_to_gain(-6.0), abs=1e-12)
    assert gain[6 * BEAT_FRAMES] == pytest.approx(db_to_gain(-9.0), abs=1e-12)


def test_no_points_are_a_lane_that_changes_nothing():
    for kind in NEUTRAL:
        assert untouched(neutral_lane(kind), -1000, 10**9)
    assert np.all(values(neutral_lane("level")) == 1.0)


# --- levels and bands ---


@pytest.mark.parametrize("kind", ["level", "band"])
def test_finite_levels_move_straight_in_db_along_the_beats_of_a_ramp(kind):
    gain = values(lane_of(P(0, 0.0), P(16, -24.0), kind=kind, ramp=True), ramp=True)
    frames = [round(ramp_time_at(beat) * RATE_HZ) for beat in (4, 8, 12)]
    error_db = np.max(np.abs(20 * np.log10(gain[frames]) - [-6.0, -12.0, -18.0]))

    # One frame at 140 BPM is 4.9e-5 beats, at 1.5 dB a beat under 8e-5 dB.
    print(f"error {error_db:.1e} dB, bound 1e-4 dB")
    assert error_db < 1e-4


@pytest.mark.parametrize("curve", LAWS)
def test_a_level_comes_and_goes_along_its_curve(curve):
    points = (P(0, SILENT), P(4, -6.0, curve=curve), P(8, -6.0), P(12, SILENT, curve=curve))
    gain = values(lane_of(*points))
    x = np.arange(4 * BEAT_FRAMES) / (4 * BEAT_FRAMES)
    rising = gain[: 4 * BEAT_FRAMES] - db_to_gain(-6.0) * LAWS[curve](x)
    falling = gain[8 * BEAT_FRAMES : 12 * BEAT_FRAMES] - db_to_gain(-6.0) * LAWS[curve](1 - x)
    eased = STEP_FRAMES if curve in ABRUPT_LAWS else 0
    error = max(np.max(np.abs(rising[eased:])), np.max(np.abs(falling[: len(falling) - eased])))

    print(f"{curve}: error {error:.1e}, bound 1e-12")
    assert error < 1e-12
    assert gain[0] == 0.0 and np.all(gain[12 * BEAT_FRAMES :] == 0.0)


def test_a_cut_comes_in_10_ms_at_the_start_of_its_move_and_goes_in_the_last_10_ms():
    points = (P(0, SILENT), P(4, 0.0, curve="cut"), P(8, 0.0), P(12, SILENT, curve="cut"))
    gain = values(lane_of(*points))
    gone = 12 * BEAT_FRAMES
    rise_error = np.max(np.abs(gain[:STEP_FRAMES] - raised(STEP_FRAMES)))
    fall_error = np.max(np.abs(gain[gone - STEP_FRAMES : gone] - (1.0 - raised(STEP_FRAMES))))

    print(f"error of the rise {rise_error:.1e}, of the fall {fall_error:.1e}, bound 1e-12")
    assert rise_error < 1e-12
    assert np.all(gain[STEP_FRAMES : gone - STEP_FRAMES + 1] == 1.0)
    assert np.all(gain[gone:] == 0.0)


def test_two_lows_traded_at_one_place_add_to_one():
    going = values(lane_of(P(0, 0.0), P(8, KILL, 1.0), kind="band"))
    coming = values(lane_of(P(0, KILL), P(8, 0.0, 1.0), kind="band"))
    error = np.max(np.abs(going + coming - 1.0))

    print(f"error {error:.1e}, bound 1e-12")
    assert error < 1e-12
    assert coming[round(8.25 * BEAT_FRAMES)] == pytest.approx(math.sin(math.pi / 8) ** 2, abs=1e-12)


def test_a_band_killed_from_a_boost_starts_at_the_gain_of_the_boost():
    gain = values(lane_of(P(0, 6.0), P(4, KILL), kind="band"))

    assert gain[0] == pytest.approx(db_to_gain(6.0), abs=1e-15)
    assert gain[2 * BEAT_FRAMES] == pytest.approx(db_to_gain(6.0) / 2, abs=1e-12)


# --- steps ---


@pytest.mark.parametrize(("before", "after"), [(0.0, SILENT), (SILENT, 0.0), (-3.0, -20.0)])
def test_a_step_is_a_raised_cosine_of_10_ms_that_ends_on_its_position(before, after):
    gain = values(lane_of(P(0, before), P(8, after, "at once")))
    g0, g1, end = db_to_gain(before), db_to_gain(after), 8 * BEAT_FRAMES
    error = np.max(np.abs(gain[end - STEP_FRAMES : end] - (g0 + (g1 - g0) * raised(STEP_FRAMES))))

    print(f"error {error:.1e}, bound 1e-14")
    assert np.all(gain[: end - STEP_FRAMES] == g0)
    assert error < 1e-14
    assert np.all(gain[end:] == g1)


@pytest.mark.parametrize(
    ("rate_hz", "frames"), [(22_050, 221), (44_100, 441), (48_000, 480), (192_000, 1920)]
)
def test_a_step_lasts_at_least_10_ms_at_every_rate(rate_hz, frames):
    (segment,) = lane_of(P(8, 0.0, "at once"), neutral=SILENT, sample_rate_hz=rate_hz).segments

    assert (segment.end, segment.end - segment.start) == (4 * rate_hz, frames)


def test_a_move_shorter_than_10_ms_becomes_a_step_that_ends_where_the_move_would():
    expected = values(lane_of(P(0, 0.0), P(8.01, SILENT, "at once")))

    assert np.array_equal(values(lane_of(P(0, 0.0), P(8, SILENT, 0.01))), expected)
    assert np.array_equal(values(lane_of(P(0, 0.0), P(8, 0.0), P(8.01, SILENT))), expected)
    assert np.array_equal(values(lane_of(P(0, 0.0), P(8.01, SILENT, 0.0))), expected)


def test_a_move_of_10_ms_is_a_move():
    (segment,) = lane_of(P(0, 0.0), P(8, SILENT, 0.02)).segments

    assert (segment.axis, segment.start, segment.end) == ("beats", 8, 8.02)


def test_a_step_at_the_end_of_a_move_fades_from_the_move_without_a_jump():
    moving = values(lane_of(P(4, -12.0, 4.0)))
    gain = values(lane_of(P(4, -12.0, 4.0), P(8, SILENT, "at once")))
    end = 8 * BEAT_FRAMES
    expected = moving[end - STEP_FRAMES : end] * (1 - raised(STEP_FRAMES))
    error = np.max(np.abs(gain[end - STEP_FRAMES : end] - expected))

    print(f"error {error:.1e}, bound 1e-14")
    assert error < 1e-14
    assert np.array_equal(gain[: end - STEP_FRAMES], moving[: end - STEP_FRAMES])


# --- filters ---


@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "half_way_hz"), [(20.0, 20_000.0, 632.4555), (100.0, 10_000.0, 1000.0)]
)
@pytest.mark.parametrize("kind", ["highpass", "lowpass"])
def test_a_sweep_is_half_way_at_the_geometric_mean(kind, start_hz, stop_hz, half_way_hz):
    motion = values(lane_of(P(0, start_hz), P(8, stop_hz), kind=kind))

    print(f"{motion.cutoff_hz[4 * BEAT_FRAMES]:.4f} Hz, bound 0.0001 Hz")
    assert motion.cutoff_hz[4 * BEAT_FRAMES] == pytest.approx(half_way_hz, abs=1e-4)
    assert np.all(motion.wet == 1.0)


@pytest.mark.parametrize(("kind", "rim_hz"), [("highpass", 20.0), ("lowpass", 20_000.0)])
def test_a_filter_moves_from_and_to_open_at_its_rim_with_10_ms_to_the_untouched_sound(kind, rim_hz):
    motion = values(lane_of(P(4, OPEN), P(8, 900.0), P(12, OPEN), kind=kind))
    start, top, end = (beat * BEAT_FRAMES for beat in (4, 8, 12))

    assert np.all(motion.wet[: start + 1] == 0.0) and np.all(motion.wet[end:] == 0.0)
    assert np.all(motion.wet[start + STEP_FRAMES : end - STEP_FRAMES] == 1.0)
    fades = (motion.wet[start : start + STEP_FRAMES], 1 - motion.wet[end - STEP_FRAMES : end])
    error = max(np.max(np.abs(fade - raised(STEP_FRAMES))) for fade in fades)
    print(f"fades off by {error:.1e}, bound 1e-14")
    assert error < 1e-14
    assert motion.cutoff_hz[start] == pytest.approx(rim_hz, rel=1e-12)
    assert motion.cutoff_hz[start + 2 * BEAT_FRAMES] == pytest.approx(math.sqrt(rim_hz * 900.0), rel=1e-9)
    assert motion.cutoff_hz[top] == pytest.approx(900.0, rel=1e-12)
    assert motion.cutoff_hz[end - 1] == pytest.approx(rim_hz, rel=1e-4)


def test_a_step_from_or_to_open_keeps_the_cutoff_and_fades_the_filter_in_or_out():
    motion = values(lane_of(P(4, 900.0, "at once"), P(8, OPEN, "at once"), kind="highpass"))
    sounding = motion.wet > 0

    assert np.ptp(motion.cutoff_hz[sounding]) == 0.0
    assert motion.cutoff_hz[4 * BEAT_FRAMES] == pytest.approx(900.0, rel=1e-12)
    assert motion.wet[4 * BEAT_FRAMES - STEP_FRAMES // 2] == pytest.approx(0.5, abs=1e-14)
    assert np.flatnonzero(sounding)[[0, -1]].tolist() == [
        4 * BEAT_FRAMES - STEP_FRAMES + 1,
        8 * BEAT_FRAMES - 1,
    ]
    assert np.all(motion.wet[4 * BEAT_FRAMES : 8 * BEAT_FRAMES - STEP_FRAMES] == 1.0)


def test_a_step_between_cutoffs_is_a_raised_cosine_in_octaves():
    motion = values(lane_of(P(0, 100.0), P(4, 1600.0, "at once"), kind="highpass"))

    assert motion.cutoff_hz[4 * BEAT_FRAMES - STEP_FRAMES // 2] == pytest.approx(400.0, rel=1e-12)
    assert motion.cutoff_hz[4 * BEAT_FRAMES] == pytest.approx(1600.0, rel=1e-12)


def test_a_filter_called_back_while_it_fades_out_does_not_jump():
    points = (P(0, 200.0), P(4, OPEN), P(4.01, 200.0, "at once"))
    motion = values(lane_of(*points, kind="lowpass"))
    heard = (motion.wet[1:] > 0) & (motion.wet[:-1] > 0)
    octaves = np.max(np.abs(np.diff(np.log2(motion.cutoff_hz)))[heard])

    # 6.6 octaves in 480 frames, at most π/2 times as fast as straight: 0.022 octaves a frame.
    print(f"{octaves:.4f} octaves a frame, bound 0.03")
    assert octaves < 0.03


# --- constant stretches ---


def test_a_lane_is_constant_where_it_does_not_move():
    lane = lane_of(P(4, 0.0), P(8, -6.0), P(12, SILENT, "at once"))
    step_start = 12 * BEAT_FRAMES - STEP_FRAMES

    assert constant(lane, 0, 4 * BEAT_FRAMES - 1) == 1.0
    assert constant(lane, 0, 4 * BEAT_FRAMES + 1) is None
    assert constant(lane, 8 * BEAT_FRAMES - 1, 9 * BEAT_FRAMES) is None
    assert constant(lane, 8 * BEAT_FRAMES + 1, step_start - 1) == db_to_gain(-6.0)
    assert constant(lane, step_start + 1, step_start + 2) is None
    assert constant(lane, 12 * BEAT_FRAMES, 10**8) == 0.0


def test_the_constant_value_is_the_evaluated_one_to_the_bit():
    for kind in ("level", "band", "amount", "lowpass"):
        lane = lane_of(P(0, 0.7), P(4, 17.3), kind=kind)
        last = values(lane)
        value = last[0] if kind == "lowpass" else last

        assert constant(lane, 10 * BEAT_FRAMES, 11 * BEAT_FRAMES) == value[10 * BEAT_FRAMES]


def test_an_open_filter_is_untouched_and_a_standing_one_is_not():
    lane = lane_of(P(4, OPEN), P(8, 900.0), P(12, 900.0), kind="highpass")

    assert math.isnan(constant(lane, 0, 4 * BEAT_FRAMES - 1))
    assert untouched(lane, 0, 4 * BEAT_FRAMES - 1)
    assert not untouched(lane, 0, 5 * BEAT_FRAMES)
    assert constant(lane, 9 * BEAT_FRAMES, 10 * BEAT_FRAMES) == pytest.approx(900.0, rel=1e-12)
    assert not untouched(lane, 9 * BEAT_FRAMES, 10 * BEAT_FRAMES)


def test_only_the_neutral_gain_is_untouched():
    lane = lane_of(P(0, 0.0), P(4, -6.0))

    assert untouched(lane, -BEAT_FRAMES, -1)
    assert not untouched(lane, 5 * BEAT_FRAMES, 6 * BEAT_FRAMES)


# --- blocks ---

BUSY = {
    "level": (P(0, SILENT), P(3.3, 0.0), P(5, -7.0), P(5.01, -3.0, "at once"), P(6, SILENT, 0.7)),
    "band": (P(0, KILL), P(2, 6.0, 1.5), P(5, -7.0), P(6, KILL, "at once"), P(6.001, 0.0)),
    "highpass": (P(0.5, OPEN), P(3, 900.0), P(4, 150.0, "at once"), P(6, OPEN), P(6.004, 80.0, "at once")),
    "lowpass": (P(1, 300.0, "at once"), P(4, 8000.0), P(5, OPEN, 0.9), P(6.9, 2000.0)),
    "amount": (P(0, 0.0), P(3, 0.6, "at once"), P(5, 1.0), P(5.5, 0.2, 0.02)),
    "frequency": (P(0, 800.0), P(3, 90.0, "at once"), P(5, 4000.0), P(5.5, 300.0, 0.02)),
    "damping": (P(0, OPEN), P(3, 900.0), P(4, OPEN, "at once"), P(5, OPEN), P(6, 4000.0, 0.7)),
}


@pytest.mark.parametrize("size", [1, 7, 1000, 65_536])
@pytest.mark.parametrize("kind", BUSY)
def test_blocks_of_any_size_give_the_same_bits(kind, size):
    lane = lane_of(*BUSY[kind], kind=kind, ramp=True, neutral=NEUTRAL.get(kind, 800.0))
    whole = np.column_stack(tuple(np.atleast_2d(values(lane, 0, 8 * BEAT_FRAMES, ramp=True))))
    spans = [(0, 8 * BEAT_FRAMES)]
    if size < 1000:  # small blocks: where something begins or ends, and ahead of it
        starts = [int(ramp_time_at(point.beat) * RATE_HZ) for point in BUSY[kind]]
        spans = [
            (max(s + ahead, 0), max(s + ahead, 0) + 40 * size) for s in starts for ahead in (-500, -20, 0)
        ]
    for start, stop in spans:
        parts = [
            np.column_stack(tuple(np.atleast_2d(values(lane, i, min(i + size, stop), ramp=True))))
            for i in range(start, stop, size)
        ]
        assert np.concatenate(parts).tobytes() == whole[start:stop].tobytes()


def test_no_frames_have_no_values():
    assert values(lane_of(P(0, 0.0), P(4, -6.0)), 5, 5).shape == (0,)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.data())
def test_no_lane_moves_faster_than_a_step(data):
    """Whatever the points, a gain never changes by more in a frame than the steepest steps can."""
    gaps = data.draw(st.lists(st.sampled_from([0.0, 0.001, 0.015, 0.03, 0.5, 1.0]), min_size=1, max_size=6))
    levels = st.sampled_from([SILENT, -20.0, -6.0, 0.0])
    moves = st.sampled_from([None, "at once", 0.001, 0.01, 0.03, 0.2])
    points, beat = [], 1.0
    for gap in gaps:
        beat = max(beat, points[-1].end_beat if points else 0.0) + gap
        points.append(
            LanePoint(beat, data.draw(levels), data.draw(moves), data.draw(st.sampled_from(list(LAWS))))
        )
    gain = values(lane_of(*points), 0, 8 * BEAT_FRAMES)
    fastest = np.max(np.abs(np.diff(gain)))

    # Steps fade from a running value, so several that overlap add their slopes of at most π / 2 / 480.
    overlapping = 1 + len(points)
    assert np.all((gain >= 0.0) & (gain <= 1.0 + 1e-12))
    assert fastest < overlapping * math.pi / 2 / STEP_FRAMES
    assert gain[-1] == db_to_gain(points[-1].value)


# --- faults ---


def test_a_move_past_the_next_point_names_both():
    with pytest.raises(
        LanePointError, match=r"beat 8 takes 12 beats, until beat 20, .* point at beat 16"
    ) as fault:
        lane_of(P(0, 0.0), P(8, -6.0, 12.0), P(16, SILENT))

    assert (fault.value.point.beat, fault.value.next_point.beat) == (8, 16)
    assert isinstance(fault.value, ValueError)


def test_a_move_up_to_the_next_point_is_allowed():
    assert len(lane_of(P(0, 0.0), P(8, -6.0, 8.0), P(16, SILENT, "at once")).segments) == 2


def test_points_out_of_order_name_both():
    with pytest.raises(LanePointError, match="point at beat 8 stands before the one at beat 4"):
        lane_of(P(8, 0.0), P(4, -6.0))


def test_an_unknown_curve_and_a_negative_move_are_refused():
    with pytest.raises(ValueError, match="no crossfade law is called 'cubic'; there are equal-power, linear"):
        lane_of(P(0, 0.0, curve="cubic"))
    with pytest.raises(ValueError, match="move at beat 4 lasts -1 beats; it must not be negative"):
        lane_of(P(0, 0.0), P(4, -6.0, -1.0))


def test_a_gain_has_no_filter_motion():
    with pytest.raises(ValueError, match="a level lane has no filter"):
        evaluate_filter(Lane("level", 0.0), np.arange(3), beat_at=steady_beat_at, sample_rate_hz=RATE_HZ)


# --- the sound of a step ---


def above_2_khz(sound):
    """The part of a sound above 2 kHz: linear-phase filter, 100 dB, from 1.8 kHz on at full level."""
    half = 2000
    n = np.arange(-half, half + 1)
    taps = -np.sinc(2 * 1700.0 / RATE_HZ * n) * np.kaiser(2 * half + 1, 10.0)
    taps /= -taps.sum()
    taps[half] += 1.0
    return np.convolve(sound, taps, mode="valid")


STEPS = {
    "level to silent": ("level", 0.0, SILENT),
    "level from silent": ("level", SILENT, 0.0),
    "low to kill": ("low", 0.0, KILL),
    "low from kill": ("low", KILL, 0.0),
    "highpass from open to 900 Hz": ("highpass", OPEN, 900.0),
    "highpass from 900 Hz to open": ("highpass", 900.0, OPEN),
    "lowpass from open to 50 Hz": ("lowpass", OPEN, 50.0),
    "highpass from 50 to 900 Hz": ("highpass", 50.0, 900.0),
}


def reader(sound):
    """A source that is silent outside its frames."""

    def read(start, stop):
        padded = np.pad(sound, ((max(-start, 0), max(stop - len(sound), 0)), (0, 0)))
        return padded[max(start, 0) :][: stop - start]

    return read


def click_db(sound):
    """Peak in dBFS of what lies above 2 kHz, away from the ends of the sound."""
    return 20 * np.log10(np.max(np.abs(above_2_khz(sound[3000:-3000]))))


def test_a_cut_without_a_step_is_a_click():
    """The measure below hears what it should: the sine cut off at once in its crest."""
    sine = 0.5 * np.cos(2 * np.pi * 100.0 * np.arange(BEAT_FRAMES) / RATE_HZ)
    sine[BEAT_FRAMES // 2 :] = 0.0

    print(f"{click_db(sine):.1f} dBFS above 2 kHz, over -20 dBFS")
    assert click_db(sine) > -20.0


@pytest.mark.parametrize("curve", LAWS)
@pytest.mark.parametrize("beats", [0.05, 0.5, 4.0])
@pytest.mark.parametrize("phase", [0.0, 0.2])
def test_no_curve_clicks_where_it_meets_silence(curve, beats, phase):
    # From the shortest fades on (25 ms): a 100 Hz sine that goes and comes back. Common practice, no source.
    points = (P(0, 0.0), P(1, SILENT, beats, curve), P(6, 0.0, beats, curve))
    frames = np.arange(11 * BEAT_FRAMES)
    sine = 10 ** (-6 / 20) * np.sin(2 * np.pi * (100.0 * frames / RATE_HZ + phase))
    heard_db = click_db(sine * values(lane_of(*points), 0, len(frames)))

    print(f"{curve} in {beats:g} beats: {heard_db:.1f} dBFS above 2 kHz, bound -55 dBFS")
    assert heard_db < -55.0


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("phase", [0.0, 0.25, 0.4])
def test_a_step_on_a_100_hz_sine_does_not_click(step, phase):
    # Common practice, no source: what lies above 2 kHz of a step on a bass note is its click.
    control, before, after = STEPS[step]
    kind = CONTROL_KINDS[control]
    lane = lane_of(P(0, before), P(1, after, "at once"), kind=kind)
    frames = np.arange(2 * BEAT_FRAMES)
    sine = 10 ** (-6 / 20) * np.sin(2 * np.pi * (100.0 * frames / RATE_HZ + phase))
    sound = np.column_stack((sine, sine))
    motion = values(lane, 0, len(frames))
    if control == "level":
        out = sound * motion[:, np.newaxis]
    elif control == "low":
        bands = Isolator(sample_rate_hz=RATE_HZ).bands(reader(sound), 0, len(sound))
        out = combine(bands, low_gain=motion, mid_gain=1.0, high_gain=1.0)
    else:
        out, _ = svf_faded(sound, motion.cutoff_hz, motion.wet, kind=kind, sample_rate_hz=RATE_HZ)
    heard_db = click_db(out[:, 0])

    print(f"{step}: {heard_db:.1f} dBFS above 2 kHz, bound -60 dBFS")
    assert heard_db < -60.0
