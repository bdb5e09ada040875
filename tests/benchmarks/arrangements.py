"""A seed in, a made-up track of sections with layers drawn at random out: sound, sixteenths, what plays.

Nothing has to sound good: all that matters is that each layer comes with and without each other one, in many
colours, loud and soft. Drums are those of a set of patterns, notes those of minor keys.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from arrangement_sounds import Random, random_layers
from scipy import signal

from mixrender.analysis.onsets import RATE_HZ
from mixrender.analysis.slots import PER_BEAT
from mixrender.demo.arrange import render
from mixrender.demo.score import BEATS_PER_BAR, STEPS_PER_BAR, Score, Section

DRUMS = ("kick", "snare", "hat", "perc", "ride")
CHANCES = {
    "kick": 0.65,
    "snare": 0.55,
    "hat": 0.6,
    "perc": 0.35,
    "ride": 0.15,
    "bass": 0.55,
    "chords": 0.55,
    "lead": 0.35,
}
"""How often a layer plays in a section that has drums."""

KICKS = (
    *("X...X...X...X...",) * 3,
    *("X.........X.....", "X......X..X.....", "X...............", "X.....X...X....."),
    *("X..X....X..X....", "X...X...X...X.X.", "X.......X.......", "..X.......X....."),
)
SNARES = ("....X.......X...", "....X.......X...", "........X.......", "....X.......X..x", "....X.....X.X...")
HATS = ("..X...X...X...X.", "x.o.x.o.x.o.x.o.", "xoxoxoxoxoxoxoxo", "x...x...x...x...")
BASSES = ("..x...x...x...x.", "x.x.x.x.x.x.x.x.", "x..x..x...x.....", "x...............", "x...x...x...x...")
BASSES += ("x.......x.......", ".xxx.xxx.xxx.xxx")
ROOTS = ((0, 0, 0, 0), (0, 5, 3, 4), (0, 3, 5, 2), (0, 0, 5, 5), (0, 6))
TONICS = ("A", "Bb", "B", "C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab")
LONGEST_BARS = 64


@dataclass(frozen=True)
class Arrangement:
    """Mono sound at RATE_HZ; times of the sixteenths and the end of the last; names of each bar's layers."""

    signal: np.ndarray
    times_s: np.ndarray
    layers: tuple[frozenset[str], ...]

    @property
    def truth(self) -> dict[str, np.ndarray]:
        """Whether kick, any drums, and bass play, each of shape (bars,)."""
        return {
            "kick": np.array(["kick" in bar for bar in self.layers]),
            "drums": np.array([bool(bar & set(DRUMS)) for bar in self.layers]),
            "bass": np.array(["bass" in bar for bar in self.layers]),
        }


def arrangement(seed: int) -> Arrangement:
    """The same for the same seed."""
    rng = np.random.default_rng(seed)
    score, layers = random_score(rng, seed)
    sound = render(score).mean(axis=1)
    sound += rng.standard_normal(sound.size) * 10.0 ** (rng.uniform(-90, -55) / 20)
    slots = np.arange(score.bars * BEATS_PER_BAR * PER_BEAT + 1)
    times_s = np.array([score.grid.time_at(slot / PER_BEAT) for slot in slots])
    return Arrangement((sound * rng.uniform(0.5, 0.95)).astype(np.float32), times_s, layers)


def without_highs(made: Arrangement, rng: Random) -> Arrangement:
    """The same through a lowpass somewhere between 1200 and 6000 Hz: dull masters, old records."""
    sos = signal.butter(4, rng.uniform(1200.0, 6000.0), fs=RATE_HZ, output="sos")
    return replace(made, signal=signal.sosfilt(sos, made.signal).astype(np.float32))


def random_score(rng: Random, seed: int) -> tuple[Score, tuple[frozenset[str], ...]]:
    """A score and the layers of each of its bars; every tenth has no drums at all."""
    voices = random_layers(rng, drums=DRUMS)
    patterns = random_patterns(rng)
    drumless = float(rng.choice([0.3, 1.0], p=[0.9, 0.1]))
    sections, layers = [], []
    for bars, names in random_sections(rng, drumless=drumless):
        melody = random_steps(rng, int(rng.integers(3, 7)), "0234579")
        played = {name: melody if name == "lead" else patterns[name] for name in names}
        ramps = {name: (level_db, level_db) for name in names for level_db in [rng.uniform(-4.0, 2.0)]}
        sections.append(Section("any", bars, played, ramps_db=ramps))
        layers += [frozenset(names)] * bars
    tempos = [(84, 100), (110, 132), (118, 130), (134, 150), (165, 178)]
    score = Score(
        name=str(seed),
        title="",
        artist="",
        tempo_bpm=float(rng.uniform(*tempos[rng.integers(5)])),
        key=f"{TONICS[rng.integers(12)]} minor",
        progression=ROOTS[rng.integers(len(ROOTS))],
        layers=voices,
        sections=tuple(sections),
        chord_notes=int(rng.integers(3, 5)),
        sample_rate_hz=RATE_HZ,
        lead_in_s=float(rng.choice([0.0, 0.1, rng.uniform(0, 1)])),
        swing=float(rng.choice([0.0, 0.0, 0.12])),
        drive=float(rng.choice([0.4, rng.uniform(0.8, 2.5)])),
        reverb_s=float(rng.uniform(0.6, 3.0)),
        tail_s=2.0,
        seed=seed,
    )
    return score, tuple(layers)


def random_sections(rng: Random, *, drumless: float) -> list[tuple[int, list[str]]]:
    """Lengths in bars, and layers: neighbours differ by two; `drumless` is the share without drums."""
    lengths = [8, 8, 8, 16, 16, 4] if rng.random() < 0.8 else [4, 8, 12]
    wanted, found = (2 if drumless == 1.0 else int(rng.integers(5, 9))), []
    while len(found) < wanted:
        names = [name for name, chance in CHANCES.items() if rng.random() < chance]
        if rng.random() < drumless:
            names = [name for name in names if name not in DRUMS]
        if names and (not found or len(set(names) ^ set(found[-1][1])) >= 2):
            found.append((int(rng.choice(lengths)), names))
    while sum(bars for bars, _ in found) > LONGEST_BARS:
        found.pop()
    return found


def random_patterns(rng: Random) -> dict[str, str]:
    """One bar of each layer, for the whole track; the melody, which differs by section, is not among them."""
    kick = KICKS[rng.integers(len(KICKS))]
    bass = kick.replace("X", "x") if rng.random() < 0.2 else BASSES[rng.integers(len(BASSES))]
    chords = ("x---------------", "..x-..x-..x-..x-", "x---x---x---x---", "x-.x-.x-.x-.x-..", "")
    return {
        "kick": kick,
        "snare": SNARES[rng.integers(len(SNARES))],
        "hat": HATS[rng.integers(len(HATS))],
        "perc": random_steps(rng, int(rng.integers(2, 7)), "xoX"),
        "ride": "x...x...x...x...",
        "bass": held(bass, longest=int(rng.choice([1, 2, 8, 16]))),
        "chords": chords[rng.integers(5)] or "".join(rng.choice(list("02479"), STEPS_PER_BAR)),
    }


def random_steps(rng: Random, count: int, symbols: str) -> str:
    """A bar in which that many steps strike."""
    struck = set(rng.choice(STEPS_PER_BAR, count, replace=False).tolist())
    return "".join(str(rng.choice(list(symbols))) if s in struck else "." for s in range(STEPS_PER_BAR))


def held(pattern: str, *, longest: int) -> str:
    """The pattern with each note held until the next, for `longest` steps at most."""
    steps, since = list(pattern), STEPS_PER_BAR
    for step, symbol in enumerate(pattern):
        since = 1 if symbol != "." else since + 1
        if symbol == "." and since <= longest:
            steps[step] = "-"
    return "".join(steps)
