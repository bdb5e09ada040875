"""The options of `render` that decide the file, as a user meets them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import mutagen
import numpy as np
import pytest
import soundfile

Run = Callable[..., "subprocess.CompletedProcess[str]"]
RATE_HZ = 44100


@pytest.fixture(scope="module")
def music(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two tracks of dense noise bursts, loud enough for a codec to lift their peaks."""
    folder = tmp_path_factory.mktemp("music")
    for name, seed in (("ferry", 1), ("lantern", 2)):
        rng = np.random.default_rng(seed)
        t = np.arange(8 * 4 * RATE_HZ // 2) / RATE_HZ
        sound = np.exp(-(t * 2 % 1) * 6)[:, None] * np.tanh(rng.standard_normal((len(t), 2)) * 2)
        soundfile.write(folder / f"{name}.flac", 0.98 * sound, RATE_HZ)
    return folder


@pytest.fixture
def plan(music: Path, tmp_path: Path) -> Path:
    file = tmp_path / "night.yaml"
    file.write_text(
        f"""title: Night Ferry
tracks:
  ferry: {{file: {music}/ferry.flac, title: Ferry, artist: Quay, grid: {{tempo: 120 BPM, bar_1: 0 s}}}}
  lantern: {{file: {music}/lantern.flac, grid: {{tempo: 120 BPM, bar_1: 0 s}}}}
transitions:
  - {{from: ferry, to: lantern, leave: 5, enter: 1, overlap: 2 bars}}
""",
        encoding="utf-8",
    )
    return file


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    cache = tmp_path_factory.mktemp("cache")

    def run(*args: object, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "mixrender", *map(str, args)],
            env=os.environ | {"MIXRENDER_CACHE": str(cache)} | environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )

    return run


def test_options_take_the_place_of_what_the_plan_writes(run: Run, plan: Path) -> None:
    plan.write_text(plan.read_text() + "output: {format: mp3, bitrate: 128 kbit/s}\n")
    done = run("render", plan, "--format", "wav", "--bits", "16", "--rate", "48 kHz")

    info = soundfile.info(plan.with_suffix("") / "mix.wav")
    report = json.loads((plan.with_suffix("") / "report.json").read_text())
    assert done.returncode == 0, done.stderr
    assert (info.subtype, info.samplerate) == ("PCM_16", 48_000)
    assert report["before_encoding"] is None and report["correction"] is None
    assert "ffmpeg" not in report["versions"]


@pytest.mark.parametrize("only", [True, False])
def test_clips_and_mix_have_the_format_and_the_rate_that_it_has(run: Run, plan: Path, only: bool) -> None:
    plan.write_text(plan.read_text() + "output: {format: m4a, bitrate: 128 kbit/s}\n")
    done = run("preview", plan, "--lead", "1", "--tail", "1") if only else run("render", plan)

    file = plan.with_suffix("") / ("01-ferry-lantern.m4a" if only else "mix.m4a")
    report = json.loads((plan.with_suffix("") / "report.json").read_text())
    assert done.returncode == 0, done.stderr
    assert mutagen.File(file).info.codec == "mp4a.40.2"
    assert report["versions"]["ffmpeg"]
    assert (report["before_encoding"] is None) == only


def test_a_lossy_mix_reports_both_sets_of_figures_and_is_fixed(run: Run, plan: Path) -> None:
    folder = plan.with_suffix("")
    plain = run("render", plan, "--format", "opus", "--bitrate", "96")
    before = json.loads((folder / "report.json").read_text())
    fixed = run("render", plan, "--format", "opus", "--bitrate", "96", "--fix")
    after = json.loads((folder / "report.json").read_text())

    peaks = [x["mix"]["true_peak_dbtp"] for x in (before, after)]
    print(f"{peaks[0]:.2f} dBTP, fixed {peaks[1]:.2f} dBTP (bound -0.95); {plain.stderr}; {fixed.stderr}")
    assert plain.returncode == fixed.returncode == 0
    assert before["mix"]["sample_rate_hz"] == 48_000
    assert "Opus cannot have the 44100 Hz of the tracks: the mix is made at 48000 Hz" in plain.stderr
    assert set(before["before_encoding"]) <= set(before["mix"])
    assert before["before_encoding"]["true_peak_dbtp"] <= -0.99 < -0.95 < peaks[0]
    assert "more head-room; `render --fix` gives it what it needs" in plain.stderr
    assert "before encoding" in plain.stdout
    assert peaks[1] <= -0.95
    assert after["correction"]["rounds"] >= 1
    assert after["before_encoding"]["true_peak_dbtp"] == pytest.approx(
        after["correction"]["true_peak_dbtp"], abs=0.05
    )
    assert "the Opus was made once more" in fixed.stderr


def test_a_mix_has_its_tracks_as_chapters(run: Run, plan: Path) -> None:
    done = run("render", plan)

    tags = mutagen.File(plan.with_suffix("") / "mix.flac")
    assert done.returncode == 0, done.stderr
    assert tags["title"] == ["Night Ferry"]
    assert (tags["chapter000"], tags["chapter000name"]) == (["00:00:00.000"], ["Quay – Ferry"])
    assert (tags["chapter001"], tags["chapter001name"]) == (["00:00:08.000"], ["lantern"])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--format", "ogg"), "--format: found `ogg`; write `flac`, `wav`, `aiff`, `mp3`, `opus`, `vorbis`"),
        (("--format", "opus", "--rate", "44100"), "--rate: Opus cannot have 44100 Hz; write 48000"),
        (("--bits", "float"), "--bits: FLAC holds whole numbers only"),
        (("--bitrate", "192"), "--bitrate: FLAC has no bit rate to choose"),
        (("--format", "mp3", "--bitrate", "200"), "--bitrate: MP3 cannot have 200 kbit/s; write 64, 80"),
        (
            ("--format", "mp3", "--bitrate", "loud"),
            "--bitrate: found `loud`; write a bit rate such as `256 kbit/s`",
        ),
        (("--rate", "44.1 Hz"), "--rate: found `44.1 Hz`"),
    ],
)
def test_an_option_that_cannot_be_had_is_status_2_with_the_way_out(
    run: Run, plan: Path, options: tuple[str, ...], words: str
) -> None:
    done = run("render", plan, *options)

    assert done.returncode == 2
    assert words in done.stderr and len(done.stderr.splitlines()) == 1
    assert not plan.with_suffix("").exists()


def test_m4a_without_ffmpeg_is_status_3_with_how_to_install_it(run: Run, plan: Path) -> None:
    done = run("render", plan, "--format", "m4a", MIXRENDER_FFMPEG="/nonexistent/ffmpeg")

    assert done.returncode == 3
    assert "apt install" in done.stderr and "Traceback" not in done.stderr
    assert not plan.with_suffix("").exists()


def test_without_pictures_those_of_an_earlier_render_are_gone_and_nothing_else(
    run: Run, plan: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "loudness.png").write_bytes(b"\x89PNG, Software: mixrender")
    (out / "loudness.svg").write_bytes(b"<svg>by somebody else</svg>")
    (out / "cover.png").write_bytes(b"\x89PNG, Software: mixrender")

    assert run("render", plan, "-o", out, "--quiet", "--no-pictures").returncode == 0

    left = {file.name for file in out.iterdir()}
    assert left == {"mix.flac", "mix.html", "report.json", "loudness.csv", "loudness.svg", "cover.png"}
    assert (out / "loudness.svg").read_bytes() == b"<svg>by somebody else</svg>"
