"""Nothing in, a fixed set of made-up tracks with their truth out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "analysis"))
from loop_music import RATE_HZ, SECTIONS, Track, make_track, wander

# Drums alone, then all, then a break; drums that come in late; a track that is all drums and bass.
LATE = (
    ("chords",),
    ("kick", "hat"),
    ("kick", "snare", "hat", "bass", "chords"),
    ("chords", "bass"),
    ("kick",),
)
FULL = ("kick", "snare", "hat", "bass", "chords")
DRUMS = (("kick", "hat"), ("kick", "snare", "hat"), ("kick", "snare", "hat", "bass"), ("kick", "hat"))

__all__ = ["RATE_HZ", "made_tracks", "make_track", "truth_of"]

STEADY: tuple[dict[str, Any], ...] = (
    {"tempo_bpm": 122.0, "pattern": "four on the floor", "tonic": 0},
    {"tempo_bpm": 124.37, "pattern": "four on the floor", "tonic": 5, "swing": 0.58, "lead_s": 0.31},
    {"tempo_bpm": 128.0, "pattern": "four on the floor", "tonic": 9, "sections": LATE, "lead_s": 0.07},
    {"tempo_bpm": 132.5, "pattern": "four on the floor", "tonic": 2, "minor": False},
    {"tempo_bpm": 140.0, "pattern": "four on the floor", "tonic": 7, "jitter_s": 0.006},
    {"tempo_bpm": 118.0, "pattern": "four on the floor", "tonic": 10, "sections": DRUMS},
    {"tempo_bpm": 126.0, "pattern": "two-step", "tonic": 4, "lead_s": 1.2},
    {"tempo_bpm": 131.0, "pattern": "two-step", "tonic": 11, "swing": 0.62},
    {"tempo_bpm": 133.33, "pattern": "breakbeat", "tonic": 1, "minor": False, "lead_s": 0.5},
    {"tempo_bpm": 127.43, "pattern": "breakbeat", "tonic": 6, "sections": LATE},
    {"tempo_bpm": 172.0, "pattern": "breakbeat", "tonic": 3, "lead_s": 0.2},
    {"tempo_bpm": 94.0, "pattern": "hip-hop", "tonic": 8, "swing": 0.6},
    {"tempo_bpm": 88.2, "pattern": "hip-hop", "tonic": 5, "minor": False, "jitter_s": 0.004},
    {"tempo_bpm": 102.0, "pattern": "hip-hop", "tonic": 0, "lead_s": 0.9, "sections": (*SECTIONS[1:], FULL)},
    {"tempo_bpm": 150.0, "pattern": "waltz", "tonic": 2},
    {"tempo_bpm": 112.0, "pattern": "waltz", "tonic": 9, "minor": False, "lead_s": 0.4},
    {"tempo_bpm": 72.0, "pattern": "six-eight", "tonic": 4},
)


def _step(beat: float) -> float:
    return 1.0 if beat < 96 else 1.1


def _creep(beat: float) -> float:
    return 1.0 + 0.03 * beat / 192.0


VARYING: tuple[tuple[str, dict[str, Any]], ...] = (
    ("stepped", {"tempo_bpm": 116.0, "tonic": 7, "drift": _step}),
    ("varying", {"tempo_bpm": 120.0, "tonic": 1, "drift": _creep, "lead_s": 0.11}),
    ("varying", {"tempo_bpm": 108.0, "tonic": 10, "drift": wander(spread=0.012, seed=3)}),
)


def made_tracks() -> Iterator[tuple[str, Track, dict[str, Any]]]:
    """Name, sound and truth of each track; the same on every run."""
    plans = [*(("constant", given) for given in STEADY), *VARYING]
    for index, (kind, given) in enumerate(plans):
        track = make_track(**{"seed": index, **given})
        yield f"made{index:02}", track, truth_of(track, kind=kind, sections=given.get("sections", SECTIONS))


def truth_of(track: Track, *, kind: str, sections: tuple[tuple[str, ...], ...]) -> dict[str, Any]:
    """The truth of a track as its JSON has it."""
    beats_s = track.beats_s
    return {
        "beats": beats_s.tolist(),
        "downbeats": track.downbeats_s.tolist(),
        "tempo": {"bpm": track.tempo_bpm, "kind": kind, "also_felt_as": None},
        "key": track.key,
        "sections": _sections(track, sections),
    }


def _sections(track: Track, sections: tuple[tuple[str, ...], ...]) -> list[dict[str, Any]]:
    """Neighbours that hold the same are one section."""
    end_s = 2.0 * track.beats_s[-1] - track.beats_s[-2]
    lines_s = [*track.downbeats_s.tolist(), float(end_s)]
    found, bar = [], 0
    for parts, same in groupby(sections):
        last = bar + 8 * len(list(same))
        drums = bool({"kick", "snare", "hat"} & set(parts))
        found.append({"start": lines_s[bar], "end": lines_s[last], "drums": drums, "kick": "kick" in parts})
        bar = last
    return found
