"""Memory does not grow with the mix, and what was stretched once is not stretched again."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.plan.load import load_plan

RATE_HZ = 44100

CHILD = """
import json, re, sys
from pathlib import Path
from mixrender import load_plan, render
result = render(load_plan(sys.argv[1]), sys.argv[2])
# Of this program alone: getrusage would count the process that started it too.
peak_mb = int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) / 1024
print(json.dumps({"peak_mb": peak_mb, "mix_s": result.loudness.duration_s}))
"""


def beats(path: Path, bpm: float, *, minutes: float, seed: int) -> Path:
    """Noise bursts on every beat over a soft tone."""
    rng = np.random.default_rng(seed)
    n = round(minutes * 60 * RATE_HZ)
    sound = 0.05 * np.sin(2 * np.pi * 220 * np.arange(n) / RATE_HZ)
    burst = 0.4 * rng.normal(size=3000) * np.exp(-np.arange(3000) / 400)
    for start in np.arange(0, n - 3000, 60 / bpm * RATE_HZ):
        sound[round(start) : round(start) + 3000] += burst
    soundfile.write(path, np.column_stack([sound, sound]), RATE_HZ, subtype="PCM_16")
    return path


def plan_of(folder: Path, tracks: int, *, top: str = "", rest: str = "") -> Path:
    """A plan that plays two files in turn."""
    lines = [top, "tracks:"]
    for i in range(tracks):
        name, bpm = (("a", 124), ("b", 126))[i % 2]
        lines.append(f"  t{i}: {{file: {folder}/{name}.wav, grid: {{tempo: {bpm} BPM, bar_1: 0 s}}}}")
    plan = folder / f"plan-{tracks}.yaml"
    plan.write_text("\n".join([*lines, rest]) + "\n", encoding="utf-8")
    return plan


@pytest.mark.accuracy
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is asked of Linux")
def test_memory_does_not_grow_with_the_mix(tmp_path):
    beats(tmp_path / "a.wav", 124, minutes=3, seed=1)
    beats(tmp_path / "b.wav", 126, minutes=3, seed=2)
    figures = []
    for tracks in (3, 14):
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(plan_of(tmp_path, tracks)), str(tmp_path / f"out-{tracks}")],
            env=os.environ | {"MIXRENDER_CACHE": str(tmp_path / f"cache-{tracks}")},
            check=True,
            capture_output=True,
            text=True,
        )
        figures.append(json.loads(done.stdout))
    short, long = figures
    for figure in figures:
        print(f"{figure['mix_s'] / 60:.0f} min: peak {figure['peak_mb']:.0f} MB")

    assert long["mix_s"] > 3.5 * short["mix_s"]
    assert long["peak_mb"] <= 1.15 * short["peak_mb"]
    assert long["peak_mb"] <= 700  # MB


def test_changing_a_move_stretches_nothing_again(tmp_path, monkeypatch):
    beats(tmp_path / "a.wav", 124, minutes=0.6, seed=1)
    beats(tmp_path / "b.wav", 126, minutes=0.6, seed=2)
    cache = Cache(tmp_path / "cache")
    joint = (
        "transitions: [{from: t0, to: t1, leave: 9, enter: 1, overlap: 4 bars, moves: {t0: {high: {0: %s}}}}]"
    )
    before = api.render(load_plan(plan_of(tmp_path, 2, rest=joint % "0 dB")), tmp_path / "out", cache=cache)
    stretched = set((tmp_path / "cache" / "stretched").rglob("*.f32"))

    # From here on a call of the stretcher would be seen.
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", str(Path(__file__).parent))
    monkeypatch.setattr("mixrender.audio.rubberband.stretch", lambda *a, **k: pytest.fail("stretched again"))
    monkeypatch.setattr("mixrender.audio.rubberband.program_version", lambda: before.versions["rubberband"])
    after = api.render(load_plan(plan_of(tmp_path, 2, rest=joint % "-6 dB")), tmp_path / "out", cache=cache)

    assert len(stretched) == 2
    assert set((tmp_path / "cache" / "stretched").rglob("*.f32")) == stretched
    assert after.loudness.integrated_lufs != before.loudness.integrated_lufs
