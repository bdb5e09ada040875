"""What the meter takes and what it refuses: kinds of numbers, shapes, channels, rates, single samples."""

import numpy as np
import pytest
from loudness_cases import tone

from mixrender.errors import InputError
from mixrender.loudness.meter import Meter, integrated, measure

X = tone([(0.5, -20)])

FUNCTIONS = [measure, integrated, lambda x, *, sample_rate_hz: Meter(sample_rate_hz=sample_rate_hz).push(x)]
NAMES = ["measure", "integrated", "push"]
every_function = pytest.mark.parametrize("function", FUNCTIONS, ids=NAMES)


@pytest.mark.parametrize(
    "x",
    [X.astype(">f8"), np.asfortranarray(X), X[::-1][::-1], X.astype(np.longdouble), X.tolist()],
    ids=["big-endian", "columns", "strides", "long", "list"],
)
def test_any_layout_of_floats_reads_the_same(x):
    assert measure(x, sample_rate_hz=48_000) == measure(X, sample_rate_hz=48_000)


def test_a_block_that_may_not_be_written_to_is_measured_and_left_as_it_was():
    x = X.copy()
    x.flags.writeable = False

    assert measure(x, sample_rate_hz=48_000) == measure(X, sample_rate_hz=48_000)
    assert np.array_equal(x, X)


@every_function
@pytest.mark.parametrize(
    ("x", "kind"),
    [
        ((X * 32_767).astype(np.int16), "int16"),
        (X > 0, "bool"),
        (X + 0j, "complex128"),
        (X.astype(object), "object"),
        (np.array([["a", "b"]]), "<U1"),
        (None, "object"),
    ],
)
def test_numbers_that_are_not_floats_are_refused_by_name(function, x, kind):
    # Whole numbers above all: read as they are, 16 bits would be 90 dB too loud.
    with pytest.raises(
        ValueError, match=f"of the type {kind}; it must be float32 or float64, full scale 1.0"
    ):
        function(x, sample_rate_hz=48_000)


@pytest.mark.parametrize("function", FUNCTIONS[:2], ids=NAMES[:2])
@pytest.mark.parametrize("shape", [(), (1, 100, 2)])
def test_a_sound_of_another_shape_is_refused(function, shape):
    with pytest.raises(ValueError, match=r"has the shape \(.*\); it must be \(n, channels\) or \(n,\)"):
        function(np.zeros(shape), sample_rate_hz=48_000)


def test_rows_of_unlike_length_are_refused():
    with pytest.raises(ValueError, match="must be an array of numbers"):
        measure([[0.1, 0.2], [0.3]], sample_rate_hz=48_000)


@pytest.mark.parametrize("shape", [(10,), (), (10, 0), (10, 1), (10, 3), (1, 10, 2)])
def test_a_block_of_another_shape_is_refused(shape):
    with pytest.raises(ValueError, match=r"a block has the shape \(.*\); it must be \(n, 2\)"):
        Meter(sample_rate_hz=48_000).push(np.zeros(shape))


@pytest.mark.parametrize("channels", [0, -1, 7, 8, 100, 2.5, "2", None])
def test_other_than_one_to_six_channels_are_refused(channels):
    with pytest.raises(InputError, match=f"of {channels} channels; it can of 1 to 6"):
        Meter(sample_rate_hz=48_000, channels=channels)


@pytest.mark.parametrize("channels", [0, 7, 100])
def test_a_sound_of_other_than_one_to_six_channels_is_refused(channels):
    for function in (measure, integrated):
        with pytest.raises(InputError, match=f"of {channels} channels; it can of 1 to 6"):
            function(np.zeros((10, channels)), sample_rate_hz=48_000)


@every_function
@pytest.mark.parametrize("rate_hz", [-1, 0, 7_999, 192_001])
def test_a_rate_out_of_range_is_refused(function, rate_hz):
    with pytest.raises(
        InputError, match=f"at {rate_hz} Hz: the sample rate must lie between 8000 and 192000"
    ):
        function(X, sample_rate_hz=rate_hz)


@every_function
@pytest.mark.parametrize("rate_hz", [44_100.0, 44_100.5, float("nan"), float("inf"), True, None, "44100"])
def test_a_rate_that_is_not_a_whole_number_is_refused(function, rate_hz):
    with pytest.raises(InputError, match="A sample rate is a whole number of Hz such as 44100, not"):
        function(X, sample_rate_hz=rate_hz)


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_not_a_number_is_named_in_any_channel_of_any_block(bad, dtype, channels):
    # Any channel: also the LFE, which has no weight.
    for channel in range(channels):
        meter = Meter(sample_rate_hz=48_000, channels=channels)
        block = np.zeros((100, channels), dtype)
        meter.push(block)
        block[50, channel] = bad
        with pytest.raises(
            ValueError, match=f"frame 150, channel {channel + 1}, is {bad:g}: not a finite number"
        ):
            meter.push(block)


def test_after_a_sample_that_is_not_a_number_the_stream_does_not_go_on():
    meter = Meter(sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="not a finite number"):
        meter.push(np.full((100, 2), np.nan))
    with pytest.raises(ValueError, match="an earlier block could not be measured: begin anew"):
        meter.push(X)


def test_a_sample_beyond_any_sound_is_refused_and_a_loud_one_is_not():
    with pytest.raises(ValueError, match=r"frame 3, channel 1, is 1e\+300: far beyond full scale, 1\.0"):
        measure(np.array([[0.0], [0.1], [0.0], [1e300]]), sample_rate_hz=48_000)

    loud = measure(X * 1e6, sample_rate_hz=48_000)
    assert loud.integrated_lufs == pytest.approx(100.0, abs=0.02)
    assert loud.true_peak_dbtp == pytest.approx(100.0, abs=0.05)


@pytest.mark.parametrize("edges", [(5, 3), (-1,), (10, 20, 19)])
def test_edges_of_parts_that_do_not_rise_are_refused(edges):
    with pytest.raises(ValueError, match="must be frames that rise from 0"):
        Meter(sample_rate_hz=48_000, peak_edges=edges)
