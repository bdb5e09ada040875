"""Folders of generated music with its truth in, the weights of the cues of tempo and bar line out.

    python tests/benchmarks/fit_cues.py TRAIN... [--test FOLDER...]

Each folder is laid out as `bench_analysis.py` says. The weights are those of a conditional logit model
(McFadden 1974): the probability that a candidate is the right one is a softmax of the weighted cues of all
candidates. They maximise the likelihood of the truth less a penalty on large weights. Never train on music
that is to be judged by afterwards.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.optimize
from bench_analysis import SOUNDS

from mixrender.analysis.bars import WEIGHTS, cues
from mixrender.analysis.grid import anchored, fit_line
from mixrender.analysis.listen import listen
from mixrender.analysis.onsets import RATE_HZ, fine_curve, onset_curves
from mixrender.analysis.slots import PER_BEAT, slots_of
from mixrender.analysis.tempo import FASTEST_BPM, OCTAVE_WEIGHTS, SLOWEST_BPM, Rhythm, octave_cues
from mixrender.audio.read import probe

PENALTY = {"octave": 1e-3, "bar line": 7e-4}
"""Chosen on generated music that was held out; small weights keep a doubt that tidy music does not teach."""


@dataclass(frozen=True)
class Case:
    """One choice: the cues of each candidate, shape (candidates, cues), and which of them are right."""

    name: str
    figures: np.ndarray
    right: np.ndarray


def main() -> None:
    """Fit both models, print their weights, and how right and sure they are on both sets."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("train", nargs="+", type=Path)
    options.add_argument("--test", nargs="*", type=Path, default=[])
    given = options.parse_args()
    train, test = (
        [case for folder in folders for case in cases(folder)] for folders in (given.train, given.test)
    )
    for kind, names in (("octave", list(OCTAVE_WEIGHTS)), ("bar line", list(WEIGHTS))):
        chosen = [c for k, c in train if k == kind]
        # Cues of bars are shares of one; those of tempos have unlike units, and are brought to one spread.
        unit = np.concatenate([c.figures for c in chosen]).std(axis=0) if kind == "octave" else 1.0
        weights = fitted(chosen, penalty=PENALTY[kind], unit=unit)
        print(f"\n{kind}: {len(chosen)} cases")
        for name, weight in zip(names, weights, strict=True):
            print(f'    "{name}": {weight:.1f},')
        report("train", chosen, weights)
        if held := [c for k, c in test if k == kind]:
            report("test", held, weights)


def cases(folder: Path) -> list[tuple[str, Case]]:
    """The choices that the steady tracks of a folder offer, each with its kind."""
    found = []
    for sound in sorted(p for p in folder.iterdir() if p.suffix.lower() in SOUNDS):
        truth_file = sound.with_suffix(".json")
        truth = json.loads(truth_file.read_text()) if truth_file.exists() else {"tempo": {"kind": "none"}}
        if truth["tempo"]["kind"] == "constant":
            found += cases_of(sound, truth)
            print(sound, flush=True)
    return found


def cases_of(sound: Path, truth: dict) -> list[tuple[str, Case]]:
    """The choice of the octave, and that of the bar line at each right tempo."""
    signal = listen(probe(sound)).signal
    curves, fine = onset_curves(signal), fine_curve(signal)
    rhythm, bpm = Rhythm.of(curves), truth["tempo"]["bpm"]
    felt = [bpm, truth["tempo"].get("also_felt_as") or bpm]
    octaves = [t for k in (-1, 0, 1) if SLOWEST_BPM <= (t := bpm * 2.0**k) <= FASTEST_BPM]
    right = np.array([any(abs(t / f - 1.0) < 0.02 for f in felt) for t in octaves])
    found = [("octave", Case(sound.stem, np.array([octave_cues(rhythm, t) for t in octaves]), right))]
    beats_per_bar = int(str(truth.get("time_signature", "4/4")).split("/")[0])
    if beats_per_bar in (3, 4):
        bars = bar_case(sound.stem, signal, curves, fine, bpm, beats_per_bar, np.array(truth["downbeats"]))
        found += [("bar line", bars)] if bars else []
    return found


def bar_case(
    name, signal, curves, fine, bpm: float, beats_per_bar: int, downbeats: np.ndarray
) -> Case | None:
    """The choice of the bar line among the sixteenths of a bar; None where it moves in the middle."""
    fit = fit_line(fine, bpm)
    if fit is None:
        return None
    step_s = fit.beat_s / PER_BEAT
    origin_s = anchored(fit) % fit.beat_s
    count = int((signal.size / RATE_HZ - origin_s) / step_s) - PER_BEAT
    slots = slots_of(signal, curves, lambda s: origin_s + s * step_s, count)
    first_sound_s = np.flatnonzero(np.abs(signal) > 1e-3)[0] / RATE_HZ
    first_slot = int(np.searchsorted(slots.times_s, first_sound_s - 0.03))
    per_bar = PER_BEAT * beats_per_bar
    places = np.bincount(np.round((downbeats - origin_s) / step_s).astype(int) % per_bar, minlength=per_bar)
    if places.max() < 0.9 * downbeats.size:
        return None
    figures = np.stack(list(cues(slots, beats_per_bar=beats_per_bar, first_slot=first_slot).values()), axis=1)
    return Case(name, figures, np.arange(per_bar) == places.argmax())


def fitted(chosen: list[Case], *, penalty: float, unit: np.ndarray | float) -> np.ndarray:
    """The weights that make the truth most likely, less a penalty on their squares in those units."""

    def loss(weights: np.ndarray) -> float:
        unlikely = [-np.log(chances(c, weights / unit)[c.right].sum() + 1e-12) for c in chosen]
        return float(np.mean(unlikely) + penalty * (weights**2).sum())

    start = np.zeros(chosen[0].figures.shape[1])
    return scipy.optimize.minimize(loss, start, method="L-BFGS-B").x / unit


def chances(case: Case, weights: np.ndarray) -> np.ndarray:
    """The probability of each candidate."""
    scores = case.figures @ weights
    odds = np.exp(scores - scores.max())
    return odds / odds.sum()


def report(label: str, chosen: list[Case], weights: np.ndarray) -> None:
    """How many are right, and how right those are that are sure."""
    best = [(chances(c, weights).max(), bool(c.right[chances(c, weights).argmax()])) for c in chosen]
    sure = [right for chance, right in best if chance >= 0.9]
    wrong = ", ".join(c.name for c, (_, right) in zip(chosen, best, strict=True) if not right)
    print(
        f"  {label}: {np.mean([r for _, r in best]):.3f} right of {len(best)}; sure {len(sure)}, "
        f"of them {np.mean(sure or [0.0]):.3f} right; wrong: {wrong or 'none'}"
    )


if __name__ == "__main__":
    main()
