"""Music that nobody here wrote: analysed, mixed and measured.

The tracks are the background music of Debian's package noiz2sa-data (BSD licence), fetched from Debian's
archive. Their tempos are known from measurement only: 124, 130 and 148 BPM (no source).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.plan.load import load_plan

pytestmark = [pytest.mark.accuracy, pytest.mark.network]

PACKAGE = "noiz2sa-data"
TEMPOS_BPM = {"stg4": 124.0, "stg1": 130.0, "stg2": 148.0}


@pytest.fixture(scope="module")
def music(tmp_path_factory) -> Path:
    """The folder of the package's music."""
    folder = tmp_path_factory.mktemp("real")
    if shutil.which("apt-get") is None and not os.environ.get("CI"):
        pytest.skip("the music comes from Debian's archive, and there is no apt-get here")
    # apt-get's own user may not write into a private folder.
    folder.chmod(0o755)
    subprocess.run(["apt-get", "-qq", "download", PACKAGE], cwd=folder, check=True, capture_output=True)
    (package,) = folder.glob("*.deb")
    subprocess.run(["dpkg", "-x", str(package), str(folder / "files")], check=True)
    return folder / "files" / "usr" / "share" / "games" / "noiz2sa" / "sounds"


@pytest.fixture(scope="module")
def cache(tmp_path_factory) -> Cache:
    return Cache(tmp_path_factory.mktemp("cache"))


@pytest.mark.parametrize(("name", "tempo_bpm"), TEMPOS_BPM.items())
def test_tempo_and_grid_of_real_tracks(music, cache, name, tempo_bpm):
    facts = api.analyze(music / f"{name}.ogg", cache=cache)

    print(f"{name}: {facts.grid.tempo_bpm:.4f} BPM, bar 1 at {facts.grid.bar_1_s:.4f} s, {facts.key}")
    assert facts.grid.kind == "steady"
    assert abs(facts.grid.tempo_bpm / tempo_bpm - 1) <= 0.0005  # 0.05 %


@pytest.mark.parametrize("name", TEMPOS_BPM)
def test_loudness_of_real_tracks_agrees_with_two_reference_libraries(music, cache, name):
    # pyebur128 binds libebur128; pyloudnorm's default K filter reads 0.03 to 0.05 LU low at these rates.
    file = music / f"{name}.ogg"
    sound, rate_hz = soundfile.read(file, always_2d=True)
    stereo = np.repeat(sound, 2, axis=1) if sound.shape[1] == 1 else sound
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(stereo).reshape(-1), len(stereo))
    reference_lufs = pyebur128.get_loudness_global(state)
    reference_dbtp = 20 * np.log10(max(pyebur128.get_true_peak(state, channel) for channel in (0, 1)))

    ours = api.analyze(file, cache=cache).loudness

    loudnorm_lufs = pyloudnorm.Meter(rate_hz).integrated_loudness(stereo)
    print(
        f"{name}: {ours.integrated_lufs:.3f} LUFS, libebur128 {reference_lufs:.3f}, "
        f"pyloudnorm {loudnorm_lufs:.3f}; {ours.true_peak_dbtp:.3f} dBTP, libebur128 {reference_dbtp:.3f}"
    )
    assert abs(ours.integrated_lufs - reference_lufs) <= 0.03  # LU
    assert abs(ours.integrated_lufs - loudnorm_lufs) <= 0.1  # LU
    assert abs(ours.true_peak_dbtp - reference_dbtp) <= 0.15  # dB
    assert abs(ours.loudness_range_lu - pyebur128.get_loudness_range(state)) <= 0.5  # LU


def test_two_lines_make_a_mix_of_real_tracks(music, cache, tmp_path):
    plan_file = tmp_path / "two-lines.yaml"
    plan_file.write_text(f"tracks: [{music}/stg4.ogg, {music}/stg1.ogg]\nloudness: -16 LUFS\n")

    result = api.render(load_plan(plan_file), tmp_path / "out", cache=cache)

    offset = result.transitions[0].beat_offset
    print(f"beat offset {offset}; {result.loudness.integrated_lufs:.2f} LUFS")
    assert offset is not None and offset.beats >= 8
    # The tracks' sounds differ: a kick's attack is found some ms after its score (no source).
    assert abs(offset.median) <= 8.0  # ms
    assert abs(result.loudness.integrated_lufs + 16.0) <= 0.1  # LU
    sound, rate_hz = soundfile.read(tmp_path / "out" / "mix.flac")
    assert abs(pyloudnorm.Meter(rate_hz).integrated_loudness(sound) + 16.0) <= 0.2  # LU
