"""The analysis of made-up tracks, and how far the beats it finds lie from the true ones."""

from __future__ import annotations

import numpy as np
import soxr
from loop_music import RATE_HZ, Track

from mixrender.analysis import onsets
from mixrender.analysis.beats import Beats, find_beats


def mono(sound):
    """The sound of a track, shape (n, 2) at RATE_HZ, as the analysis takes it."""
    return soxr.resample(sound.mean(axis=1), RATE_HZ, onsets.RATE_HZ).astype(np.float32)


def beats_of(track: Track) -> Beats:
    """What the analysis finds in a track."""
    first_sound_s = float(np.argmax(np.abs(track.sound).max(axis=1) > 0.001)) / RATE_HZ
    return find_beats(mono(track.sound), first_sound_s=first_sound_s)


def doubts(found: Beats) -> list[str]:
    """The doubts in words."""
    return [doubt.words for doubt in found.doubts]


def beats_within(found: Beats, track: Track):
    """The beats of a grid from the first true beat to the last one, seconds."""
    first = round(found.grid.beat_at(float(track.beats_s[0])))
    last = round(found.grid.beat_at(float(track.beats_s[-1])))
    return np.array([found.grid.time_at(beat) for beat in range(first, last + 1)])


def late_s(found: Beats, track: Track):
    """How much later than each true beat the nearest beat of the grid comes, seconds."""
    beats = beats_within(found, track)
    return beats[np.argmin(np.abs(beats[:, None] - track.beats_s[None, :]), axis=0)] - track.beats_s
