"""Speech-like sound, files of it, and plans with voices over two tracks, for tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from markers import MarkerTrack, Sound, facts_of, plan_of
from scipy import signal

from mixrender.facts import Grid, TrackFacts
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

VoiceEntry = tuple[Path, TrackFacts, str]
"""A file, its facts and the rest of its entry in a plan: `at: 6 s`."""

SPOKEN_S = (0.4, 2.0)
"""When the sentence in a file of 2.5 s begins and ends."""


def speech(
    rate_hz: int, *, seconds: float = 2.5, spans_s: Sequence[tuple[float, float]] = (SPOKEN_S,), seed: int = 1
) -> Sound:
    """Speech-like sound, shape (n,): noise with three formants in four syllables a second, silence around."""
    frames = round(seconds * rate_hz)
    t = np.arange(frames) / rate_hz
    noise = np.random.default_rng(seed).standard_normal(frames)
    sound = np.zeros(frames)
    for hz, gain in ((500.0, 1.0), (1500.0, 0.4), (2500.0, 0.25)):
        b, a = signal.iirpeak(hz, 4.0, fs=rate_hz)
        sound += gain * signal.lfilter(b, a, noise)
    syllables = 0.25 + 0.75 * np.abs(np.sin(np.pi * 4.0 * t))
    spoken = np.zeros(frames, dtype=bool)
    for start_s, end_s in spans_s:
        spoken[round(start_s * rate_hz) : round(end_s * rate_hz)] = True
    return np.where(spoken, 0.2 * syllables * sound, 0.0)


def voice_file(path: Path, sound: Sound, rate_hz: int) -> TrackFacts:
    """A file of speech, of one channel or two, and what is known of it."""
    soundfile.write(path, sound.astype(np.float32), rate_hz, subtype="FLOAT")
    stereo = path.with_suffix(".stereo.wav")
    soundfile.write(stereo, np.stack((sound, sound), 1) if sound.ndim == 1 else sound, rate_hz, "FLOAT")
    silent = not np.any(sound)
    facts = facts_of(stereo, Grid("none"))
    stereo.unlink()
    return replace(
        facts,
        content_hash=f"{abs(hash(sound.tobytes())):032x}",
        channels=sound.ndim,
        last_sound_s=0.0 if silent else facts.last_sound_s,
    )


def plan_with_voices(
    text: str, voices: Sequence[VoiceEntry], tracks: Sequence[MarkerTrack]
) -> tuple[Plan, Timeline]:
    """A plan over two tracks with voices; `text` is all of it but tracks and voices."""
    if not voices:
        return plan_of(text, tracks)
    lines = [text, "voices:", *(f"  - {{file: {file}, {rest}}}" for file, _, rest in voices), "tracks:"]
    lines += [f"  {name}: {track.path}" for name, track in zip("ab", tracks, strict=True)]
    plan = parse_plan("\n".join(lines))
    facts = [*(track.facts for track in tracks), *(facts for _, facts, _ in voices)]
    return plan, build_timeline(plan, facts)
