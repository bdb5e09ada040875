"""A sound file in, how fast the analysis takes it, and what memory and a second process cost, out."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import librosa
import numpy as np
import soundfile
from analysis_set import RATE_HZ, make_track

from mixrender import api
from mixrender.analysis.beats import find_beats
from mixrender.analysis.listen import listen
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.analysis.track import measure
from mixrender.audio.cache import Cache
from mixrender.audio.read import probe
from mixrender.facts import TrackFacts
from mixrender.progress import NoProgress

T = TypeVar("T")

EVERYTHING_TIMES, GRID_TIMES, MEMORY_MB, TWO_PROCESSES_TIMES = 60.0, 200.0, 300.0, 1.6
"""The aims: times real time on one core, twice; memory above the interpreter; two processes to one."""

_LONG_S = 600.0
_FILES = 4

CHILD = """
import json, resource, sys, time
from pathlib import Path

def peak_mb():
    # ru_maxrss of a new process may still be that of the one that started it.
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
    except OSError:
        unit = 2**20 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit

bare = peak_mb()
from mixrender.analysis.track import measure
from mixrender.audio.read import probe
measure(probe(Path(sys.argv[1])))
imported, begun = peak_mb(), time.perf_counter()
measure(probe(Path(sys.argv[2])))
wall_s = time.perf_counter() - begun
print(json.dumps({"bare": bare, "imported": imported, "peak": peak_mb(), "wall_s": wall_s}))
"""


@dataclass(frozen=True)
class Speed:
    """Times real time, by CPU time: everything with decoding, the grid alone, and librosa's tracker."""

    everything: float
    grid: float
    other: float | None


def timed(path: Path, *, with_other: bool) -> tuple[TrackFacts, Speed, np.ndarray | None]:
    """The facts of a file, how fast they came, and the beats (s) of `librosa.beat.beat_track` as it comes."""
    facts, everything_s = _cpu_s(lambda: measure(probe(path)))
    heard = listen(probe(path))
    assert heard.signal is not None
    signal, first_sound_s = heard.signal, heard.first_sound_s or 0.0
    _, grid_s = _cpu_s(lambda: find_beats(signal, first_sound_s=first_sound_s))
    beats, other_s = None, None
    if with_other:
        (_, beats), other_s = _cpu_s(
            lambda: librosa.beat.beat_track(y=signal, sr=ANALYSIS_RATE_HZ, units="time")
        )
    times = [facts.duration_s / spent_s if spent_s else None for spent_s in (everything_s, grid_s, other_s)]
    return facts, Speed(times[0] or 0.0, times[1] or 0.0, times[2]), beats


def _cpu_s(work: Callable[[], T]) -> tuple[T, float]:
    """The result, and the CPU seconds of this process and of the programs that it ran."""
    begun = sum(os.times()[:4])
    result = work()
    return result, sum(os.times()[:4]) - begun


def warm_up(*, with_other: bool) -> None:
    """Import and compile everything before the clock starts."""
    with tempfile.TemporaryDirectory() as folder:
        timed(_short(Path(folder)), with_other=with_other)


def _short(folder: Path) -> Path:
    path = folder / "warm.wav"
    soundfile.write(path, make_track(tempo_bpm=128.0, sections=(("kick", "chords"),)).sound, RATE_HZ)
    return path


def long_tracks(folder: Path, *, count: int, length_s: float) -> list[Path]:
    """Steady tracks of a length, each a made-up one over and over; at 125 BPM a beat is whole frames long."""
    paths = []
    for seed in range(count):
        track = make_track(tempo_bpm=125.0, tonic=seed, seed=seed, tail_s=0.0)
        body = track.sound[: round(track.beats_s.size * 0.48 * RATE_HZ)]
        times = int(np.ceil(length_s * RATE_HZ / len(body)))
        paths.append(folder / f"long{seed}.flac")
        soundfile.write(paths[-1], np.tile(body, (times, 1))[: round(length_s * RATE_HZ)], RATE_HZ)
    return paths


def memory() -> dict[str, float]:
    """Peak memory (MB) of the bare interpreter, after a short track, after one of 10 minutes."""
    with tempfile.TemporaryDirectory() as folder:
        (path,) = long_tracks(Path(folder), count=1, length_s=_LONG_S)
        command = [sys.executable, "-c", CHILD, str(_short(Path(folder))), str(path)]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def two_processes(*, length_s: float = 300.0) -> tuple[float, float]:
    """Wall seconds for some files with an empty library: by one process and by two."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = long_tracks(folder, count=_FILES, length_s=length_s)
        walls_s = []
        for jobs in (1, 2):
            begun = time.perf_counter()
            cache = Cache(folder / f"cache{jobs}")
            outcomes: list[Any] = list(api.analyze_many(files, cache=cache, progress=NoProgress(), jobs=jobs))
            walls_s.append(time.perf_counter() - begun)
            assert len(outcomes) == _FILES
    return walls_s[0], walls_s[1]


def machine_lines() -> list[str]:
    """What memory and a second process cost on this machine, in words, beside the aims."""
    found = memory()
    above_bare, above = found["peak"] - found["bare"], found["peak"] - found["imported"]
    one_s, two_s = two_processes()
    return [
        f"memory for {_LONG_S / 60:.0f} minutes: {above:.0f} MB above the interpreter with its imports"
        f"{_missed(above <= MEMORY_MB)}, {above_bare:.0f} MB above the bare one"
        f"{_missed(above_bare <= MEMORY_MB)} (aim at most {MEMORY_MB:.0f}); "
        f"{_LONG_S / found['wall_s']:.0f}x real time by the clock",
        f"{_FILES} files: one process {one_s:.1f} s, two {two_s:.1f} s, {one_s / two_s:.2f} times as fast "
        f"(aim at least {TWO_PROCESSES_TIMES}){_missed(one_s / two_s >= TWO_PROCESSES_TIMES)}; "
        f"{os.cpu_count()} processors, {os.getloadavg()[0]:.1f} ran or waited for them at the end",
    ]


def speed_lines(speeds: list[Speed]) -> list[str]:
    """Median and slowest of many tracks, in words, beside the aims."""
    lines = []
    for name, values, aim in (
        ("everything with decoding", [s.everything for s in speeds], EVERYTHING_TIMES),
        ("the grid alone", [s.grid for s in speeds], GRID_TIMES),
    ):
        slowest = min(values)
        lines.append(
            f"{name}: median {np.median(values):.0f}x real time on one core, slowest {slowest:.0f}x "
            f"(aim at least {aim:.0f}){_missed(slowest >= aim)}"
        )
    others = [(s.grid / s.other, s.other) for s in speeds if s.other is not None]
    if others:
        ratio, other = np.median(others, axis=0)
        lines.append(f"librosa's tracker: median {other:.0f}x; the grid is {ratio:.2f} times as fast")
    return lines


def _missed(is_met: bool) -> str:
    return "" if is_met else "  <-- MISSED"
