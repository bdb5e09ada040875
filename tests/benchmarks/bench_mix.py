"""Time and memory of whole mixes, beside what `rubberband` alone needs for the same stretched spans.

    python tests/benchmarks/bench_mix.py [--minutes 60] [--hold] [--effects]

Renders a mix of the demo's tracks (repeated to some five minutes each) of about 10 and of the asked number of
minutes, each in a process of its own with an empty cache, and prints the wall time, the peak memory, and the
ratios. `--hold` keeps one tempo, so that nearly everything is stretched. `--effects` prints instead how
fast tracks are added up without and with each effect on all of them throughout, and the memory that takes.
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


MIX_CHILD = """
import json, re, sys, time
from pathlib import Path
from mixrender.api import load_plan, resolve
from mixrender.audio.cache import Cache
from mixrender.mixdown.prepare import prepare
from mixrender.progress import NoProgress
plan = load_plan(Path(sys.argv[1]))
mix = prepare(plan, resolve(plan), cache=Cache(Path(sys.argv[2])), progress=NoProgress()).mix
mix.read(40 * mix.sample_rate_hz, 41 * mix.sample_rate_hz)  # compiles what has to be
begun = time.perf_counter()
for block in mix.blocks():
    pass
peak_kb = re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]
print(json.dumps({
    "wall_s": time.perf_counter() - begun,
    "peak_mb": int(peak_kb) / 1024,
    "mix_s": mix.frames / mix.sample_rate_hz,
}))
"""

EFFECTS = {
    "none": "",
    "highpass": "highpass: {1: 100 Hz}",
    "phaser": "phaser: {amount: 100 %, feedback: 50 %}",
    "flanger": "flanger: {amount: 100 %, feedback: 50 %}",
    "gate": "gate: {amount: 100 %}",
    "echo": "echo: {amount: 50 %}",
    "reverb": "reverb: {amount: 50 %}",
}


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


def write_plan(folder: Path, files: list[Path], *, minutes: float, hold: bool, moves: str = "") -> Path:
    """A plan of about `minutes` minutes with the default transitions, its grids given."""
    lines = ["loudness: {integrated: -12 LUFS, true_peak: -1 dBTP}"]
    lines += ["tempo: 126 BPM"] if hold else []
    lines.append("tracks:")
    length_s, i = 0.0, 0
    while length_s < minutes * 60:
        score, file = HOUSE[i % len(HOUSE)], files[i % len(HOUSE)]
        grid = f"{{tempo: {score.tempo_bpm} BPM, bar_1: {score.bar_1_s} s}}"
        lines.append(f"  t{i}: {{file: {file.name}, grid: {grid}, moves: {{{moves}}}}}")
        length_s += (score.bars * REPEATS - 16) * 240 / score.tempo_bpm
        i += 1
    plan = folder / f"plan-{minutes:g}.yaml"
    plan.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return plan


def measured(plan: Path, folder: Path) -> dict[str, float]:
    """Render a plan in a new process with an empty cache."""
    cache = folder / f"cache-{plan.stem}"
    environment = os.environ | {"MIXRENDER_CACHE": str(cache)}
    figures = answer(CHILD, plan, folder / f"out-{plan.stem}", environment)
    figures["stretched_s"] = sum(p.stat().st_size for p in cache.glob("stretched/*/*.f32")) / 8 / 44100
    return figures


def answer(program: str, plan: Path, folder: Path, environment: dict[str, str]) -> dict[str, float]:
    """What a program in a new process says of a plan."""
    command = [sys.executable, "-c", program, str(plan), str(folder)]
    done = subprocess.run(command, env=environment, check=False, capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def table_of_effects(folder: Path, files: list[Path]) -> None:
    """Print the speed of the sum of the strips with each effect, and the memory of a short and a long mix."""
    cache = folder / "cache"
    environment = os.environ | {"MIXRENDER_CACHE": str(cache)}

    def figures_of(moves: str, *, minutes: float) -> dict[str, float]:
        plan = write_plan(folder, files, minutes=minutes, hold=False, moves=moves)
        return answer(MIX_CHILD, plan, cache, environment)

    for name, moves in EFFECTS.items():
        figures = figures_of(moves, minutes=5)
        speed = figures["mix_s"] / figures["wall_s"]
        print(f"{name:9} {speed:6.1f}x real time  peak {figures['peak_mb']:.0f} MB", flush=True)
    everything = ", ".join(moves for moves in EFFECTS.values() if moves)
    short, long = (figures_of(everything, minutes=minutes) for minutes in (5, 20))
    print(
        f"all at once {long['mix_s'] / long['wall_s']:.1f}x real time; peak memory of "
        f"{long['mix_s'] / 60:.0f} to {short['mix_s'] / 60:.0f} min: {long['peak_mb'] / short['peak_mb']:.3f}"
    )


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
    parser.add_argument("--effects", action="store_true", help="how fast each effect is, and nothing else")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-mix-") as name:
        folder = Path(name)
        files = long_tracks(folder)
        if options.effects:
            table_of_effects(folder, files)
            return
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
