"""Small mixes whose tracks differ in loudness, rendered once; long ones made of them without rendering."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from markers import RATE_HZ, MarkerTrack, make_track, music, plan_of
from scipy import signal

from mixrender.audio.cache import Cache
from mixrender.facts import Grid
from mixrender.mixdown.render import render_mix
from mixrender.mixdown.result import MixResult
from mixrender.progress import NoProgress

BPM, BAR_1_S, BARS = 120.0, 0.3, 10

JOINTS = """
transitions:
  - {from: a, to: b, leave: 8, enter: 2, overlap: 2 bars}
  - {from: b, to: c, leave: 9, enter: 2, overlap: 1 bar}
"""
UNMATCHED = "match_loudness: false\n" + JOINTS
LIMITED = "loudness: -11 LUFS\n" + UNMATCHED


def uneven_tracks(folder: Path, gains: Sequence[float] = (0.5, 0.25, 0.4)) -> list[MarkerTrack]:
    """Music below 19 kHz at one tempo, so that nothing is stretched; each track has its gain."""
    band = signal.firwin(511, 19000.0, window=("kaiser", 9.0), fs=RATE_HZ)
    tracks = []
    for seed, gain in enumerate(gains, start=1):
        sound = music(BAR_1_S + BARS * 240.0 / BPM, BPM, BAR_1_S, RATE_HZ, seed) * gain
        sound = signal.fftconvolve(sound, band[:, None], mode="same", axes=0)
        tracks.append(make_track(folder / f"{seed}.wav", sound, Grid("steady", BPM, BAR_1_S)))
    return tracks


def render_small(text: str, tracks: Sequence[MarkerTrack], folder: Path) -> MixResult:
    """Render a plan over these tracks, which are called a, b, c."""
    plan, timeline = plan_of(text, tracks)
    cache = Cache(folder / "cache")
    return render_mix(plan, timeline, folder=folder / "mix", cache=cache, progress=NoProgress())


def repeated(result: MixResult, times: int, *, names: Sequence[str] = ()) -> MixResult:
    """A mix that plays `times` times on end, as if it were one; `names` are given to its first tracks."""
    timeline, sound = result.timeline, result.sound
    assert sound is not None
    length_s, count = timeline.duration_s, len(timeline.tracks)
    frames = round(length_s * result.sample_rate_hz)
    tracks, transitions = [], []
    for k in range(times):
        for track in timeline.tracks:
            index = track.index + k * count
            name = names[index] if index < len(names) else f"{track.name}{k}"
            start_s, end_s = track.start_s + k * length_s, track.end_s + k * length_s
            tracks.append(replace(track, index=index, name=name, start_s=start_s, end_s=end_s))
        for one in timeline.transitions:
            moved = replace(one, outgoing=one.outgoing + k * count, incoming=one.incoming + k * count)
            start_s, end_s = one.start_s + k * length_s, one.end_s + k * length_s
            moved = replace(moved, index=len(transitions) + 1, start_s=start_s, end_s=end_s)
            transitions.append(moved)
    loudness = replace(sound.loudness, duration_s=length_s * times)
    long = replace(
        sound,
        loudness=loudness,
        power=replace(sound.power, energies=np.tile(sound.power.energies, times)),
        starts=tuple(start + k * frames for k in range(times) for start in sound.starts),
        peaks=tuple(p._replace(frame=p.frame + k * frames) for k in range(times) for p in sound.peaks),
        sample_peaks=sound.sample_peaks * times,
    )
    master = replace(
        result.master,
        gain_reduction_db=np.tile(result.master.gain_reduction_db, times),
        mean_gain_reductions_db=np.tile(result.master.mean_gain_reductions_db, times),
    )
    whole = replace(
        timeline, tracks=tuple(tracks), transitions=tuple(transitions), duration_s=length_s * times
    )
    return replace(result, timeline=whole, loudness=loudness, sound=long, master=master, levelling=None)
