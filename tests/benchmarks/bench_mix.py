"""Time and memory of whole mixes, beside what `rubberband` alone needs for the same stretched spans.

    python tests/benchmarks/bench_mix.py [--minutes 60] [--hold]

Renders a mix of the demo's tracks (repeated to some five minutes each) of about 10 and of the asked number of
minutes, each in a process of its own with an empty cache, and prints the wall time, the peak memory, and the
ratios. `--hold` keeps one tempo, so that nearly everything is stretched.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from mixrender.demo.tracks import SCORES, make_tracks, track_path

HOUSE = [score for score in SCORES if 120 <= score.tempo_bpm <= 135]
REPEATS = 2

CHILD = """
import json, resource, sys, time
from pathlib import Path
from mixrender.api import load_plan, render
begun = time.perf_counter()
result = render(load_plan(Path(sys.argv[1])), Path(sys.argv[2]))
print(json.dumps({
    "wall_s": time.perf_counter() - begun,
    "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    "mix_s": result.loudness.duration_s,
}))
"""


def long_tracks(folder: Path) -> list[Path]:
    """The demo's house tracks, their bars played twice over."""
    make_tracks(folder, scores=HOUSE)
    files = []
    for score in HOUSE:
        sound, rate_hz = soundfile.read(track_path(folder, score), dtype="float32")
        first = round(score.bar_1_s * rate_hz)
        body = sound[first : first + round(score.bars * 240 / score.tempo_bpm * rate_hz)]
        file = folder / f"long-{score.name}.flac"
        soundfile.write(file, np.concatenate([sound[:first], *[body] * REPEATS]), rate_hz, subtype="PCM_24")
        files.append(file)
    return files


def write_plan(folder: Path, files: list[Path], *, minutes: float, hold: bool) -> Path:
    """A plan of about `minutes` minutes with the default transitions, its grids given."""
    lines = ["loudness: {integrated: -12 LUFS, true_peak: -1 dBTP}"]
    lines += ["tempo: 126 BPM"] if hold else []
    lines.append("tracks:")
    length_s, i = 0.0, 0
    while length_s < minutes * 60:
        score, file = HOUSE[i % len(HOUSE)], files[i % len(HOUSE)]
        grid = f"{{tempo: {score.tempo_bpm} BPM, bar_1: {score.bar_1_s} s}}"
        lines.append(f"  t{i}: {{file: {file.name}, grid: {grid}}}")
        length_s += (score.bars * REPEATS - 16) * 240 / score.tempo_bpm
        i += 1
    plan = folder / f"plan-{minutes:g}.yaml"
    plan.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return plan


def measured(plan: Path, folder: Path) -> dict[str, float]:
    """Render a plan in a new process with an empty cache."""
    cache = folder / f"cache-{plan.stem}"
    environment = os.environ | {"MIXRENDER_CACHE": str(cache)}
    command = [sys.executable, "-c", CHILD, str(plan), str(folder / f"out-{plan.stem}")]
    done = subprocess.run(command, env=environment, check=False, capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    figures["stretched_s"] = sum(p.stat().st_size for p in cache.glob("stretched/*/*.f32")) / 8 / 44100
    return figures


def rubberband_alone(seconds: float, file: Path, folder: Path) -> float:
    """Wall time of the program for that much sound, two processes at once as a render runs them."""
    sound, rate_hz = soundfile.read(file, dtype="float32", frames=44100 * 60)
    source = folder / "minute.wav"
    soundfile.write(source, sound * 0.25, rate_hz, subtype="FLOAT")
    begun = time.perf_counter()
    pair = [
        subprocess.Popen(
            [
                "rubberband",
                "-q",
                "-3",
                "--centre-focus",
                "-t",
                "0.98",
                str(source),
                str(folder / f"o{k}.wav"),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for k in range(2)
    ]
    for child in pair:
        child.wait()
    return (time.perf_counter() - begun) * seconds / 120.0


def main() -> None:
    """Run both mixes and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--hold", action="store_true", help="hold one tempo: nearly everything is stretched")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-mix-") as name:
        folder = Path(name)
        files = long_tracks(folder)
        short = measured(write_plan(folder, files, minutes=10, hold=options.hold), folder)
        full = measured(write_plan(folder, files, minutes=options.minutes, hold=options.hold), folder)
        alone_s = rubberband_alone(full["stretched_s"], files[0], folder)
    for label, figures in (("short", short), ("full", full)):
        print(
            f"{label:5}  mix {figures['mix_s'] / 60:5.1f} min  wall {figures['wall_s']:6.1f} s  "
            f"({figures['mix_s'] / figures['wall_s']:.1f}x real time)  peak {figures['peak_mb']:.0f} MB  "
            f"stretched {figures['stretched_s']:.0f} s"
        )
    print(f"peak memory, full to short: {full['peak_mb'] / short['peak_mb']:.3f}")
    ratio = full["wall_s"] / alone_s
    print(f"rubberband alone for the same spans: {alone_s:.1f} s; wall time to that: {ratio:.2f}")


if __name__ == "__main__":
    main()
