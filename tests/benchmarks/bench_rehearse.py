"""How long it takes from a changed plan to the new clip, in a process that is warm, as `rehearse` is.

    python tests/benchmarks/bench_rehearse.py [--folder FOLDER] [--rounds 5]

Previews one transition of 16 bars, with 8 bars to either side, between two of the demo's house tracks; all
tracks are made in FOLDER if they are not there, and analysed first. Each line has the median of the rounds in
seconds beside the aim, in clip seconds per second, and as a multiple of a reference measured in the same
run: what has to be done at the least for such a clip, reading both tracks and encoding their sum as FLAC.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import soundfile

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.audio.write import write_audio
from mixrender.demo.tracks import SCORES, make_tracks, track_path
from mixrender.mixdown.result import Clip
from mixrender.plan.load import load_plan

HOUSE = [score for score in SCORES if 120 <= score.tempo_bpm <= 135]

AIMS_S = {"one EQ move": 1.2, "overlap": 6.0, "tempo": 6.0}
"""From the saved plan to the clip: what the page needs to show it within 2 s, and 8 s with stretching."""

LINE = "{name:28} {seconds:7.3f} s{aim:14} {speed:8.1f}x real time {ratio:7.1f} times the reference"


def plan_text(
    folder: Path, *, high_db: float = -9.0, overlap_bars: int = 16, tempo_bpm: float = 128.0
) -> str:
    """All house tracks in a row; the second transition is the one that is worked on."""
    names = [score.name for score in HOUSE]
    lines = ["loudness: {integrated: -14 LUFS, true_peak: -1 dBTP}", "tempo: 125 BPM", "tracks:"]
    for score in HOUSE:
        grid = f"{{tempo: {score.tempo_bpm} BPM, bar_1: {score.bar_1_s} s}}"
        lines.append(f"  {score.name}: {{file: {track_path(folder, score)}, grid: {grid}}}")
    lines += [
        "transitions:",
        f"  - {{from: {names[0]}, to: {names[1]}, leave: 57, enter: 9, overlap: 16 bars}}",
    ]
    lines += [
        f"  - from: {names[1]}",
        f"    to: {names[2]}",
        "    leave: 57",
        "    enter: 1",
        f"    overlap: {overlap_bars} bars",
        f"    tempo: {{to: {tempo_bpm} BPM, start: 0, over: 8 bars}}",
        "    recipe: bass-swap",
        "    moves:",
        f"      {names[1]}: {{highpass: {{12: open, end: 300 Hz}}}}",
        f"      {names[2]}: {{high: {{0: {high_db} dB, 4: 0 dB}}}}",
    ]
    return "\n".join(lines) + "\n"


class Bench:
    """Previews of one transition, timed from the text of the plan to the clip and its figures."""

    def __init__(self, folder: Path, tracks: Path):
        self.folder, self.tracks = folder, tracks
        self.cache = Cache(folder / "cache")
        self.plan = folder / "plan.yaml"
        self.clip: Clip | None = None

    def preview(self, **changed: float) -> float:
        """Seconds from a saved plan to its clip."""
        self.plan.write_text(plan_text(self.tracks, **changed), encoding="utf-8")  # type: ignore[arg-type]
        begun = time.perf_counter()
        result = api.preview(load_plan(self.plan), self.folder / "clips", only=[2], cache=self.cache)
        seconds = time.perf_counter() - begun
        measure = result.transitions[1]
        assert measure is not None
        self.clip = measure.clip
        return seconds

    def reference(self) -> float:
        """Seconds for reading both tracks for as long as the clip lasts, and encoding their sum."""
        assert self.clip is not None
        begun = time.perf_counter()
        sounds = []
        for score in HOUSE[1:3]:
            path = track_path(self.tracks, score)
            rate_hz = soundfile.info(path).samplerate
            sounds.append(soundfile.read(path, frames=round(self.clip.duration_s * rate_hz))[0])
        frames = min(map(len, sounds))
        mixed = 0.5 * sounds[0][:frames] + 0.5 * sounds[1][:frames]
        blocks = (mixed[begin : begin + 65536] for begin in range(0, len(mixed), 65536))
        write_audio(self.folder / "reference.flac", blocks, sample_rate_hz=rate_hz, format="flac")
        return time.perf_counter() - begun


def main() -> None:
    """Make what is missing, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--folder", type=Path, help="where the demo's tracks are, or shall be")
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tracks = given.folder or Path(folder)
        make_tracks(tracks, scores=HOUSE)
        bench = Bench(Path(folder), tracks)
        bench.plan.write_text(plan_text(tracks), encoding="utf-8")
        api.resolve(load_plan(bench.plan), cache=bench.cache)
        first_s = bench.preview()
        assert bench.clip is not None
        reference_s = statistics.median(bench.reference() for _ in range(3))
        print(f"a clip of {bench.clip.duration_s:.1f} s; reference: {reference_s:.3f} s", flush=True)

        def line(name: str, run: Callable[[int], float], rounds: int) -> None:
            seconds = statistics.median(run(number) for number in range(1, rounds + 1))
            assert bench.clip is not None
            aim = f" (aim {AIMS_S[name]:g} s)" if name in AIMS_S else ""
            speed, ratio = bench.clip.duration_s / seconds, seconds / reference_s
            print(LINE.format(name=name, seconds=seconds, aim=aim, speed=speed, ratio=ratio), flush=True)

        line("first run, tracks known", lambda _: first_s, 1)
        line("nothing", lambda _: bench.preview(), given.rounds)
        line("one EQ move", lambda number: bench.preview(high_db=-9.0 + number / 4), given.rounds)
        line("one EQ move, back again", lambda number: bench.preview(high_db=-9.0 + number / 4), given.rounds)
        line("overlap", lambda number: bench.preview(overlap_bars=16 - number), min(given.rounds, 3))
        line("tempo", lambda number: bench.preview(tempo_bpm=128.0 - number / 7), min(given.rounds, 3))


if __name__ == "__main__":
    main()
