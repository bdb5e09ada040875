"""Folders of tracks with their truth in, how right and fast the analysis is out, beside librosa's tracker.

    python tests/benchmarks/bench_analysis.py [FOLDER...] [--jobs N] [--no-librosa] [--no-machine]

Beside each sound file stands a JSON file of the same name with its truth: see `analysis_scores.py`. Several
folders are seeds of the same music: the totals are over all of them. Without a folder, made-up tracks are
judged. One line a track, the totals of own patterns, of outside producers and of both with the aims beside
them, how often what was called probable is right, and what it costs. Times are CPU times of one thread;
several jobs slow each other down.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import soundfile
from analysis_scores import PLACED_S, Score, f_measure, near, offset_ms, score
from analysis_set import RATE_HZ, made_tracks
from analysis_speed import Speed, machine_lines, speed_lines, timed, warm_up
from analysis_totals import OUTSIDE, OWN, figures, reliability

SOUNDS = (".wav", ".flac", ".ogg", ".mp3", ".aiff")
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True)
class Run:
    """One track: its score, its speed, what librosa's tracker scores (None: not asked), and its line."""

    score: Score
    speed: Speed
    other_f_measure: float | None
    other_placed: bool
    other_offset_ms: float | None
    line: str


def main() -> None:
    """Score every track of the folders that were named, or of those made for the purpose."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--jobs", type=int, default=1, help="processes at once")
    parser.add_argument("--no-librosa", action="store_true", help="leave librosa's tracker out: it is slow")
    parser.add_argument("--no-machine", action="store_true", help="leave memory and a second process out")
    given = parser.parse_args()
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    with tempfile.TemporaryDirectory() as made:
        if not given.folders:
            write_made(Path(made))
        runs = run(given.folders or [Path(made)], jobs=given.jobs, with_other=not given.no_librosa)
    show_totals([r.score for r in runs], many=len(given.folders) > 1)
    show_other(runs)
    print("\nspeed")
    show_lines(speed_lines([r.speed for r in runs]))
    if not given.no_machine:
        show_lines(machine_lines())


def run(folders: Sequence[Path], *, jobs: int, with_other: bool) -> list[Run]:
    """Analyse every track in processes of one thread each, and print its line."""
    sounds = [path for folder in folders for path in sorted(folder.iterdir()) if is_told(path)]
    if not sounds:
        sys.exit(f"{folders[0]}: no sound file here has a JSON file of the same name beside it")
    runs = []
    context = multiprocessing.get_context("spawn")
    begin = partial(warm_up, with_other=with_other)
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=begin) as pool:
        for result in pool.map(partial(judged, with_other=with_other), sounds):
            print(result.line, flush=True)
            runs.append(result)
    return runs


def is_told(path: Path) -> bool:
    """Whether it is a sound file with its truth beside it."""
    return path.suffix.lower() in SOUNDS and path.with_suffix(".json").exists()


def judged(path: Path, *, with_other: bool) -> Run:
    """Analyse one file and compare it with its truth."""
    truth = json.loads(path.with_suffix(".json").read_text())
    facts, speed, other = timed(path, with_other=with_other)
    result = score(facts, truth, name=path.name)
    other_f, is_placed, late_ms = None, False, None
    if other is not None:
        beats = np.array(truth["beats"])
        felt = [0.0, -1.0] if truth["tempo"].get("also_felt_as") else [0.0]
        other_f = max(f_measure(beats, other, octaves=octaves) for octaves in felt)
        late_ms = offset_ms(other, beats)
        is_placed = near(other, beats, within_s=PLACED_S, octaves=0.0)
    line = line_of(result, bpm=truth["tempo"]["bpm"], found_bpm=facts.grid.tempo_bpm)
    told = f" | {facts.key} {_or_dash(result.key, '.1f')} {facts.confidence.key:.2f}"
    cost = f" | {speed.everything:.0f}x grid {speed.grid:.0f}x librosa {_or_dash(speed.other, '.0f')}x"
    beside = f" F {_or_dash(other_f, '.2f')}"
    words = "; ".join(doubt.words for doubt in facts.doubts)
    return Run(result, speed, other_f, is_placed, late_ms, f"{line}{told}{cost}{beside} {words}")


def line_of(found: Score, *, bpm: float, found_bpm: float | None) -> str:
    """One track in one line."""
    sure = found.confidence
    borders = "-"
    if found.borders is not None:
        b = found.borders
        borders = f"{b.true_met}/{b.true} {b.found_met}/{b.found}"
    drums = "".join(_mark(right) for right in found.drums) if found.drums else "-"
    return (
        f"{found.name:12} {bpm:8.3f} {_or_dash(found_bpm, '.3f'):>8} {found.kind:8}"
        f" {'SURE' if found.sure else '    '} {sure.tempo:.2f} {sure.beats:.2f} {sure.bar_1:.2f}"
        f" tempo {_mark(found.tempo)} factor {_mark(found.factor)} placed {_mark(found.placed)}"
        f" {_or_dash(found.offset_ms, '+.1f'):>5} ms bars {_mark(found.bars)} F {found.f_measure:.2f}"
        f" borders {borders} drums {drums}"
    )


def _mark(right: bool | None) -> str:
    return "-" if right is None else "+" if right else "."


def _or_dash(value: float | None, form: str) -> str:
    return "-" if value is None else f"{value:{form}}"


def show_totals(scores: Sequence[Score], *, many: bool) -> None:
    """The totals of each group, and how far the confidences are true."""
    groups = {
        OWN: [s for s in scores if not s.outside],
        OUTSIDE: [s for s in scores if s.outside],
        "all together": list(scores),
    }
    for name, chosen in groups.items():
        if not chosen or (name not in (OWN, OUTSIDE) and not (groups[OWN] and groups[OUTSIDE])):
            continue
        print(f"\n{name}: {len(chosen)} tracks, {sum(s.steady for s in chosen)} of them steady")
        for figure in figures(chosen, group=name, many=many):
            print(f"  {figure}")
    print("\nright, by what was said to be probable")
    for line in reliability(scores):
        print(f"  {line}")


def show_other(runs: Sequence[Run]) -> None:
    """What `librosa.beat.beat_track` scores on the steady tracks, with its defaults, on the same signal."""
    steady = [r for r in runs if r.score.steady and r.other_f_measure is not None]
    if not steady:
        return
    others = [r.other_f_measure for r in steady if r.other_f_measure is not None]
    late_ms = [r.other_offset_ms for r in steady if r.other_offset_ms is not None]
    print(
        f"\nlibrosa's tracker on the {len(steady)} steady tracks: F within 70 ms {np.mean(others):.3f} "
        f"(ours {np.mean([r.score.f_measure for r in steady]):.3f}), "
        f"placed {sum(r.other_placed for r in steady)} (ours {sum(r.score.placed for r in steady)}), "
        f"its beats {np.median(late_ms or [0.0]):+.0f} ms late in the median"
    )


def show_lines(lines: Sequence[str]) -> None:
    """Each on its own, indented; at once, as what comes next takes a minute."""
    for line in lines:
        print(f"  {line}", flush=True)


def write_made(folder: Path) -> None:
    """The made-up tracks as files with their truth beside them."""
    for name, track, truth in made_tracks():
        soundfile.write(folder / f"{name}.flac", track.sound, RATE_HZ)
        (folder / f"{name}.json").write_text(json.dumps(truth))


if __name__ == "__main__":
    main()
