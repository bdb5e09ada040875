"""Dance music with known beats, made from a tempo and a pattern: drums, bass and chords in sections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 44100

# Sixteenths of one bar on which each drum sounds.
PATTERNS: dict[str, dict[str, tuple[int, ...]]] = {
    "four on the floor": {
        "kick": (0, 4, 8, 12),
        "snare": (4, 12),
        "hat": (2, 6, 10, 14),
        "bass": (2, 6, 10, 14),
    },
    "breakbeat": {"kick": (0, 10), "snare": (4, 12), "hat": tuple(range(0, 16, 2)), "bass": (0, 3, 10)},
    "two-step": {"kick": (0, 10), "snare": (4, 12), "hat": (2, 5, 6, 10, 13, 14), "bass": (0, 6, 10)},
    "hip-hop": {"kick": (0, 7, 10), "snare": (4, 12), "hat": tuple(range(0, 16, 2)), "bass": (0, 7, 10)},
    "waltz": {"kick": (0,), "snare": (4, 8), "hat": (0, 4, 8, 10), "bass": (0, 8)},
    "six-eight": {"kick": (0,), "snare": (6,), "hat": tuple(range(0, 12, 2)), "bass": (0, 4, 10)},
}

# Beats in a bar and steps in a beat, where they are not four and four: six-eight has two dotted beats.
METRES = {"waltz": (3, 4), "six-eight": (2, 6)}

# What sounds in each eight bars.
SECTIONS: tuple[tuple[str, ...], ...] = (
    ("kick", "hat"),
    ("kick", "snare", "hat", "bass"),
    ("chords",),
    ("kick", "snare", "hat", "bass", "chords"),
    ("kick", "snare", "hat", "bass", "chords"),
    ("kick", "hat"),
)


@dataclass(frozen=True)
class Track:
    """Sound of shape (n, 2) at RATE_HZ with the times of all its beats."""

    sound: NDArray[np.float32]
    beats_s: NDArray[np.float64]
    tempo_bpm: float
    key: str | None
    beats_per_bar: int = 4

    @property
    def downbeats_s(self) -> NDArray[np.float64]:
        return self.beats_s[:: self.beats_per_bar]


def make_track(
    *,
    tempo_bpm: float,
    pattern: str = "four on the floor",
    sections: tuple[tuple[str, ...], ...] = SECTIONS,
    lead_s: float = 0.0,
    swing: float = 0.5,
    drift: Callable[[float], float] = lambda beat: 1.0,
    minor: bool = True,
    tonic: int = 9,
    seed: int = 1,
    tail_s: float = 1.5,
    jitter_s: float = 0.0,
) -> Track:
    """Eight bars a section. `drift` is the factor on the tempo at a beat, `tonic` counts from C.

    `jitter_s` is the standard deviation of when each hit comes; the true beats have none.
    """
    beats_per_bar, steps = METRES.get(pattern, (4, 4))
    beats = 8 * beats_per_bar * len(sections)
    lengths = [60.0 / (tempo_bpm * drift(beat)) for beat in range(beats)]
    times_s = lead_s + np.concatenate([[0.0], np.cumsum(lengths)])
    sound = np.zeros(round((times_s[-1] + tail_s) * RATE_HZ))
    drums = _drums(np.random.default_rng(seed))
    late_s = _lateness(jitter_s, seed=seed)
    for index, parts in enumerate(sections):
        for bar in range(8 * index, 8 * index + 8):
            _play_bar(
                sound,
                times_s,
                bar,
                parts,
                PATTERNS[pattern],
                drums,
                swing=swing,
                minor=minor,
                tonic=tonic,
                late_s=late_s,
                metre=(beats_per_bar, steps),
            )
    sound *= 0.6 / np.abs(sound).max()
    stereo = np.repeat(sound[:, None], 2, axis=1).astype(np.float32)
    names = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
    tonal = any("chords" in parts for parts in sections)
    key = f"{names[tonic]} {'minor' if minor else 'major'}" if tonal else None
    return Track(stereo, times_s[:-1], tempo_bpm, key, beats_per_bar)


def wander(*, spread: float, seed: int) -> Callable[[float], float]:
    """A drift for `make_track`: a tempo that wanders as a drummer's does, from one two bars to the next.

    Every eight beats it forgets a fifth and takes a step of 0.6 of `spread`, but goes no further than twice
    that; between them it is linear.
    """
    steps, noise = [0.0], np.random.default_rng(seed)
    for step in noise.normal(0.0, 0.6 * spread, 100):
        steps.append(float(np.clip(0.8 * steps[-1] + step, -2.0 * spread, 2.0 * spread)))
    return lambda beat: 1.0 + float(np.interp(beat / 8.0, np.arange(len(steps)), steps))


def without(track: Track, *, beat: int, beats: float) -> Track:
    """The track with a piece cut out from just before a beat on; its length in beats need not be whole."""
    start_s = track.beats_s[beat] - 0.005
    cut_s = beats * (track.beats_s[beat + 1] - track.beats_s[beat])
    first, last = round(start_s * RATE_HZ), round((start_s + cut_s) * RATE_HZ)
    kept = np.concatenate([track.beats_s[:beat], track.beats_s[track.beats_s >= start_s + cut_s] - cut_s])
    return Track(
        np.concatenate([track.sound[:first], track.sound[last:]]),
        kept,
        track.tempo_bpm,
        track.key,
        track.beats_per_bar,
    )


def _lateness(jitter_s: float, *, seed: int) -> Callable[[], float]:
    noise = np.random.default_rng(seed + 1000)
    return lambda: float(np.clip(noise.normal(0.0, jitter_s), -3.0 * jitter_s, 3.0 * jitter_s))


def _play_bar(sound, times_s, bar, parts, pattern, drums, *, swing, minor, tonic, late_s, metre):
    # i iv V i in minor, I IV V I in major: a cadence that names its key.
    roots, thirds = ((0, 5, 7, 0), (3, 3, 4, 3)) if minor else ((0, 5, 7, 0), (4, 4, 4, 4))
    root = tonic + roots[bar % 4]
    for part in parts:
        if part == "chords":
            first = metre[0] * bar
            start, end = times_s[first], times_s[min(first + metre[0], times_s.size - 1)]
            _add(sound, start, 0.12 * _chord(root, thirds[bar % 4], end - start))
        else:
            for step in pattern[part]:
                _add(
                    sound,
                    max(_step_time(times_s, bar, step, swing, metre) + late_s(), 0.0),
                    drums[part] if part != "bass" else _bass(root),
                )


def _step_time(times_s, bar, step, swing, metre):
    beats_per_bar, steps = metre
    beat, part = beats_per_bar * bar + step // steps, step % steps
    place = {0: 0.0, 1: 0.5 * swing, 2: 0.5, 3: 0.5 + 0.5 * swing}[part] if steps == 4 else part / steps
    return times_s[beat] + place * (times_s[beat + 1] - times_s[beat])


def _add(sound, start_s, hit):
    first = round(start_s * RATE_HZ)
    length = min(hit.size, sound.size - first)
    sound[first : first + length] += hit[:length]


def _decay(length_s, half_s):
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return t, 0.5 ** (t / half_s)


def _drums(noise):
    t, fall = _decay(0.25, 0.05)
    kick = fall * np.sin(2.0 * np.pi * (50.0 * t + 4.0 * (1.0 - np.exp(-t / 0.03))))
    kick += 0.3 * 0.5 ** (t / 0.002) * noise.standard_normal(t.size)
    t, fall = _decay(0.2, 0.035)
    snare = fall * (0.4 * noise.standard_normal(t.size) + 0.3 * np.sin(2.0 * np.pi * 185.0 * t))
    t, fall = _decay(0.08, 0.012)
    hat = fall * 0.25 * np.diff(noise.standard_normal(t.size + 1))
    return {"kick": kick, "snare": snare, "hat": hat}


def _bass(semitone):
    t, fall = _decay(0.2, 0.08)
    frequency = 32.703 * 2.0 ** ((semitone % 12) / 12.0)
    tone = sum(np.sin(2.0 * np.pi * k * frequency * t) / k for k in (1, 2, 3))
    return 0.35 * fall * tone * np.minimum(t / 0.004, 1.0)


def _chord(root, third, length_s):
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    envelope = np.minimum(t / 0.01, 1.0) * np.minimum((length_s - t) / 0.05, 1.0)
    notes = (root % 12, root % 12 + third, root % 12 + 7)
    frequencies = [261.626 * 2.0 ** (note / 12.0) for note in notes]
    return envelope * sum(np.sin(2.0 * np.pi * k * f * t) / k**1.5 for f in frequencies for k in (1, 2, 3, 4))
