"""The filter with a moving cutoff: its response, its stability, its independence of blocks."""

import numpy as np
import pytest

from mixrender.dsp.svf import BUTTERWORTH_Q, resting_state, svf, svf_faded

RATE_HZ = 48_000


def filtered(x, cutoff_hz, kind, *, rate_hz=RATE_HZ, **options):
    cutoffs = np.full(len(x), cutoff_hz) if np.isscalar(cutoff_hz) else cutoff_hz
    return svf(x, cutoffs, kind=kind, sample_rate_hz=rate_hz, **options)[0]


def cookbook_response(frequency_hz, cutoff_hz, kind, rate_hz, q=BUTTERWORTH_Q):
    """Complex response of LPF, HPF and BPF (0 dB peak) of the W3C Audio EQ Cookbook (bilinear transform)."""
    w0 = 2 * np.pi * cutoff_hz / rate_hz
    alpha = np.sin(w0) / (2 * q)
    sign = 1 if kind == "lowpass" else -1
    b1 = sign * (1 - sign * np.cos(w0))
    b = np.array([abs(b1) / 2, b1, abs(b1) / 2] if kind != "bandpass" else [alpha, 0.0, -alpha])
    a = np.array([1 + alpha, -2 * np.cos(w0), 1 - alpha])
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz) / rate_hz)
    return np.polyval(b[::-1], z) / np.polyval(a[::-1], z)


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("kind", ["highpass", "lowpass", "bandpass"])
@pytest.mark.parametrize("cutoff_hz", [100.0, 900.0, 10_000.0])
def test_a_standing_cutoff_has_the_response_of_the_cookbook(kind, cutoff_hz, rate_hz):
    impulse = np.zeros((1 << 16, 2))
    impulse[0] = 1.0
    spectrum = np.fft.rfft(filtered(impulse, cutoff_hz, kind, rate_hz=rate_hz)[:, 0])
    frequency_hz = np.fft.rfftfreq(len(impulse), 1 / rate_hz)
    expected = cookbook_response(frequency_hz, cutoff_hz, kind, rate_hz)
    heard = np.abs(expected) > 10 ** (-100 / 20)
    error_db = np.max(np.abs(20 * np.log10(np.abs(spectrum[heard]) / np.abs(expected[heard]))))

    print(f"{kind} {cutoff_hz:g} Hz at {rate_hz} Hz: off by {error_db:.2e} dB, bound 0.01 dB")
    assert error_db < 0.01


@pytest.mark.parametrize("kind", ["highpass", "lowpass"])
def test_the_cutoff_is_3_01_db_down_and_an_octave_beyond_it_12_db(kind):
    # Second-order Butterworth, 10 log10(1 + (f / fc)^4); at 200 Hz the bilinear transform hardly bends it.
    impulse = np.zeros((RATE_HZ, 2))
    impulse[0] = 1.0
    spectrum = np.abs(np.fft.rfft(filtered(impulse, 200.0, kind)[:, 0]))  # one bin per Hz
    at_db, beyond_db = 20 * np.log10(spectrum[[200, 100 if kind == "highpass" else 400]])

    print(f"{at_db:.4f} dB at the cutoff, {beyond_db:.4f} dB an octave beyond, bound 0.01 dB")
    assert at_db == pytest.approx(-10 * np.log10(2), abs=0.01)
    assert beyond_db == pytest.approx(-10 * np.log10(17), abs=0.01)


def test_a_constant_passes_a_lowpass_alone_and_the_nyquist_frequency_a_highpass_alone():
    constant = np.full((RATE_HZ, 2), 0.5)
    nyquist = constant * np.where(np.arange(RATE_HZ) % 2, -1.0, 1.0)[:, np.newaxis]
    tails = {
        (name, kind): np.max(np.abs(filtered(x, 500.0, kind)[RATE_HZ // 2 :]))
        for name, x in (("constant", constant), ("nyquist", nyquist))
        for kind in ("lowpass", "highpass")
    }

    print(tails, "bound 1e-12")
    assert tails["constant", "lowpass"] == pytest.approx(0.5, abs=1e-12)
    assert tails["nyquist", "highpass"] == pytest.approx(0.5, abs=1e-12)
    assert tails["constant", "highpass"] < 1e-12
    assert tails["nyquist", "lowpass"] < 1e-12


def direct_form_2_transposed(x, cutoff_hz, q):
    """The low-pass of the cookbook in the form that is not made for moving cutoffs."""
    w0 = 2 * np.pi * cutoff_hz / RATE_HZ
    alpha = np.sin(w0) / (2 * q)
    b0 = (1 - np.cos(w0)) / 2 / (1 + alpha)
    a1, a2 = -2 * np.cos(w0) / (1 + alpha), (1 - alpha) / (1 + alpha)
    y, s1, s2 = np.empty_like(x), 0.0, 0.0
    for n, v in enumerate(x):
        y[n] = b0[n] * v + s1
        s1 = 2 * b0[n] * v - a1[n] * y[n] + s2
        s2 = b0[n] * v - a2[n] * y[n]
    return y


@pytest.mark.parametrize("sweeps_hz", [0.5, 30.0, 300.0])
@pytest.mark.parametrize(("q", "bound"), [(BUTTERWORTH_Q, 0.47), (4.0, 0.94)])
def test_a_cutoff_swept_over_its_whole_range_stays_bounded(sweeps_hz, q, bound):
    # Laroche, JAES 55(6) 2007: a filter stable at each instant need not be stable in motion. Wishnick,
    # DAFx-14: this one is. White noise of peak 0.47, low-pass swept 20 Hz to 20 kHz. The bound is the noise's
    # own peak for Q 0.707 and twice that for Q 4.
    noise = np.random.default_rng(7).standard_normal((2 * RATE_HZ, 2))
    noise *= 0.47 / np.max(np.abs(noise))
    place = 0.5 - 0.5 * np.cos(2 * np.pi * sweeps_hz * np.arange(len(noise)) / RATE_HZ)
    cutoff_hz = 20.0 * 1000.0**place
    peak = np.max(np.abs(filtered(noise, cutoff_hz, "lowpass", q=q)))

    print(f"{sweeps_hz:g} sweeps/s, Q {q:.3g}: peak {peak:.3f}, bound {bound}")
    assert peak < bound
    if sweeps_hz == 300.0:
        other = np.max(np.abs(direct_form_2_transposed(noise[:, 0], cutoff_hz, q)))
        print(f"the same sweep in transposed direct form: peak {other:.3f}, over the bound")
        assert other > bound


@pytest.mark.parametrize("size", [1, 7, 1000, 65_536])
def test_blocks_of_any_size_give_the_same_bits(size):
    rng = np.random.default_rng(3)
    n = 4_001 if size == 1 else 70_001
    x, cutoff_hz = rng.standard_normal((n, 2)), np.geomspace(20.0, 23_000.0, n)
    cutoff_hz[n // 2 : n // 2 + 500] = 900.0
    wet = np.clip(np.sin(np.linspace(0.0, 20.0, n)), 0.0, 1.0)
    whole, _ = svf_faded(x, cutoff_hz, wet, kind="highpass", sample_rate_hz=RATE_HZ)
    state, parts = resting_state(), []
    for i in range(0, n, size):
        piece = slice(i, i + size)
        y, state = svf_faded(
            x[piece], cutoff_hz[piece], wet[piece], kind="highpass", sample_rate_hz=RATE_HZ, state=state
        )
        parts.append(y)

    assert np.concatenate(parts).tobytes() == whole.tobytes()


def test_the_state_that_was_handed_in_is_left_as_it_was():
    state = np.full((2, 2), 0.25)

    svf(np.ones((100, 2)), np.full(100, 500.0), kind="lowpass", sample_rate_hz=RATE_HZ, state=state)

    assert np.all(state == 0.25)


def test_the_two_channels_do_not_meet():
    x = np.random.default_rng(5).standard_normal((5000, 2))
    alone = x.copy()
    alone[:, 1] = 0.0

    both, left = filtered(x, 900.0, "lowpass"), filtered(alone, 900.0, "lowpass")

    assert np.array_equal(both[:, 0], left[:, 0])
    assert not left[:, 1].any()


def test_without_any_share_the_sound_passes_to_the_bit_and_the_filter_forgets():
    x = np.random.default_rng(6).standard_normal((3000, 2))
    wet = np.concatenate((np.zeros(1000), np.ones(1000), np.zeros(1000)))
    cutoff_hz = np.full(3000, 900.0)

    y, state = svf_faded(x, cutoff_hz, wet, kind="lowpass", sample_rate_hz=RATE_HZ)
    left_out, _ = svf_faded(
        x[900:2000], cutoff_hz[900:2000], wet[900:2000], kind="lowpass", sample_rate_hz=RATE_HZ
    )

    assert np.array_equal(y[wet == 0], x[wet == 0])
    assert np.isnan(state).all()
    assert np.array_equal(left_out, y[900:2000])


@pytest.mark.parametrize("kind", ["highpass", "lowpass"])
def test_a_filter_that_wakes_takes_its_first_sample_as_having_sounded_for_ever(kind):
    y, _ = svf_faded(
        np.full((1000, 2), 0.5), np.full(1000, 100.0), np.ones(1000), kind=kind, sample_rate_hz=RATE_HZ
    )
    expected = 0.5 if kind == "lowpass" else 0.0
    error = np.max(np.abs(y - expected))

    print(f"error {error:.1e}, bound 1e-12")
    assert error < 1e-12


@pytest.mark.parametrize("cutoff_hz", [0.489 * 22_050, 12_000.0, 1e9])
def test_a_cutoff_above_the_nyquist_frequency_is_held_below_it(cutoff_hz):
    noise = np.random.default_rng(8).standard_normal((2000, 2))
    y = filtered(noise, cutoff_hz, "lowpass", rate_hz=22_050)
    held = filtered(noise, min(cutoff_hz, 0.49 * 22_050), "lowpass", rate_hz=22_050)

    assert np.isfinite(y).all()
    assert np.array_equal(y, held)


def test_unequal_lengths_are_refused():
    with pytest.raises(ValueError, match="3 frames of sound, 2 cutoffs and 3 shares differ"):
        svf(np.zeros((3, 2)), np.full(2, 100.0), kind="lowpass", sample_rate_hz=RATE_HZ)
