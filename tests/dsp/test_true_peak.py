"""The interpolator of the true-peak detector: its exactness, its bound, its independence of blocks."""

import numpy as np
import pytest

from mixrender.dsp.true_peak import METER_TAPS, PeakEnvelope, interpolator, oversampling_factor


def envelope(x, *, factor=8, taps=METER_TAPS, floor=1e-6, frames=None):
    """The whole envelope of x (n, channels), moved to the time of its input."""
    stream = PeakEnvelope(interpolator(factor=factor, taps=taps), channels=x.shape[1])
    x = np.pad(x, ((0, stream.lag_frames), (0, 0)))
    frames = frames or len(x)
    blocks = [stream.push(x[i : i + frames], floor=floor) for i in range(0, len(x), frames)]
    return np.concatenate(blocks)[stream.lag_frames :]


@pytest.mark.parametrize(
    ("rate_hz", "factor"),
    [
        (8_000, 64),
        (22_050, 16),
        (32_000, 16),
        (44_100, 8),
        (48_000, 8),
        (88_200, 4),
        (96_000, 4),
        (192_000, 4),
    ],
)
def test_the_waveform_is_read_at_192_khz_or_more_and_four_times_a_sample(rate_hz, factor):
    # BS.1770-5, Annex 2: an oversampled rate of at least 192 kHz.
    assert oversampling_factor(rate_hz) == factor
    assert factor * rate_hz >= 192_000


@pytest.mark.parametrize("taps", [METER_TAPS, 96])
@pytest.mark.parametrize("factor", [4, 8])
def test_a_tone_of_any_phase_peaks_at_its_amplitude(factor, taps):
    # The exact peak of a tone is its amplitude. Up to 0.45 of the rate (20 kHz at 44.1 kHz). Bound at
    # 8 points a sample +-0.02 dB, at 4 +-0.05 dB.
    bound_db = {8: 0.02, 4: 0.05}[factor]
    worst = 0.0
    n = np.arange(1_024)
    for part_of_rate in (0.01, 1 / 6, 0.25, 1 / 3, 0.4, 0.4375, 0.45):
        for phase in np.linspace(0, np.pi, 12, endpoint=False):
            x = np.sin(2 * np.pi * part_of_rate * n + phase)[:, None]
            inner = envelope(x, factor=factor, taps=taps)[200:-200]
            worst = max(worst, abs(20 * np.log10(inner.max())), key=abs)

    print(f"{factor} points a sample, {taps} taps: off by {worst:.4f} dB, bound {bound_db} dB")
    assert worst < bound_db


def test_every_interval_holds_at_least_the_sample_it_begins_with():
    x = np.random.default_rng(1).standard_normal((5_000, 2)).astype(np.float32)

    assert (envelope(x) >= np.abs(x).max(axis=1)).all()


def test_no_sound_exceeds_the_stated_bound():
    # The worst sound for one point between the samples: signs that agree with the taps.
    kernel = interpolator(factor=8, taps=METER_TAPS)
    worst = np.sign(kernel.taps[np.argmax(np.abs(kernel.taps).sum(axis=1))])[:, None]
    peak = envelope(worst).max()

    print(f"peak {peak:.5f}, bound {kernel.bound:.5f}")
    assert 0.999 * kernel.bound < peak


def test_the_envelope_does_not_depend_on_how_the_sound_is_cut():
    x = np.random.default_rng(2).standard_normal((3_000, 2)) * 0.3
    whole = envelope(x)

    for frames in (1, 7, 48, 1_023, 1_024, 2_000):
        assert np.array_equal(envelope(x, frames=frames), whole)


def test_only_what_lies_below_the_floor_may_be_left_out():
    x = np.random.default_rng(3).standard_normal((20_000, 2)) * np.linspace(0.001, 0.5, 20_000)[:, None]
    whole = envelope(x)
    floor = 0.4
    quick = envelope(x, floor=floor)

    loud = whole > floor
    assert loud.any() and not loud.all()
    assert np.array_equal(quick[loud], whole[loud])
    assert (quick[~loud] <= floor).all()


def test_a_pair_of_samples_at_either_end_peaks_between_them():
    # Two equal samples amid silence: the waveform half-way is 2 sinc(1/2) = 4 / pi, 2.1 dB above them.
    x = np.zeros((100, 1))
    x[:2] = x[-2:] = 1.0
    peaks = envelope(x)

    print(f"{peaks[0]:.4f} and {peaks[-2]:.4f}, expected {4 / np.pi:.4f} +-0.01")
    assert peaks[[0, -2]] == pytest.approx(4 / np.pi, abs=0.01)


@pytest.mark.parametrize("taps", [0, 2, 46])
def test_an_interpolator_of_odd_length_is_refused(taps):
    with pytest.raises(ValueError, match=f"multiple of 4 taps per phase, not {taps}"):
        interpolator(factor=8, taps=taps)
