"""The crossfade laws: their values, and what they do to the level of two sounds."""

import numpy as np
import pytest

from mixrender.dsp.laws import DEFAULT_LAW, LAWS, kill_law, raised_cosine, smooth

RATE_HZ = 48_000
X = np.linspace(0.0, 1.0, 4097)


def at(law, x):
    return float(LAWS[law](np.array([x]))[0])


def test_the_names_are_those_of_the_plan_and_equal_power_is_the_default():
    assert list(LAWS) == ["equal-power", "linear", "slow", "sharp", "smooth", "cut"]
    assert DEFAULT_LAW == "equal-power"


@pytest.mark.parametrize("law", LAWS)
def test_every_law_rises_from_exactly_nothing_to_exactly_all(law):
    gain = LAWS[law](X)

    assert gain[0] == 0.0
    assert gain[-1] == 1.0
    assert np.all(np.diff(gain) >= 0)
    assert np.all(np.diff(gain) > 0) or law == "cut"


def test_a_cut_is_whole_wherever_its_move_has_begun_and_its_other_side_until_the_move_is_over():
    rising, falling = LAWS["cut"](X), LAWS["cut"](1.0 - X)

    assert rising[0] == 0.0 and np.all(rising[1:] == 1.0)
    assert falling[-1] == 0.0 and np.all(falling[:-1] == 1.0)


def test_equal_power_at_a_quarter_is_0_923880_and_0_382683():
    # Computed from sin(πx/2), g_in² + g_out² = 1: constant power for unrelated signals (R. Bristow-Johnson,
    # signal-processing Q&A 14754). Bound: half of the last digit printed, 5e-7.
    errors = [abs(at("equal-power", 0.75) - 0.923880), abs(at("equal-power", 0.25) - 0.382683)]

    print(f"error {max(errors):.1e}, bound 5e-7")
    assert max(errors) < 5e-7


@pytest.mark.parametrize(
    ("law", "x", "expected"),
    [
        ("linear", 0.25, 0.25),
        ("slow", 0.25, 0.0625),
        ("slow", 0.5, 0.25),
        ("sharp", 0.25, 0.5),
        ("sharp", 0.81, 0.9),
        ("smooth", 1 / 3, 0.25),
        ("smooth", 0.5, 0.5),
        ("cut", 1e-9, 1.0),
    ],
)
def test_the_other_laws_have_their_closed_forms(law, x, expected):
    assert at(law, x) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize(
    ("law", "rho", "expected_db"),
    # Level half-way of two signals of equal power and correlation rho: g_in² + g_out² + 2 rho g_in g_out
    # (Bristow-Johnson, as above); equal gain is `linear`.
    [
        ("linear", 0.0, -3.010),
        ("linear", 0.25, -2.041),
        ("linear", 0.5, -1.249),
        ("linear", 0.75, -0.580),
        ("linear", 1.0, 0.0),
        ("equal-power", 0.0, 0.0),
        ("equal-power", 0.25, 0.969),
        ("equal-power", 0.5, 1.761),
        ("equal-power", 0.75, 2.430),
        ("equal-power", 1.0, 3.010),
    ],
)
def test_the_level_half_way_follows_the_correlation_of_the_signals(law, rho, expected_db):
    common, left, right = seeded_noise(3, 20.0)
    outgoing = np.sqrt(rho) * common + np.sqrt(1 - rho) * left
    incoming = np.sqrt(rho) * common + np.sqrt(1 - rho) * right
    half = at(law, 0.5)
    level_db = 10 * np.log10(np.mean((half * outgoing + half * incoming) ** 2))

    print(f"{law}, rho {rho}: {level_db:.4f} dB, expected {expected_db:.3f} dB, bound 0.02 dB")
    assert abs(level_db - expected_db) < 0.02


@pytest.mark.parametrize("law", LAWS)
def test_two_noises_keep_the_power_that_the_law_gives_them_in_every_second(law):
    outgoing, incoming = seeded_noise(2, 20.0)
    x = np.linspace(0.0, 1.0, len(outgoing))
    gain_in, gain_out = LAWS[law](x), LAWS[law](1.0 - x)
    mixed = gain_in * incoming + gain_out * outgoing
    windows = (-1, RATE_HZ)
    rms_db = 10 * np.log10(np.mean((mixed**2).reshape(windows), axis=1))
    expected_db = 10 * np.log10(np.mean((gain_in**2 + gain_out**2).reshape(windows), axis=1))
    worst_db = np.max(np.abs(rms_db - expected_db))

    print(f"{law}: off by at most {worst_db:.4f} dB in 1 s windows, bound 0.1 dB")
    assert worst_db < 0.1
    if law in ("equal-power", "sharp"):
        assert np.max(np.abs(expected_db)) < 1e-9


def test_one_sound_faded_linearly_into_itself_is_that_sound():
    (sound,) = seeded_noise(1, 2.0)
    x = np.linspace(0.0, 1.0, len(sound))
    error = np.max(np.abs(LAWS["linear"](x) * sound + LAWS["linear"](1.0 - x) * sound - sound))

    print(f"error {error:.1e}, bound 1e-12")
    assert error < 1e-12


@pytest.mark.parametrize("shape", [raised_cosine, kill_law, smooth])
def test_steps_kills_and_smooth_fades_are_half_a_cosine_whose_two_sides_add_to_one(shape):
    error = np.max(np.abs(shape(X) - (0.5 - 0.5 * np.cos(np.pi * X))))
    sum_error = np.max(np.abs(shape(X) + shape(1.0 - X) - 1.0))

    print(f"error {error:.1e}, of the sum {sum_error:.1e}, bound 1e-15")
    assert error < 1e-15
    assert sum_error < 1e-15
    assert shape(X)[0] == 0.0 and shape(X)[-1] == 1.0


def seeded_noise(count, duration_s):
    """Unrelated noises of exactly unit power and exactly no correlation over their whole length."""
    noise = np.random.default_rng(20).standard_normal((round(duration_s * RATE_HZ), count))
    orthogonal, _ = np.linalg.qr(noise)
    return orthogonal.T * np.sqrt(len(noise))
