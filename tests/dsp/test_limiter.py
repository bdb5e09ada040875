"""The true-peak limiter: the ceiling by other meters, what it leaves alone, how smoothly it acts.

The ceiling is measured by meters that are not the limiter's own: the standard's example, polyphase ones of 4,
8 and 16 points, and 64 points by FFT. Bounds without a source are common practice.
"""

import numpy as np
import pytest
from scipy.signal import firwin, upfirdn

from mixrender.dsp.dither import DITHER_PEAK_STEPS, dither_generator, quantise
from mixrender.dsp.limiter import PACES, Limiter, limit

RATE_HZ = 44_100
CEILING_DBTP = -1.0
BAND_LIMITED_DB = 0.05  # how far above the ceiling another meter may read, programme up to 20 kHz
FULL_BAND_DB = 0.1  # the same with any programme, and for a meter of 4 points a sample

# BS.1770-5, Annex 2: the 48-tap, 4-phase interpolator the standard gives as an example; phases 2 and 3 are 1
# and 0 reversed.
ANNEX_2_PHASES = (
    (
        0.0017089843750,
        0.0109863281250,
        -0.0196533203125,
        0.0332031250000,
        -0.0594482421875,
        0.1373291015625,
        0.9721679687500,
        -0.1022949218750,
        0.0476074218750,
        -0.0266113281250,
        0.0148925781250,
        -0.0083007812500,
    ),
    (
        -0.0291748046875,
        0.0292968750000,
        -0.0517578125000,
        0.0891113281250,
        -0.1665039062500,
        0.4650878906250,
        0.7797851562500,
        -0.2003173828125,
        0.1015625000000,
        -0.0582275390625,
        0.0330810546875,
        -0.0189208984375,
    ),
)


def to_db(level):
    return 20 * np.log10(level)


def annex_2_db(x):
    phases = [*ANNEX_2_PHASES, ANNEX_2_PHASES[1][::-1], ANNEX_2_PHASES[0][::-1]]
    return to_db(max(np.abs(np.convolve(x[:, c], h)).max() for c in range(x.shape[1]) for h in phases))


def polyphase_db(x, *, factor, taps):
    """A meter of `factor` points a sample with another window than the limiter's."""
    h = firwin(factor * taps + 1, 1 / factor, window=("kaiser", 8.0)) * factor
    return to_db(max(np.abs(upfirdn(h, x[:, c], up=factor)).max() for c in range(x.shape[1])))


def exact_db(x, *, times=64):
    """Peak of the waveform of the zero-extended sound by zero-padding the spectrum, piece by piece."""
    peak = 0.0
    hop, margin = 8_192, 2_048
    padded = np.pad(x, ((margin, margin + hop), (0, 0)))
    for start in range(0, len(x), hop):
        piece = padded[start : start + hop + 2 * margin]
        ends = np.minimum(np.arange(len(piece)) + 1, margin)
        window = np.sin(0.5 * np.pi * np.minimum(ends, ends[::-1]) / margin)[:, None] ** 2
        fine = np.fft.irfft(np.fft.rfft(piece * window, axis=0), len(piece) * times, axis=0) * times
        peak = max(peak, np.abs(fine[margin * times : (margin + hop) * times]).max())
    return to_db(peak)


def band_limited(x, *, rate_hz=RATE_HZ, low_pass_hz=20_000.0):
    """The sound between two moments of silence without what lies above a frequency."""
    x = np.pad(x, ((500, 500), (0, 0)))
    spectrum = np.fft.rfft(x, axis=0)
    spectrum[np.fft.rfftfreq(len(x), 1 / rate_hz) > low_pass_hz] = 0.0
    return np.fft.irfft(spectrum, len(x), axis=0)


def dance(*, seconds=2.0, seed=1, rate_hz=RATE_HZ):
    """A full-band synthetic programme: kick, saw bass and white hats up to half the rate."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    since_s = t % 0.476
    kick = np.sin(2 * np.pi * (50 * since_s + 8 * (1 - np.exp(-since_s * 30)))) * np.exp(-since_s * 6)
    bass = (2 * (55 * t % 1) - 1) * (since_s > 0.1)
    hats = rng.standard_normal((len(t), 2)) * np.exp(-((t + 0.238) % 0.238) * 30)[:, None]
    pads = np.stack([sum((2 * ((f * t + p) % 1) - 1) for f in (220, 277.2, 329.6)) for p in (0, 0.3)], axis=1)
    return 0.8 * kick[:, None] + 0.3 * bass[:, None] + 0.35 * hats + 0.1 * pads


def driven(x, *, over_db):
    """The sound with its sample peak `over_db` above the ceiling."""
    return x / np.abs(x).max() * 10 ** ((CEILING_DBTP + over_db) / 20)


def limited(x, **options):
    return limit(x, ceiling_dbtp=CEILING_DBTP, sample_rate_hz=options.get("rate_hz", RATE_HZ))


def noise(seed=1, seconds=1.0):
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 2))


PROGRAMMES = {
    "dance": dance,
    "noise": noise,
    "clipped": lambda: np.clip(driven(dance(seconds=1.5), over_db=13), -1, 1),
}


def require_ceiling(x, *, above_db, exact=True):
    """The bound holds for fine meters; for those of 4 points, whose short filters ripple, the wider one."""
    readings = {
        "4 points, Annex 2": (annex_2_db(x), FULL_BAND_DB),
        "4 points, 24 taps": (polyphase_db(x, factor=4, taps=24), FULL_BAND_DB),
        "8 points, 48 taps": (polyphase_db(x, factor=8, taps=48), above_db),
        "16 points, 128 taps": (polyphase_db(x, factor=16, taps=128), above_db),
    }
    if exact:
        readings["64 points, FFT"] = exact_db(x), above_db
    for meter, (reading, bound_db) in readings.items():
        print(f"{meter}: {reading:.4f} dBTP, bound {CEILING_DBTP + bound_db:.2f}")
        assert reading <= CEILING_DBTP + bound_db


@pytest.mark.parametrize("over_db", [pytest.param(3.0, marks=pytest.mark.accuracy), 9.0])
@pytest.mark.parametrize("name", PROGRAMMES)
def test_programme_up_to_20_khz_stays_under_the_ceiling_by_every_meter(name, over_db):
    x = driven(band_limited(PROGRAMMES[name]()), over_db=over_db)

    require_ceiling(limited(x), above_db=BAND_LIMITED_DB)


@pytest.mark.parametrize("over_db", [pytest.param(3.0, marks=pytest.mark.accuracy), 9.0])
@pytest.mark.parametrize("name", PROGRAMMES)
def test_programme_up_to_half_the_rate_stays_near_the_ceiling_by_polyphase_meters(name, over_db):
    # There the waveform itself is ill-defined (an ideal interpolator rings for ever), so no FFT.
    require_ceiling(limited(driven(PROGRAMMES[name](), over_db=over_db)), above_db=FULL_BAND_DB, exact=False)


@pytest.mark.parametrize("pace", PACES[1:])
@pytest.mark.parametrize("name", [*PROGRAMMES, "loud at its ends"])
def test_the_faster_paces_keep_the_ceiling_too_and_move_as_slowly_as_they_say(name, pace):
    if name in PROGRAMMES:
        x = band_limited(PROGRAMMES[name]())
    else:
        x = np.stack((shapes()[name], -0.3 * shapes()[name]), axis=1)
    x = driven(x, over_db=9.0)
    y = limit(x, ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ, pace=pace)
    require_ceiling(y, above_db=BAND_LIMITED_DB)

    heard = (np.abs(x) > 1e-4).all(axis=1)
    gain_db = to_db(np.abs(y[:, 0]) / np.where(heard, np.abs(x[:, 0]), 1.0))
    slope_db = np.abs(np.diff(gain_db))[heard[1:] & heard[:-1]].max()
    bound_db = -gain_db[heard].min() * 4 / 3 / (pace.smoothing_s * RATE_HZ)
    print(f"slope {slope_db:.4f} dB a sample, bound {bound_db:.4f}")
    assert slope_db <= bound_db


def shapes():
    n = np.arange(8_000)
    clicks = np.zeros(8_000)
    clicks[[0, 1_000, 1_001, 3_000, 7_999]] = 1.0, 1.0, -1.0, 1.0, -1.0
    burst = np.where((n > 3_000) & (n < 4_000), 1.0, 0.1)
    return {
        "a quarter of the rate at 45 degrees": np.sin(np.pi / 2 * n + np.pi / 4),
        "0.4 of the rate": np.sin(0.8 * np.pi * n),
        "clicks": clicks,
        "a square": np.where(n % 100 < 50, 1.0, -1.0),
        "loud at its ends": np.cos(2 * np.pi * 0.2 * n + 0.3) * np.abs(np.linspace(-1, 1, 8_000)),
        "a burst": burst * np.sin(0.7 * n),
    }


@pytest.mark.parametrize("name", shapes())
def test_extreme_shapes_stay_under_the_ceiling(name):
    # Band-limited where the shape is not so by itself; its ends are left as they are.
    x = np.stack((shapes()[name], -0.3 * shapes()[name]), axis=1)
    x = x if name in ("0.4 of the rate", "loud at its ends", "clicks") else band_limited(x)

    require_ceiling(
        limited(driven(x, over_db=8.0)), above_db=FULL_BAND_DB if name == "clicks" else BAND_LIMITED_DB
    )


@pytest.mark.parametrize(
    "rate_hz", [8_000, 32_000, 48_000, 96_000, pytest.param(192_000, marks=pytest.mark.accuracy)]
)
def test_the_ceiling_holds_at_other_rates(rate_hz):
    x = band_limited(
        dance(seconds=1.0, rate_hz=rate_hz), rate_hz=rate_hz, low_pass_hz=min(0.45 * rate_hz, 20_000)
    )

    require_ceiling(limited(driven(x, over_db=6.0), rate_hz=rate_hz), above_db=BAND_LIMITED_DB, exact=False)


def test_sound_below_the_ceiling_comes_out_bit_for_bit():
    x = band_limited(dance())
    x *= 10 ** ((CEILING_DBTP - 0.01 - exact_db(x)) / 20)
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
    y = np.concatenate((limiter.push(x), limiter.flush()))

    print(f"true peak {exact_db(x):.4f} dBTP, ceiling {CEILING_DBTP}: largest change {np.abs(y - x).max()}")
    assert np.array_equal(y, x)
    assert limiter.max_reduction_db == limiter.mean_reduction_db == 0.0


def test_sound_comes_out_bit_for_bit_before_and_long_after_one_peak():
    x = 0.1 * noise(2, 3.0).clip(-3, 3)
    x[40_000] = 1.2
    y = limited(x)
    changed = np.flatnonzero((y != x).any(axis=1))

    # 6 ms and the detector's half reach before; hold, release and its straight end after.
    before, after = 40_000 - changed[0], changed[-1] - 40_000
    print(f"changed from {before} frames before to {after} after, bounds 350 and 25,000")
    assert before < 350
    assert after < 25_000


def distortion_db(frequency_hz, *, over_db=6.0, pace=PACES[0]):
    """Total harmonic distortion of a limited tone in dB, from whole periods of its steady part."""
    n = np.arange(RATE_HZ * 3)
    x = 10 ** ((CEILING_DBTP + over_db) / 20) * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    y = limit(np.stack((x, x), axis=1), ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ, pace=pace)
    spectrum = np.abs(np.fft.rfft(y[RATE_HZ : 2 * RATE_HZ, 0]))
    harmonics = spectrum[2 * frequency_hz :: frequency_hz]
    return to_db(np.sqrt(np.sum(harmonics**2)) / spectrum[frequency_hz])


@pytest.mark.parametrize("frequency_hz", [30, 60, 997])
def test_a_tone_6_db_over_is_not_distorted(frequency_hz):
    got_db = distortion_db(frequency_hz)

    # Common practice, no source: what was measured of two look-ahead limiters on the tone at 60 Hz.
    print(f"distortion at {frequency_hz} Hz: {got_db:.1f} dB, bound -135 dB")
    assert got_db < -135


@pytest.mark.parametrize(("pace", "bound_db"), list(zip(PACES[1:], (-150, -90, -44), strict=True)))
def test_the_faster_paces_distort_a_bass_note_no_more_than_they_say(pace, bound_db):
    # 60 Hz, 6 dB over; -44 dB is what a common limiter without such paces has (measured of ffmpeg's).
    got_db = distortion_db(60, pace=pace)

    print(f"{pace}: {got_db:.1f} dB, bound {bound_db} dB")
    assert got_db < bound_db


def test_two_tones_6_db_over_do_not_modulate_each_other():
    # 60 Hz and 3 kHz at 4 to 1; the side tones at 3 kHz +-60 and +-120 Hz.
    n = np.arange(RATE_HZ * 3)
    x = 0.8 * np.sin(2 * np.pi * 60 * n / RATE_HZ) + 0.2 * np.sin(2 * np.pi * 3_000 * n / RATE_HZ)
    y = limited(driven(np.stack((x, x), axis=1), over_db=6.0))[RATE_HZ : 2 * RATE_HZ, 0]
    spectrum = np.abs(np.fft.rfft(y))
    got_db = to_db(np.sqrt(np.sum(spectrum[[2_880, 2_940, 3_060, 3_120]] ** 2)) / spectrum[3_000])

    # Common practice, no source: the better of two look-ahead limiters.
    print(f"intermodulation {got_db:.1f} dB, bound -178 dB")
    assert got_db < -178


@pytest.mark.parametrize("over_db", [6.0, 12.0, 18.0])
def test_the_gain_moves_slowly_and_no_lower_than_needed(over_db):
    # Bounds: 0.1 dB a sample; within 0.5 dB of the reduction that the highest peak needs.
    x = driven(band_limited(dance()), over_db=over_db) + 1e-9
    needed_db = exact_db(x) - CEILING_DBTP
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
    y = np.concatenate((limiter.push(x), limiter.flush()))
    gain_db = to_db(y[:, 0] / x[:, 0])
    slope_db = np.abs(np.diff(gain_db)).max()

    print(
        f"slope {slope_db:.4f} dB a sample, bound 0.1; reduction {limiter.max_reduction_db:.3f} dB,", end=" "
    )
    print(f"needed {needed_db:.3f}, bound +-0.5")
    assert slope_db < 0.1
    assert gain_db.max() <= 1e-9
    assert abs(limiter.max_reduction_db - needed_db) < 0.5
    assert limiter.max_reduction_db == pytest.approx(-gain_db.min(), abs=1e-6)
    assert limiter.mean_reduction_db == pytest.approx(-gain_db.mean(), abs=1e-6)


def test_the_gain_is_at_most_what_each_sample_needs():
    x = driven(dance(), over_db=9.0)
    y = limited(x)

    highest_db = to_db(np.abs(y).max())
    print(f"highest sample {highest_db:.6f} dBFS, bound {CEILING_DBTP} + 0.000001")
    assert highest_db <= CEILING_DBTP + 1e-6


def test_all_channels_get_the_same_gain():
    x = driven(dance(seconds=2.0), over_db=9.0)
    x[:, 1] *= 0.1
    y = limited(x)
    heard = (np.abs(x) > 1e-6).all(axis=1)
    difference = np.abs(y[heard, 0] / x[heard, 0] - y[heard, 1] / x[heard, 1]).max()

    print(f"gains differ by {difference:.1e}, bound 1e-14")
    assert difference < 1e-14


@pytest.mark.parametrize("frames", [0, 1, 300, 8_191, 8_192, 50_000])
def test_length_and_place_in_time_stay(frames):
    x = driven(dance(seconds=50_000 / RATE_HZ), over_db=6.0)[:frames]
    y = limited(x)

    assert y.shape == x.shape
    if frames > 1_000:
        spectrum = np.fft.rfft(x[:, 0], 2 * frames).conj() * np.fft.rfft(y[:, 0], 2 * frames)
        late = np.argmax(np.fft.irfft(spectrum))
        print(f"{frames} frames: the greatest correlation lies {late} frames late, bound 0")
        assert late == 0


def test_the_output_does_not_depend_on_how_the_sound_is_cut():
    x = driven(dance(seconds=1.0), over_db=9.0)
    whole = limited(x)

    for frames in (1, 37, 1_000, 8_192, 20_000):
        if frames == 1:
            x, whole_part = x[:9_000], limited(x[:9_000])
        else:
            x, whole_part = driven(dance(seconds=1.0), over_db=9.0), whole
        limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
        blocks = [limiter.push(x[i : i + frames]) for i in range(0, len(x), frames)]
        different = np.count_nonzero(np.concatenate([*blocks, limiter.flush()]) != whole_part)
        print(f"blocks of {frames}: {different} samples differ, bound 0")
        assert different == 0


@pytest.mark.parametrize("pace", PACES)
def test_the_output_is_the_same_each_time(pace):
    x = driven(dance(seconds=1.0), over_db=9.0)
    first, again = (limit(x, ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ, pace=pace) for _ in range(2))

    print(f"{np.count_nonzero(first != again)} samples differ, bound 0")
    assert np.array_equal(first, again) and not np.array_equal(first, x)


def test_a_second_run_changes_next_to_nothing():
    y = limited(driven(band_limited(dance()), over_db=9.0))
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
    limiter.push(y)
    limiter.flush()

    print(f"second run takes {limiter.max_reduction_db:.5f} dB, bound 0.05 dB")
    assert limiter.max_reduction_db < 0.05


@pytest.mark.parametrize("bits", [16, 24])
def test_a_dithered_file_stays_under_the_ceiling_and_clips_nothing(bits):
    # Headroom for the dither: the ceiling less 1.5 steps.
    full_scale = 2 ** (bits - 1)
    ceiling_db = to_db(10 ** (CEILING_DBTP / 20) - DITHER_PEAK_STEPS / full_scale)
    x = driven(band_limited(dance()), over_db=9.0)
    result = quantise(
        limit(x, ceiling_dbtp=ceiling_db, sample_rate_hz=RATE_HZ), bits=bits, rng=dither_generator(1)
    )
    y = result.samples / full_scale

    print(f"{result.clipped_samples} samples clipped, bound 0; ", end="")
    print(f"highest {to_db(np.abs(y).max()):.5f} dBFS, bound {CEILING_DBTP}")
    assert result.clipped_samples == 0
    assert to_db(np.abs(y).max()) <= CEILING_DBTP
    require_ceiling(y, above_db=BAND_LIMITED_DB)


@pytest.mark.parametrize("frames", [1_000, 8_192, 100_000])
def test_the_reduction_is_told_for_each_tenth_of_a_second(frames):
    # Two bursts 6 and 3 dB over amid quiet sound: 0.60 to 0.65 s, 2.02 to 2.03 s.
    x = 0.01 * noise(3, 2.55).clip(-3, 3)
    t = np.arange(len(x)) / RATE_HZ
    for start_s, end_s, over_db in ((0.6, 0.65, 6.0), (2.02, 2.03, 3.0)):
        inside = (t >= start_s) & (t < end_s)
        x[inside] = 10 ** ((CEILING_DBTP + over_db) / 20) * np.sin(2 * np.pi * 1_000 * t[inside])[:, None]
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
    y = np.concatenate(
        [*(limiter.push(x[i : i + frames]) for i in range(0, len(x), frames)), limiter.flush()]
    )
    told_db = limiter.reductions_db()
    gain_db = to_db(np.abs(y[:, 0]) / np.abs(x[:, 0]))
    seen_db = [-np.nanmin(gain_db[round(i * 4_410) : round((i + 1) * 4_410)]) for i in range(26)]

    print(f"{np.round(told_db, 2)} dB, largest difference {np.abs(told_db - seen_db).max():.1e}, bound 1e-5")
    assert told_db.shape == (26,) and told_db.dtype == np.float32
    assert told_db == pytest.approx(seen_db, abs=1e-5)
    assert not told_db[:5].any() and told_db[[6, 20]] == pytest.approx([6.0, 3.0], abs=0.1)


def test_memory_held_back_is_bounded():
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, sample_rate_hz=RATE_HZ)
    held = 0
    for _ in range(50):
        held += 1_000 - len(limiter.push(np.full((1_000, 2), 0.1)))
        assert held < 9_000
