"""The band isolator: what a kill takes away, what it leaves, and that nothing depends on where one reads."""

import numpy as np
import pytest

from mixrender.dsp.isolator import (
    DEFAULT_EDGES_HZ,
    GRID_FRAMES,
    MAX_HALF_LENGTH_S,
    Isolator,
    combine,
    design_lowpass,
)

RATES_HZ = [22_050, 44_100, 48_000, 96_000, 192_000]
INSIDE = 2.0**1.5
OTHER_EDGES_HZ = [(180.0, 3000.0), (120.0, 4000.0)]


def reader(sound):
    """A source that is silent outside its frames."""

    def read(start, stop):
        out = np.zeros((stop - start, 2))
        low, high = max(start, 0), min(stop, len(sound))
        if low < high:
            out[low - start : high - start] = sound[low:high]
        return out

    return read


def noise(frames, seed=1):
    return 0.1 * np.random.default_rng(seed).standard_normal((frames, 2))


def response(gains, *, rate_hz, edges_hz=DEFAULT_EDGES_HZ):
    """What an impulse at frame `middle` becomes, and the magnitudes of its spectrum."""
    frames = 1 << 17
    impulse = np.zeros((frames, 2))
    impulse[frames // 2] = 1.0
    bands = Isolator(edges_hz, sample_rate_hz=rate_hz).bands(reader(impulse), 0, frames)
    out = combine(bands, low_gain=gains[0], mid_gain=gains[1], high_gain=gains[2])[:, 0]
    return out, np.abs(np.fft.rfft(out)), np.fft.rfftfreq(frames, 1 / rate_hz)


KILLS = {"low": (0.0, 1.0, 1.0), "mid": (1.0, 0.0, 1.0), "high": (1.0, 1.0, 0.0)}


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("edges_hz", [DEFAULT_EDGES_HZ, *OTHER_EDGES_HZ])
@pytest.mark.parametrize("band", KILLS)
def test_a_killed_band_is_48_db_down_from_1_5_octaves_inside_its_edges_on(band, edges_hz, rate_hz):
    # A fourth-order Linkwitz-Riley low band is 48 dB down two octaves below its edge (Linkwitz & Riley, JAES
    # 1976, from memory); the bound here is nearer to the edge: 1.5 octaves, common practice, no source.
    _, magnitude, frequency_hz = response(KILLS[band], rate_hz=rate_hz, edges_hz=edges_hz)
    lower, upper = {
        "low": (0.0, edges_hz[0] / INSIDE),
        "mid": (edges_hz[0] * INSIDE, edges_hz[1] / INSIDE),
        "high": (edges_hz[1] * INSIDE, np.inf),
    }[band]
    inside = (frequency_hz >= lower) & (frequency_hz <= upper)
    if not inside.any():
        assert edges_hz[1] * INSIDE > rate_hz / 2  # only a band that such a rate does not reach
        return
    worst_db = 20 * np.log10(np.max(magnitude[inside]))

    print(f"{band} killed at {rate_hz} Hz, edges {edges_hz}: {worst_db:.1f} dB, bound -48 dB")
    assert worst_db < -48.0


@pytest.mark.parametrize("band", KILLS)
def test_a_killed_band_leaves_the_others_as_they_were(band):
    _, magnitude, frequency_hz = response(KILLS[band], rate_hz=48_000)
    low, high = DEFAULT_EDGES_HZ
    bands = {
        "low": frequency_hz <= low / INSIDE,
        "mid": (frequency_hz >= low * INSIDE) & (frequency_hz <= high / INSIDE),
        "high": frequency_hz >= high * INSIDE,
    }
    kept = np.logical_or.reduce([inside for name, inside in bands.items() if name != band])
    worst_db = np.max(np.abs(20 * np.log10(magnitude[kept])))

    print(f"{band} killed: the others move by {worst_db:.5f} dB, bound 0.01 dB")
    assert worst_db < 0.01


def test_a_killed_low_is_6_db_down_at_its_edge():
    # As with the two halves of a Linkwitz-Riley crossover (from memory): both sides are at a half there.
    _, magnitude, frequency_hz = response(KILLS["low"], rate_hz=48_000)
    level_db = 20 * np.log10(np.interp(DEFAULT_EDGES_HZ[0], frequency_hz, magnitude))

    print(f"{level_db:.3f} dB, expected -6.02 dB, bound 0.1 dB")
    assert level_db == pytest.approx(-6.02, abs=0.1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_nothing_above_minus_60_db_sounds_more_than_15_ms_ahead_of_an_impulse(rate_hz):
    early_frames = round(0.015 * rate_hz)
    for band, gains in KILLS.items():
        out, _, _ = response(gains, rate_hz=rate_hz)
        ahead = np.max(np.abs(out[: len(out) // 2 - early_frames]))

        print(f"{band} killed at {rate_hz} Hz: {ahead:.1e} of the impulse, bound 1e-3 (-60 dB)")
        assert ahead < 1e-3


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("edge_hz", [60.0, 250.0, 2500.0])
def test_the_filters_are_symmetric_short_and_exact_at_0_hz(edge_hz, rate_hz):
    taps = design_lowpass(edge_hz, sample_rate_hz=rate_hz)

    assert np.array_equal(taps, taps[::-1])
    assert len(taps) // 2 <= MAX_HALF_LENGTH_S * rate_hz
    assert np.sum(taps) == pytest.approx(1.0, abs=1e-14)


def test_gains_of_one_give_back_the_sound_to_the_bit():
    sound = noise(30_000)
    bands = Isolator(sample_rate_hz=44_100).bands(reader(sound), 0, len(sound))

    ones = np.ones(len(sound))

    assert np.array_equal(combine(bands, low_gain=1.0, mid_gain=1.0, high_gain=1.0), sound)
    assert np.array_equal(combine(bands, low_gain=ones, mid_gain=ones, high_gain=ones), sound)


def test_all_bands_killed_leave_nothing_and_the_bands_add_up():
    sound = noise(30_000)
    bands = Isolator(sample_rate_hz=44_100).bands(reader(sound), 0, len(sound))
    left = np.max(np.abs(combine(bands, low_gain=0.0, mid_gain=0.0, high_gain=0.0)))
    missing = np.max(np.abs(bands.low + bands.mid + bands.high - bands.whole))

    print(f"left {left:.1e}, missing {missing:.1e}, bound 1e-15")
    assert left < 1e-15
    assert missing < 1e-15


def test_the_blocks_of_the_grid_join_to_the_plain_convolution():
    sound = noise(3 * GRID_FRAMES)
    isolator = Isolator(sample_rate_hz=48_000)
    bands = isolator.bands(reader(sound), 0, len(sound))
    first, second = (design_lowpass(edge, sample_rate_hz=48_000) for edge in DEFAULT_EDGES_HZ)
    for channel in range(2):
        low = np.convolve(sound[:, channel], first, mode="same")
        below_high = np.convolve(sound[:, channel], second, mode="same")
        errors = [
            np.max(np.abs(bands.low[:, channel] - low)),
            np.max(np.abs(bands.mid[:, channel] - (below_high - low))),
            np.max(np.abs(bands.high[:, channel] - (sound[:, channel] - below_high))),
        ]

        print(f"error {max(errors):.1e}, bound 1e-14")
        assert max(errors) < 1e-14


@pytest.mark.parametrize("size", [1, 7, 1000, 8192, 65_536])
def test_blocks_of_any_size_give_the_same_bits(size):
    sound = noise(4 * GRID_FRAMES)
    start, stop = (-20, 980) if size == 1 else (-5000, 3 * GRID_FRAMES + 77)
    whole = Isolator(sample_rate_hz=48_000).bands(reader(sound), start, stop)
    isolator, read = Isolator(sample_rate_hz=48_000), reader(sound)
    parts = [isolator.bands(read, i, min(i + size, stop)) for i in range(start, stop, size)]

    for whole_band, *pieces in zip(whole, *parts, strict=True):
        assert np.concatenate(pieces).tobytes() == whole_band.tobytes()


def test_a_reader_that_goes_on_has_every_frame_split_once():
    sound, spans = noise(6 * GRID_FRAMES), []

    def read(start, stop):
        spans.append((start, stop))
        return reader(sound)(start, stop)

    isolator = Isolator(sample_rate_hz=48_000)
    for i in range(0, len(sound), 1000):
        isolator.bands(read, i, min(i + 1000, len(sound)))

    half = isolator.half_length_frames
    assert spans == [(k * GRID_FRAMES - half, (k + 1) * GRID_FRAMES + half) for k in range(6)]


def test_another_source_is_not_mistaken_for_the_last_one():
    isolator = Isolator(sample_rate_hz=48_000)
    isolator.bands(reader(noise(1000)), 0, 1000)
    other = noise(1000, seed=2)

    assert np.array_equal(isolator.bands(reader(other), 0, 1000).whole, other)


def test_a_silent_channel_stays_silent():
    sound = noise(GRID_FRAMES)
    sound[:, 1] = 0.0
    bands = Isolator(sample_rate_hz=48_000).bands(reader(sound), 0, len(sound))

    assert not any(band[:, 1].any() for band in bands)


def test_no_frames_are_no_bands():
    bands = Isolator(sample_rate_hz=48_000).bands(reader(noise(10)), 5, 5)

    assert all(band.shape == (0, 2) for band in bands)


@pytest.mark.parametrize("edges_hz", [(0.0, 2500.0), (2500.0, 250.0), (250.0, 11_025.0)])
def test_edges_that_make_no_bands_are_refused(edges_hz):
    with pytest.raises(ValueError, match="must rise and lie between 0 and 11025 Hz"):
        Isolator(edges_hz, sample_rate_hz=22_050)
