"""Music that nobody here wrote, measured beside libebur128: three small packages of Debian's archive.

noiz2sa-data and torus-trooper-data (BSD licence), amoebax-data (free licences, by track).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from loudness_cases import interpolated_peak_db
from reference_meters import libebur128, range_lu

from mixrender.loudness.meter import Meter

pytestmark = [pytest.mark.accuracy, pytest.mark.network]

PACKAGES = ("noiz2sa-data", "torus-trooper-data", "amoebax-data")

RANGE_APART = {"AngusBackground": 1.65}
"""LU by which libebur128's range is too small, by its fault "grid" (`reference_meters`).

The loop of 73 s has its quiet tenth at both ends. Once a second and without silence after it, the reference
reads 1.27 LU of it once, 1.88 of it played twice and 2.25 of it played four times; ours are 2.93, 2.67, 2.61.
"""


@pytest.fixture(scope="module")
def music(tmp_path_factory) -> list[Path]:
    """The music of the packages that lasts for more than a minute."""
    folder = tmp_path_factory.mktemp("real")
    if shutil.which("apt-get") is None and not os.environ.get("CI"):
        pytest.skip("the music comes from Debian's archive, and there is no apt-get here")
    # apt-get's own user may not write into a private folder.
    folder.chmod(0o755)
    subprocess.run(["apt-get", "-qq", "download", *PACKAGES], cwd=folder, check=True, capture_output=True)
    for package in folder.glob("*.deb"):
        subprocess.run(["dpkg", "-x", str(package), str(folder / package.stem)], check=True)
    return [path for path in sorted(folder.rglob("*.ogg")) if soundfile.info(path).duration > 60.0]


def measured(path):
    """Sound of two channels, its rate, our meter after it, and what libebur128 says."""
    x, rate_hz = soundfile.read(path, always_2d=True)
    x = np.repeat(x, 2, axis=1) if x.shape[1] == 1 else x
    meter = Meter(sample_rate_hz=rate_hz)
    meter.push(x)
    return x, rate_hz, meter, libebur128(x, sample_rate_hz=rate_hz)


def exact_peak_db(x, frame):
    """True peak of the second around a frame, by the spectrum."""
    return interpolated_peak_db(x[max(frame - 20_000, 0) : frame + 20_000], times=16)


def test_loudness_range_and_peak_of_real_music_agree_with_libebur128(music):
    # Bounds: I 0.03 LU, LRA 0.5 LU over 60 s, TP 0.15 dB; where they are passed, the exact value decides.
    assert len(music) >= 10
    for path in music:
        x, rate_hz, meter, other = measured(path)
        got = meter.result()
        apart = {name: getattr(got, name) - other[name] for name in other if other[name] is not None}
        exact_db = exact_peak_db(x, round(got.true_peak_s * rate_hz))
        ours_lu = range_lu(meter.power(), readings_per_s=1, is_followed=False)
        on_its_grid_lu = ours_lu - other["loudness_range_lu"]
        from_exact_db = got.true_peak_dbtp - exact_db
        print(
            f"{path.stem}: apart by I {apart['integrated_lufs']:+.4f} LU, "
            f"LRA {apart['loudness_range_lu']:+.3f} LU (on its grid {on_its_grid_lu:+.4f}), "
            f"TP {apart['true_peak_dbtp']:+.3f} dB (from the exact value {from_exact_db:+.3f})"
        )
        assert abs(apart["integrated_lufs"]) <= 0.03
        assert abs(on_its_grid_lu) <= 0.02
        assert abs(apart["loudness_range_lu"] - RANGE_APART.get(path.stem, 0.0)) <= 0.5
        assert -0.15 <= from_exact_db <= 0.05
        assert abs(apart["true_peak_dbtp"]) <= 0.15 or other["true_peak_dbtp"] < exact_db - 0.15


def test_the_range_of_real_music_played_twice_is_nearer_to_once_than_that_of_libebur128(music):
    # Tech 3342: repeating a file must not change the result; its tolerance is 1 LU.
    ours, others = [], []
    for path in music:
        _, rate_hz, meter, other = measured(path)
        x, _ = soundfile.read(path, always_2d=True)
        x = np.repeat(x, 2, axis=1) if x.shape[1] == 1 else x
        again = Meter(sample_rate_hz=rate_hz)
        for _ in range(2):
            again.push(x)
        twice = libebur128(np.concatenate((x, x)), sample_rate_hz=rate_hz)["loudness_range_lu"]
        ours.append(abs(again.result().loudness_range_lu - meter.result().loudness_range_lu))
        others.append(abs(twice - other["loudness_range_lu"]))

    print(f"ours change by {np.mean(ours):.3f} LU, at most {max(ours):.3f}, bound 1 LU")
    print(f"libebur128's by {np.mean(others):.3f}, at most {max(others):.3f}")
    assert max(ours) <= 1.0
    assert np.mean(ours) < np.mean(others)
