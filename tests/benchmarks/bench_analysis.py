"""A folder of tracks with their truth in, how right and fast the analysis is out, beside librosa's tracker.

    python tests/benchmarks/bench_analysis.py [FOLDER]

Beside each sound file stands a JSON file of the same name: `beats` and `downbeats` (seconds), `tempo` (`bpm`,
`kind`: `constant` or another, `also_felt_as`: another right tempo or null), and `key` (a name, or an object
with one). Without a folder, twelve tracks are synthesised. One line a track, then the totals.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import tempfile
import time
from pathlib import Path

import librosa
import mir_eval.beat
import mir_eval.key
import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "analysis"))
from loop_music import RATE_HZ, make_track

from mixrender.analysis.listen import listen
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.analysis.track import measure
from mixrender.audio.read import probe
from mixrender.keys import parse_key

SOUNDS = (".wav", ".flac", ".ogg", ".mp3", ".aiff")
PLACED_S = 0.020
BARS_S = 0.050
TEMPO_RELATIVE = 5e-5
SURE = 0.9


@dataclasses.dataclass(frozen=True)
class Score:
    """What one track scored; None where the truth says nothing. `placed` is true to the tempo as counted."""

    steady: bool
    tempo: bool
    octave: bool
    placed: bool
    offset_ms: float | None
    bars: bool
    key: float | None
    sure: bool
    speed: float
    f_measure: float
    other_f_measure: float
    other_placed: bool


def main() -> None:
    """Score every track of the folder that was named, or of one made for the purpose."""
    if len(sys.argv) > 1:
        run(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        synthesise(Path(folder))
        run(Path(folder))


def run(folder: Path) -> None:
    """Print one line a track and the totals."""
    listen_once_to_warm_up()
    pairs = [(p, p.with_suffix(".json")) for p in sorted(folder.iterdir()) if p.suffix.lower() in SOUNDS]
    scores = [score(sound, json.loads(truth.read_text())) for sound, truth in pairs if truth.exists()]
    if not scores:
        sys.exit(f"{folder}: no sound file here has a JSON file of the same name beside it")
    totals(scores)


def score(sound: Path, truth: dict) -> Score:
    """Analyse one file and compare it with its truth."""
    started = time.process_time()
    facts = measure(probe(sound))
    spent_s = time.process_time() - started
    grid, steady = facts.grid, truth["tempo"]["kind"] == "constant"
    beats, bpm = np.array(truth["beats"]), truth["tempo"]["bpm"]
    found, bars = np.zeros(0), np.zeros(0)
    octaves = 9.0
    if grid.kind != "none":
        last = int(grid.beat_at(facts.duration_s))
        first = -int(-grid.beat_at(0.0))
        found = np.array([grid.time_at(beat) for beat in range(first, last + 1)])
        bars = np.array(
            [grid.time_at(grid.bar_to_beat(bar)) for bar in range(last // grid.beats_per_bar + 2)]
        )
        octaves = float(np.log2(grid.tempo_bpm / bpm))
    felt = [bpm, truth["tempo"].get("also_felt_as") or bpm]
    other = other_beats(sound)
    result = Score(
        steady=steady,
        tempo=abs(2.0 ** (octaves - round(octaves)) - 1.0) <= TEMPO_RELATIVE,
        octave=grid.kind != "none" and any(abs(grid.tempo_bpm / tempo - 1.0) < 0.02 for tempo in felt),
        placed=placed(found, beats, octaves),
        offset_ms=offset_ms(found, beats),
        bars=bars_right(bars, np.array(truth["downbeats"]), octaves),
        key=key_score(truth, facts.key),
        sure=facts.tempo_confidence >= SURE,
        speed=facts.duration_s / spent_s,
        f_measure=mir_eval.beat.f_measure(beats, found[found >= 0.0]) if found.size else 0.0,
        other_f_measure=mir_eval.beat.f_measure(beats, other),
        other_placed=placed(other, beats, 0.0),
    )
    show(sound, truth, facts, result)
    return result


def placed(found: np.ndarray, beats: np.ndarray, octaves: float) -> bool:
    """Whether 90 % of the beats (of every second one at half tempo) have a found beat within 20 ms."""
    if found.size == 0:
        return False
    every = 2 if round(octaves) == -1 else 1
    return any(np.mean(np.abs(apart(found, beats[k::every])) <= PLACED_S) >= 0.9 for k in range(every))


def bars_right(bars: np.ndarray, downbeats: np.ndarray, octaves: float) -> bool:
    """Whether 90 % of the bar lines lie within 50 ms of the true ones (of every second one at half tempo)."""
    if bars.size == 0:
        return False
    every = 2 if round(octaves) == -1 else 1
    return any(np.mean(np.abs(apart(bars, downbeats[k::every])) <= BARS_S) >= 0.9 for k in range(every))


def apart(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """How much later than each true time the nearest found one is, seconds."""
    if found.size == 0:
        return np.full(truth.size, np.inf)
    return found[np.argmin(np.abs(found[:, None] - truth[None, :]), axis=0)] - truth


def offset_ms(found: np.ndarray, beats: np.ndarray) -> float | None:
    """Median lateness of the beats that were found at all, milliseconds."""
    late = apart(found, beats)
    near = late[np.abs(late) < 0.05]
    return float(1e3 * np.median(near)) if near.size else None


def key_score(truth: dict, key: str | None) -> float | None:
    """Score of the MIREX audio key detection task (fifths count both ways); None without a truth."""
    name = truth.get("key") or truth.get("key_from_score")
    name = name["name"] if isinstance(name, dict) else name
    if name is None:
        return None
    if key is None:
        return 0.0
    reference, estimate = str(parse_key(name)), str(parse_key(key))
    return max(
        mir_eval.key.weighted_score(reference, estimate), mir_eval.key.weighted_score(estimate, reference)
    )


def other_beats(sound: Path) -> np.ndarray:
    """The beats of `librosa.beat.beat_track` with its defaults, seconds."""
    signal = listen(probe(sound)).signal
    _, beats = librosa.beat.beat_track(y=signal, sr=ANALYSIS_RATE_HZ, units="time")
    return np.asarray(beats)


def show(sound: Path, truth: dict, facts, result: Score) -> None:
    """One line for one track."""
    tempo = "-" if facts.grid.tempo_bpm is None else f"{facts.grid.tempo_bpm:.3f}"
    offset = "-" if result.offset_ms is None else f"{result.offset_ms:+.1f}"
    print(
        f"{sound.name:12} {truth['tempo']['bpm']:8.3f} {tempo:>8} {facts.grid.kind:8}"
        f" sure {facts.tempo_confidence:.2f} tempo {mark(result.tempo)} octave {mark(result.octave)}"
        f" placed {mark(result.placed)} {offset:>5} ms"
        f" bars {mark(result.bars)} F {result.f_measure:.2f} | librosa F {result.other_f_measure:.2f}"
        f" placed {mark(result.other_placed)} | {facts.key} {'-' if result.key is None else result.key}"
        f" | {result.speed:.0f}x {'; '.join(facts.warnings)}",
        flush=True,
    )


def mark(right: bool) -> str:
    """A tick or a cross."""
    return "+" if right else "."


def totals(scores: list[Score]) -> None:
    """The sums over steady tracks, the alarms over the others, and the keys of all."""
    steady = [s for s in scores if s.steady]
    print(f"\n{len(scores)} tracks, {len(steady)} of them steady; of the steady ones:")
    for name, values in {
        "tempo within 0.005 % (up to a factor 2)": [s.tempo for s in steady],
        "octave right": [s.octave for s in steady],
        "beats placed (90 % within 20 ms)": [s.placed for s in steady],
        "bars right": [s.bars for s in steady],
        "shown as sure": [s.sure for s in steady],
        "sure ones placed": [s.placed for s in steady if s.sure],
        "librosa: beats placed": [s.other_placed for s in steady],
    }.items():
        print(f"  {name}: {sum(values)} of {len(values)}")
    offsets = [abs(s.offset_ms) for s in steady if s.placed and s.offset_ms is not None]
    print(f"  median offset where placed: 95th percentile {np.percentile(offsets or [0.0], 95):.1f} ms")
    print(
        f"  F within 70 ms: {np.mean([s.f_measure for s in steady]):.3f}, librosa "
        f"{np.mean([s.other_f_measure for s in steady]):.3f}"
    )
    print(f"tempo-varying tracks shown as sure: {sum(s.sure for s in scores if not s.steady)}")
    keys = [s.key for s in scores if s.key is not None]
    print(
        f"key: exact {np.mean([k == 1.0 for k in keys]):.2f}, MIREX {np.mean(keys):.2f} ({len(keys)} tracks)"
    )
    print(f"speed with decoding, median: {np.median([s.speed for s in scores]):.0f} x real time on one core")


def synthesise(folder: Path) -> None:
    """Twelve tracks with known beats."""
    tempi = (87.0, 122.0, 124.0, 127.43, 128.0, 140.0, 174.0)
    for index, (tempo, pattern) in enumerate(
        [(tempo, "four on the floor") for tempo in tempi]
        + [(126.0, "two-step"), (132.0, "breakbeat"), (94.0, "hip-hop"), (120.0, "drift"), (118.0, "swing")]
    ):
        drift = (lambda beat: 1 + 0.016 * beat / 192) if pattern == "drift" else (lambda beat: 1.0)
        track = make_track(
            tempo_bpm=tempo,
            pattern=pattern if pattern not in ("drift", "swing") else "four on the floor",
            lead_s=0.11 * index,
            swing=0.6 if pattern == "swing" else 0.5,
            drift=drift,
            tonic=index,
            seed=index,
        )
        soundfile.write(folder / f"track{index:02}.wav", track.sound, RATE_HZ)
        truth = {
            "beats": track.beats_s.tolist(),
            "downbeats": track.downbeats_s.tolist(),
            "tempo": {
                "bpm": tempo,
                "kind": "varying" if pattern == "drift" else "constant",
                "also_felt_as": None,
            },
            "key": track.key,
        }
        (folder / f"track{index:02}.json").write_text(json.dumps(truth))


def listen_once_to_warm_up() -> None:
    """Import and compile everything before the clock starts."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "warm.wav"
        soundfile.write(path, make_track(tempo_bpm=128.0, sections=(("kick", "chords"),)).sound, RATE_HZ)
        measure(probe(path))


if __name__ == "__main__":
    main()
