"""The master of a synthetic club programme: loudness reached, true peak kept, reduction told of."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyebur128
import pytest

from mixrender.dsp.limiter import PACES
from mixrender.errors import PlanError
from mixrender.facts import Loudness
from mixrender.loudness.meter import measure
from mixrender.mixdown.chain import MasterChain, Mastering, Setting
from mixrender.mixdown.master import MEAN_REDUCTION_WARN_DB, MasterFinder, limiter_warning
from mixrender.plan.load import parse_plan
from mixrender.progress import NoProgress
from mixrender.units import FloatArray

RATE_HZ = 44_100
TARGET_LU = 0.1
NONE = np.zeros(0, np.float32)


def club(*, seconds: float, kick_level: float = 0.9, low_pass_hz: float = 20_000.0) -> FloatArray:
    """Kick on every beat, a bass between, chords that duck, hats and claps: 126 BPM, -2 dBFS, not limited."""
    rng = np.random.default_rng(1)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    beat = t * 126 / 60
    since_s = beat % 1 * 60 / 126
    kick = np.sin(2 * np.pi * (48 * since_s + 5 * (1 - np.exp(-since_s * 40)))) * np.exp(-since_s * 9)
    duck = 1 - 0.8 * np.exp(-since_s * 10)
    bass = sum(np.sin(2 * np.pi * 55 * k * t) / k for k in range(1, 8)) * duck
    hat = np.exp(-14 * ((beat + 0.5) % 1))[:, None] * rng.uniform(-1, 1, (len(t), 2))
    clap = np.exp(-9 * ((beat + 1) % 2))[:, None] * rng.uniform(-1, 1, (len(t), 2))
    chords = np.stack(
        [sum(2 * ((f * t + p) % 1) - 1 for f in (220.0, 261.6, 329.6, 440.0)) for p in (0.0, 0.37)], axis=1
    )
    x = (
        kick_level * kick[:, None]
        + 0.2 * bass[:, None]
        + 0.12 * hat
        + 0.15 * clap
        + 0.16 * chords * duck[:, None]
    )
    spectrum = np.fft.rfft(x, axis=0)
    spectrum[np.fft.rfftfreq(len(x), 1 / RATE_HZ) > low_pass_hz] = 0.0
    x = np.fft.irfft(spectrum, len(x), axis=0)
    return np.asarray(x * 10 ** (-2 / 20) / np.abs(x).max())


def mastered(x: FloatArray, text: str, *, bits: int = 24) -> tuple[Mastering, FloatArray]:
    plan = parse_plan(f"tracks: [a.wav, b.wav]\noutput: {{bits: {bits}}}\n{text}\n")

    def blocks() -> Iterable[FloatArray]:
        return (x[i : i + 50_000] for i in range(0, len(x), 50_000))

    finder = MasterFinder(blocks, frames=len(x), sample_rate_hz=RATE_HZ, progress=NoProgress())
    found = finder.find(plan)
    print(f"{finder.passes} passes")
    chain = MasterChain(found.setting, sample_rate_hz=RATE_HZ)
    return found, np.concatenate(list(chain.run(blocks())))


def warned(found: Mastering, target_lufs: float) -> str:
    """What is said of a master whose file is as loud as itself."""
    lufs = found.loudness.integrated_lufs
    assert lufs is not None
    return limiter_warning(found, searched_lufs=target_lufs, asked_lufs=target_lufs, reached_lufs=lufs)


def libebur128_lufs(x: FloatArray) -> float:
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(x).reshape(-1), len(x))
    return float(pyebur128.get_loudness_global(state))


@pytest.mark.parametrize("target_lufs", [-23.0, -14.0, -9.0])
def test_the_loudness_is_reached_and_the_true_peak_kept(target_lufs: float) -> None:
    x = club(seconds=12)
    before = measure(x, sample_rate_hz=RATE_HZ)
    found, y = mastered(x, f"loudness: {target_lufs} LUFS")
    after = measure(y, sample_rate_hz=RATE_HZ)
    other_lufs = libebur128_lufs(y)

    print(
        f"before {before.integrated_lufs:.2f} LUFS, {before.true_peak_dbtp:.2f} dBTP; target {target_lufs}:"
    )
    print(f"{after.integrated_lufs:.3f}, libebur128 {other_lufs:.3f} LUFS, bound +-{TARGET_LU} LU;", end=" ")
    print(
        f"true peak {after.true_peak_dbtp:.3f}, bound -0.95 dBTP; reduction {found.max_reduction_db:.1f} dB,"
    )
    print(f"{found.mean_reduction_db:.2f} dB on average, pace {PACES.index(found.setting.pace) + 1} of 4")
    assert after == found.loudness
    assert after.integrated_lufs == pytest.approx(target_lufs, abs=TARGET_LU)
    assert other_lufs == pytest.approx(target_lufs, abs=TARGET_LU)
    assert after.true_peak_dbtp is not None and after.true_peak_dbtp <= -0.95
    assert y.shape == x.shape


def test_the_slowest_pace_is_kept_where_it_takes_little_away() -> None:
    found, _ = mastered(club(seconds=8), "loudness: -9 LUFS")

    print(f"reduction {found.max_reduction_db:.2f} dB, {found.mean_reduction_db:.2f} on average, bound 2 dB")
    assert found.max_reduction_db > 1.0
    assert found.setting.pace == PACES[0]
    assert found.mean_reduction_db <= MEAN_REDUCTION_WARN_DB


@pytest.mark.accuracy
def test_a_faster_pace_takes_less_away_for_the_same_loudness() -> None:
    x = club(seconds=12, kick_level=2.0)
    found, _ = mastered(x, "loudness: -10 LUFS")
    slow = MasterChain(Setting(found.setting.gain_db, -1.0), sample_rate_hz=RATE_HZ)
    slow_lufs = measure(np.concatenate(list(slow.run([x]))), sample_rate_hz=RATE_HZ).integrated_lufs

    assert found.setting.pace != PACES[0]
    assert found.loudness.integrated_lufs is not None and slow_lufs is not None
    print(f"pace {PACES.index(found.setting.pace) + 1}: mean {found.mean_reduction_db:.2f} dB,", end=" ")
    print(
        f"{found.loudness.integrated_lufs:.2f} LUFS; slow: {slow.mean_reduction_db:.2f} dB, {slow_lufs:.2f}"
    )
    assert found.mean_reduction_db < slow.mean_reduction_db
    assert found.loudness.integrated_lufs > slow_lufs


def test_much_reduction_is_done_and_warned_of_with_its_figures() -> None:
    # Warned of above 6 dB at once or 2 dB on average: common practice, no source.
    found, _ = mastered(club(seconds=6, kick_level=3.0), "loudness: -10 LUFS")
    warning = warned(found, -10.0)

    print(warning)
    assert found.max_reduction_db > 6.0
    assert f"up to {found.max_reduction_db:.1f} dB" in warning
    assert f"{found.mean_reduction_db:.1f} dB on average" in warning
    assert "to reach -10 LUFS" in warning


def test_little_reduction_is_not_warned_of() -> None:
    x = club(seconds=6)
    peak_dbtp = measure(x, sample_rate_hz=RATE_HZ).true_peak_dbtp
    loud_lufs = measure(x, sample_rate_hz=RATE_HZ).integrated_lufs
    assert peak_dbtp is not None and loud_lufs is not None
    target_lufs = round(loud_lufs - 1 - peak_dbtp + 1.5, 2)
    found, _ = mastered(x, f"loudness: {target_lufs:.2f} LUFS")

    print(f"reduction {found.max_reduction_db:.2f} dB, bound 1.4 to 2.5 dB: 1.5, and what that costs")
    assert 1.4 <= found.max_reduction_db <= 2.5
    assert warned(found, target_lufs) == ""


def test_what_no_limiter_should_do_is_missed_and_the_most_is_20_db() -> None:
    found, _ = mastered(club(seconds=6), "loudness: -3 LUFS")

    assert found.loudness.integrated_lufs is not None
    print(f"{found.loudness.integrated_lufs:.2f} LUFS, reduction {found.max_reduction_db:.2f} dB, bound 20.1")
    assert found.loudness.integrated_lufs < -3.2
    assert 6.0 < found.max_reduction_db <= 20.1
    assert "on the way to -3 LUFS" in warned(found, -3.0)


def test_what_is_said_to_be_the_most_can_be_had() -> None:
    x = club(seconds=6)
    warning = warned(mastered(x, "loudness: -3 LUFS")[0], -3.0)
    offered_lufs = float(warning.split("ask for ")[1].split(" LUFS or less")[0])
    found, _ = mastered(x, f"loudness: {offered_lufs} LUFS")

    print(f"{warning}: {found.loudness.integrated_lufs:.2f} LUFS, bound +-{TARGET_LU} LU")
    assert found.loudness.integrated_lufs == pytest.approx(offered_lufs, abs=TARGET_LU)
    assert "ask for" not in warned(found, offered_lufs)


def test_a_warning_names_what_the_plan_asks_for_and_what_the_file_has() -> None:
    """A codec takes something: the master is then searched for another loudness than the plan's."""
    loudness = Loudness(60.0, integrated_lufs=-8.946, true_peak_dbtp=-1.5)
    found = Mastering(Setting(9.0, -1.5), loudness, 7.0, 2.5, NONE, NONE)
    told = limiter_warning(found, searched_lufs=-8.94635, asked_lufs=-9.0, reached_lufs=-9.03)
    missed = limiter_warning(found, searched_lufs=-6.94635, asked_lufs=-7.0, reached_lufs=-9.03)

    print(told, missed, sep="\n")
    assert "to reach -9 LUFS; a lower target" in told
    near = limiter_warning(found, searched_lufs=-8.7, asked_lufs=-9.0, reached_lufs=-9.12)
    assert "to reach -9 LUFS" in near and "ask for" not in near
    assert missed.endswith("on the way to -7 LUFS, and reaches -9.0; ask for -9.0 LUFS or less")


@pytest.mark.parametrize("bits", [16, 24])
def test_a_target_that_needs_the_limiter_is_refused_without_it_and_what_is_offered_can_be_had(
    bits: int,
) -> None:
    x = club(seconds=5)
    with pytest.raises(PlanError) as fault:
        mastered(x, "limiter: false\nloudness: -9 LUFS", bits=bits)
    message = str(fault.value)
    before = measure(x, sample_rate_hz=RATE_HZ)
    assert before.true_peak_dbtp is not None and before.integrated_lufs is not None
    over_db = before.true_peak_dbtp - 9.0 - before.integrated_lufs + 1.0

    print(message)
    assert fault.value.exit_status == 2
    assert f"{over_db:.1f} dB over -1 dBTP" in message and "or allow it" in message
    offered_lufs = float(message.split("ask for ")[1].split(" LUFS")[0])
    found, y = mastered(x, f"limiter: false\nloudness: {offered_lufs} LUFS", bits=bits)
    after = measure(y, sample_rate_hz=RATE_HZ)
    print(f"{offered_lufs} LUFS: {after.integrated_lufs:.3f} LUFS, {after.true_peak_dbtp:.3f} dBTP, bound -1")
    assert after.integrated_lufs == pytest.approx(offered_lufs, abs=TARGET_LU)
    assert after.true_peak_dbtp is not None and after.true_peak_dbtp <= -1.0 + 1e-6
    assert found.max_reduction_db == 0.0 and found.setting.ceiling_dbtp is None
    gain = 10 ** (found.setting.gain_db / 20)
    assert np.array_equal(y, x * gain)


def test_the_reduction_over_time_is_that_of_the_figures() -> None:
    x = club(seconds=6)
    x[: 3 * RATE_HZ] *= 0.1
    found, _ = mastered(x, "loudness: -9 LUFS")
    figures = found.figures()
    series_db = figures.gain_reduction_db

    print(f"{len(series_db)} tenths, greatest {series_db.max():.2f} dB, quiet {series_db[:29].max():.2f} dB")
    assert len(series_db) == 60
    assert series_db.max() == figures.max_gain_reduction_db > 1.0
    assert not series_db[:29].any()
    assert figures.mean_gain_reduction_db <= series_db.mean()
    assert len(mastered(x, "")[0].figures().gain_reduction_db) == 0
