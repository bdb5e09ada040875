"""pyrubberband's defects, each cured here: one regression test per defect, and what the adapter refuses."""

from __future__ import annotations

import stat
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyrubberband
import pytest
from numpy.typing import NDArray

from mixrender.audio import programs, rubberband
from mixrender.errors import InputError, ToolError

RATE_HZ = 44100
Sound = NDArray[np.float32]


def stretched(x: Sound, folder: Path, *, ratio: float = 1.03, name: str = "out") -> Sound:
    out = folder / name
    frames = rubberband.stretch(
        lambda start, stop: x[start:stop],
        key_frames=[(len(x), round(len(x) * ratio))],
        sample_rate_hz=RATE_HZ,
        out=out,
    )
    y = np.fromfile(out, dtype="<f4").reshape(-1, 2)
    assert len(y) == frames == round(len(x) * ratio)
    return y


def tone(peak: float, *, seconds: float = 1.0) -> Sound:
    sound = peak * np.sin(2.0 * np.pi * 440.0 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.stack([sound, sound], axis=1).astype(np.float32)


def level_db(x: Sound) -> float:
    """Level of the middle, away from both ends, relative to full scale."""
    middle = x[len(x) // 4 : 3 * len(x) // 4].astype(np.float64)
    return float(10.0 * np.log10(np.mean(middle**2)))


def test_sound_at_minus_100_db_survives(tmp_path: Path) -> None:
    quiet = tone(1e-5)
    change_db = level_db(stretched(quiet, tmp_path)) - level_db(quiet)
    print(f"level change of a tone at -100 dBFS {change_db:+.3f} dB, within 0.1")
    assert abs(change_db) <= 0.1


def test_sound_far_below_16_bits_keeps_its_shape(tmp_path: Path) -> None:
    # The engine takes the phase of faint sound for noise: as it is, this tone would lose its pitch.
    y = stretched(tone(1e-5), tmp_path)[10000:35000, 0].astype(np.float64)
    t = np.arange(len(y)) / RATE_HZ
    basis = np.stack([np.sin(2 * np.pi * 440.0 * t), np.cos(2 * np.pi * 440.0 * t)], axis=1)
    rest = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
    noise_db = 10.0 * np.log10(np.mean(rest**2) / np.mean(y**2))
    print(f"noise {noise_db:.1f} <= -50 dB relative to the tone")
    assert noise_db <= -50.0


@pytest.mark.parametrize("peak", [1.5, 3.0, 20.0])
def test_peaks_beyond_full_scale_survive(peak: float, tmp_path: Path) -> None:
    y = stretched(tone(peak), tmp_path)
    change_db = 20.0 * np.log10(float(np.abs(y[10000:35000]).max()) / peak)
    print(f"peak {peak}: changed by {change_db:+.3f} dB, within 0.1")
    assert abs(change_db) <= 0.1


def test_a_hot_master_keeps_its_level(tmp_path: Path) -> None:
    # Clipped noise of peak 0.99 and -9 dB RMS, band-limited: stretched peaks exceed 1, for which the program
    # by itself would lower the gain by up to 2.5 dB.
    noise = np.random.default_rng(3).standard_normal((2 * RATE_HZ, 2))
    noise = np.cumsum(noise, axis=0)
    noise -= np.apply_along_axis(lambda c: np.convolve(c, np.ones(401) / 401, mode="same"), 0, noise)
    hot = np.clip(0.36 * noise / noise.std(), -0.99, 0.99).astype(np.float32)
    y = stretched(hot, tmp_path)
    change_db = level_db(y) - level_db(hot)
    print(f"peak {np.abs(y).max():.2f} > 1, level change {change_db:+.2f} dB, within 1.0")
    assert np.abs(y).max() > 1.0
    assert abs(change_db) <= 1.0


def test_a_second_call_at_another_ratio_runs_at_that_ratio(tmp_path: Path) -> None:
    # pyrubberband keeps the first ratio in the dict of arguments; `stretched` checks the length.
    x = tone(0.5)
    lengths = [len(stretched(x, tmp_path, ratio=ratio)) for ratio in (1.05, 0.95, 1.05)]

    assert lengths == [round(len(x) * ratio) for ratio in (1.05, 0.95, 1.05)]


def test_the_same_input_gives_the_same_bytes_also_from_two_threads_at_once(tmp_path: Path) -> None:
    sounds = [tone(0.5), np.random.default_rng(5).standard_normal((RATE_HZ, 2)).astype(np.float32) / 8]
    alone = [stretched(x, tmp_path, name=f"alone{i}") for i, x in enumerate(sounds)]
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(stretched, x, tmp_path, name=f"both{i}") for i, x in enumerate(sounds)]
        together = [job.result() for job in jobs]

    for one, other in zip(alone, together, strict=True):
        assert one.tobytes() == other.tobytes()


def test_pyrubberband_itself_is_left_as_it_was(tmp_path: Path) -> None:
    before = dict(vars(pyrubberband.pyrb))
    stretched(tone(0.5), tmp_path)

    assert vars(pyrubberband.pyrb) == before


def test_nothing_but_the_output_is_left_behind(tmp_path: Path) -> None:
    stretched(tone(0.5), tmp_path)

    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    def broken(start: int, stop: int) -> Sound:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rubberband.stretch(broken, key_frames=[(1000, 1030)], sample_rate_hz=RATE_HZ, out=tmp_path / "out")

    assert list(tmp_path.iterdir()) == []


def test_nothing_to_stretch_is_refused_where_the_program_would_run_for_ever(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="strictly"):
        rubberband.stretch(
            lambda start, stop: tone(0.5)[start:stop],
            key_frames=[(0, 0)],
            sample_rate_hz=RATE_HZ,
            out=tmp_path / "out",
        )


@pytest.mark.parametrize(
    "key_frames",
    [
        [],
        [(0, 0), (44100, 45000)],
        [(1000, 1000), (1000, 1100)],
        [(2000, 2000), (1000, 2100)],
        [(2000, 2000), (3000, 2000)],
        [(1000.5, 1000), (44100, 45000)],
    ],
)
def test_a_map_that_does_not_rise_in_whole_frames_is_refused(
    key_frames: list[tuple[int, int]], tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match="key frames"):
        rubberband.stretch(
            lambda start, stop: tone(0.5)[start:stop],
            key_frames=key_frames,
            sample_rate_hz=RATE_HZ,
            out=tmp_path / "out",
        )


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_samples_that_are_not_finite_are_refused_with_their_place(value: float, tmp_path: Path) -> None:
    x = tone(0.5, seconds=2.0)
    x[70000, 1] = value
    with pytest.raises(InputError, match="not finite near frame 65536"):
        stretched(x, tmp_path)

    assert list(tmp_path.iterdir()) == []


def test_a_failing_program_is_an_error_that_quotes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _pretend(tmp_path, monkeypatch, 'sys.stderr.write("the reels are tangled\\n"); sys.exit(7)')
    with pytest.raises(ToolError, match="the reels are tangled"):
        stretched(tone(0.5), tmp_path)


def test_a_program_that_writes_no_sound_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(tmp_path, monkeypatch, "pass")
    with pytest.raises(ToolError, match="no sound"):
        stretched(tone(0.5), tmp_path)


def test_output_of_the_wrong_length_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(tmp_path, monkeypatch, "import shutil; shutil.copy(sys.argv[-2], sys.argv[-1])")
    with pytest.raises(ToolError, match="gave 44100 frames where 45423 were asked for"):
        stretched(tone(0.5), tmp_path)


def test_clipped_output_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(
        tmp_path,
        monkeypatch,
        "import numpy, soundfile\n"
        "soundfile.write(sys.argv[-1], numpy.ones((45423, 2)), 44100, subtype='FLOAT')",
    )
    with pytest.raises(ToolError, match="clipped"):
        stretched(tone(0.5), tmp_path)


def test_a_program_that_is_not_there_is_an_error_that_names_the_variable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(tmp_path / "nowhere"))
    with pytest.raises(ToolError, match="MIXRENDER_RUBBERBAND"):
        stretched(tone(0.5), tmp_path)


def test_a_program_that_hangs_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _pretend(tmp_path, monkeypatch, "import time; time.sleep(60)")
    plain = programs.run
    # Two minutes of patience are right for a render, not for a test.
    monkeypatch.setattr(programs, "run", lambda args, *, timeout_s: plain(args, timeout_s=0.5))
    with pytest.raises(ToolError, match="longer than"):
        stretched(tone(0.5), tmp_path)


def _pretend(folder: Path, monkeypatch: pytest.MonkeyPatch, body: str) -> None:
    """Put a program in rubberband's place that states a version and then does as `body` says."""
    folder = folder / "bin"
    folder.mkdir()
    script = folder / "rubberband"
    script.write_text(
        f"#!{sys.executable}\nimport sys\n"
        f"if '--version' in sys.argv:\n    print('3.9.0'); sys.exit()\n{body}\n",
        encoding="utf-8",
    )
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(script))
