"""Strips of plans with effects, over sounds that lie on the frames of the mix: nothing is stretched."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from markers import RATE_HZ, MarkerTrack, Sound, make_track, plan_of

from mixrender.facts import Grid
from mixrender.mixdown.strip import Strip
from mixrender.timing.timeline import Timeline

BEAT_FRAMES = RATE_HZ // 2  # 120 BPM

STEADY = """
match_loudness: false
start: {at: 1}
end: {at: 9}
"""
"""Bars 1 to 9 of a track of 120 BPM: beat 0 lies 10 ms after the start, and 32 beats are heard."""

RAMP = """
match_loudness: false
start: {at: 1}
transitions:
  - {from: a, to: b, leave: 3, enter: 2, overlap: 6 bars, recipe: none}
"""
"""The same, gliding from 120 to 140 BPM between beats 8 and 32, into a track of 140 BPM."""


@cache
def quiet_tracks() -> list[MarkerTrack]:
    """Two files of soft noise, of which only the grids matter here: 120 and 140 BPM."""
    sound = 0.001 * np.random.default_rng(1).standard_normal((30 * RATE_HZ, 2))
    with TemporaryDirectory() as name:
        return [
            make_track(Path(name) / f"{track}.wav", sound, Grid("steady", bpm, 0.5))
            for track, bpm in (("a", 120.0), ("b", 140.0))
        ]


def timeline_of(moves: str, *, plan: str = STEADY) -> Timeline:
    """The timeline of a plan of one track, or of two where it is `RAMP`, with moves of track a."""
    tracks = quiet_tracks()[: 2 if "from" in plan else 1]
    return plan_of(f"{plan}\n# a: moves: {{{moves}}}\n", tracks)[1]


def strip_of(timeline: Timeline, sound: Sound, *, gain_db: float = 0.0) -> Strip:
    """Track a of a timeline, with this sound on the frames of the mix in place of its file."""

    def source(start: int, stop: int) -> Sound:
        out = np.zeros((stop - start, 2))
        first, last = max(start, 0), min(stop, len(sound))
        if first < last:
            out[first - start : last - start] = sound[first:last]
        return out

    return Strip(
        timeline.tracks[0],
        source,
        gain_db=gain_db,
        tempo_map=timeline.tempo_map,
        sample_rate_hz=RATE_HZ,
        bands_hz=(250.0, 2500.0),
    )


def impulses(frames: Sequence[int], *, length: int = 24 * RATE_HZ) -> Sound:
    """Ones at these frames, on both sides."""
    sound = np.zeros((length, 2))
    sound[list(frames)] = 1.0
    return sound


def frame_of(timeline: Timeline, beat: float) -> float:
    """The place of a beat of the mix in frames."""
    return timeline.tempo_map.time_at(beat) * RATE_HZ


def whole(strip: Strip) -> Sound:
    """All that a strip gives."""
    return strip.read(0, strip.sounds_until)
