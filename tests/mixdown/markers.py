"""Tracks of known clicks and tones, plans over them, and a measurement of clicks apart from the product's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import dedent

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

from mixrender.audio.cache import Cache
from mixrender.audio.sound_hash import content_hash
from mixrender.facts import Grid, TrackFacts
from mixrender.loudness.meter import Meter
from mixrender.mixdown.mix import Mix
from mixrender.mixdown.prepare import PreparedMix, prepare
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.progress import NoProgress
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

RATE_HZ = 44100
P95_MS, WORST_MS = 1.5, 3.0
"""How far beats may lie from each other and from the report: the acceptance bounds of the renderer."""

OUT_HZ, IN_HZ = 1500.0, 6000.0
"""Pitch of the clicks of an outgoing and of an incoming track: two octaves apart, for filters to part."""

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class MarkerTrack:
    """A file, its facts, and what is known of it: when each beat sounds, and at what pitch."""

    path: Path
    facts: TrackFacts
    beats_s: Sound
    click_hz: float
    rise_s: float = 0.0


def click(t: Sound, hz: float, *, rise_s: float = 0.0) -> Sound:
    """A burst that begins at t = 0, at once or with a soft rise, and falls by 1/e every 6 ms."""
    rise = np.sin(0.5 * np.pi * np.clip(t / rise_s, 0.0, 1.0)) ** 2 if rise_s else 1.0
    return np.where(t >= 0, rise * np.exp(-np.clip(t, 0, None) / 0.006) * np.sin(2 * np.pi * hz * t), 0.0)


def click_sound(
    beats_s: Sound,
    *,
    hz: float,
    duration_s: float,
    rate_hz: int,
    seed: int = 1,
    rise_s: float = 0.0,
    bed: float = 0.01,
) -> Sound:
    """Clicks at exact times over a wide bed of low noise, shape (n, 2); a bed of 0.01 lies at -58 dB."""
    frames = round(duration_s * rate_hz)
    rng = np.random.default_rng(seed)
    low_pass = signal.butter(2, 300.0, fs=rate_hz, output="sos")
    sound = signal.sosfilt(low_pass, rng.standard_normal((frames, 2)), axis=0) * bed
    for beat_s in beats_s:
        first = max(int(np.floor(beat_s * rate_hz)), 0)
        last = min(first + round(0.06 * rate_hz), frames)
        if first < last:
            t = np.arange(first, last) / rate_hz - beat_s
            sound[first:last] += 0.5 * click(t, hz, rise_s=rise_s)[:, None]
    return sound


def write_wav(path: Path, sound: Sound, rate_hz: int = RATE_HZ) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, sound.astype(np.float32), rate_hz, subtype="FLOAT")


def facts_of(path: Path, grid: Grid, *, last_leave_bar: int | None = None) -> TrackFacts:
    """Facts of a file whose grid is known: nothing of the analysis takes part."""
    sound, rate_hz = soundfile.read(path, always_2d=True)
    meter = Meter(sample_rate_hz=rate_hz)
    meter.push(sound)
    duration_s = len(sound) / rate_hz
    return TrackFacts(
        content_hash=content_hash(path),
        duration_s=duration_s,
        sample_rate_hz=rate_hz,
        channels=2,
        decoder="libsndfile",
        grid=grid,
        first_enter_bar=1 if grid.kind != "none" else None,
        last_leave_bar=last_leave_bar,
        first_sound_s=0.0,
        last_sound_s=duration_s,
        loudness=meter.result(),
    )


def make_track(
    path: Path, sound: Sound, grid: Grid, *, hz: float = 0.0, rate_hz: int = RATE_HZ
) -> MarkerTrack:
    write_wav(path, sound, rate_hz)
    return MarkerTrack(path, facts_of(path, grid), np.zeros(0), hz)


def click_track(
    path: Path,
    bpm: float,
    *,
    hz: float,
    bars: int = 14,
    bar_1_s: float = 0.3,
    rate_hz: int = RATE_HZ,
    rise_s: float = 0.0,
    bed: float = 0.01,
) -> MarkerTrack:
    """A steady track with a click on each beat from bar 1 on."""
    beats_s = bar_1_s + np.arange(bars * 4) * 60.0 / bpm
    duration_s = bar_1_s + bars * 240.0 / bpm
    sound = click_sound(
        beats_s,
        hz=hz,
        duration_s=duration_s,
        rate_hz=rate_hz,
        seed=round(hz),
        rise_s=rise_s,
        bed=bed,
    )
    track = make_track(path, sound, Grid("steady", bpm, bar_1_s), hz=hz, rate_hz=rate_hz)
    return replace(track, beats_s=beats_s, rise_s=rise_s)


def click_pair(folder: Path, a: float = 124.0, b: float = 128.0, *, bars: int = 14) -> list[MarkerTrack]:
    """An outgoing and an incoming click track."""
    return [
        click_track(folder / "a.wav", a, hz=OUT_HZ, bars=bars),
        click_track(folder / "b.wav", b, hz=IN_HZ, bars=bars, bar_1_s=0.517),
    ]


def music(seconds: float, bpm: float, bar_1_s: float, rate_hz: int, seed: int) -> Sound:
    """Kicks, hats and a wide chord that never repeat themselves exactly."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    sound = np.zeros((len(t), 2))
    for hz in (110.0, 164.8, 220.0, 329.6, 493.9):
        for side in (0, 1):
            sound[:, side] += 0.03 * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28))
    beats = np.arange(int((seconds - bar_1_s) * bpm / 60.0))
    for at_s in bar_1_s + beats * 60.0 / bpm:
        into = t - at_s
        inside = (into >= 0) & (into < 0.3)
        k = into[inside]
        sound[inside] += (
            0.4 * np.exp(-k / 0.08) * np.sin(2 * np.pi * (48.0 * k + 4.0 * (1 - np.exp(-k / 0.03))))
        )[:, None]
        sound[inside] += 0.1 * (np.exp(-k / 0.02) * rng.standard_normal(len(k)))[:, None]
    return sound + 0.001 * rng.standard_normal(sound.shape)


def music_track(
    path: Path, bpm: float, bar_1_s: float, *, rate_hz: int = RATE_HZ, seed: int = 1, bars: int = 14
) -> MarkerTrack:
    write_wav(path, music(bar_1_s + bars * 240.0 / bpm, bpm, bar_1_s, rate_hz, seed), rate_hz)
    return MarkerTrack(path, facts_of(path, Grid("steady", bpm, bar_1_s)), np.zeros(0), 0.0)


@dataclass(frozen=True)
class Rendered:
    """A plan placed in time and ready to be read, before the master."""

    plan: Plan
    timeline: Timeline
    prepared: PreparedMix

    @property
    def mix(self) -> Mix:
        return self.prepared.mix

    def whole(self) -> Sound:
        return np.concatenate(list(self.mix.blocks()))


def plan_of(text: str, tracks: Sequence[MarkerTrack]) -> tuple[Plan, Timeline]:
    """A plan over these tracks, called `a`, `b`, `c`; `text` is all of it but the tracks."""
    names = "abcdefgh"
    lines = [dedent(text), "tracks:"]
    more = {}
    if "#" in text:  # `# a: key_lock: false` gives a field to a track
        for line in dedent(text).splitlines():
            if line.startswith("#"):
                name, _, field = line[1:].strip().partition(": ")
                more.setdefault(name, []).append(field)
    for name, track in zip(names, tracks, strict=False):
        lines += [f"  {name}:", f"    file: {track.path}", *(f"    {field}" for field in more.get(name, []))]
    plan = parse_plan("\n".join(lines))
    return plan, build_timeline(plan, [track.facts for track in tracks])


def rendered(
    text: str,
    tracks: Sequence[MarkerTrack],
    cache: Cache,
    *,
    windows_s: Sequence[tuple[float, float]] | None = None,
) -> Rendered:
    plan, timeline = plan_of(text, tracks)
    prepared = prepare(plan, timeline, cache=cache, progress=NoProgress(), windows_s=windows_s)
    return Rendered(plan, timeline, prepared)


BUSY = """
match_loudness: false
bands: [200 Hz, 2 kHz]
start: {at: 1, fade: 1 bar}
end: {at: 11, fade: 1 bar}
transitions:
  - from: a
    to: b
    leave: 7
    enter: 3
    overlap: 4 bars
    moves:
      a:
        low: {0: 0 dB, 1: kill in 2 beats, 2.3: -6 dB at once}
        highpass: {-3.3: open, 0: 120 Hz, 2: 600 Hz, 3: open at once}
        lowpass: {-1: open, 3: 2000 Hz}
      b:
        highpass: {0: 300 Hz, 3.7: 40 Hz, 4.5: open}
        lowpass: {0: 900 Hz, 1.5: open at once, 2.5: 5000 Hz at once, 5: open}
        mid: {0: -9 dB, 3: 3 dB, 4: 0 dB at once}
        high: {0: kill, 2.2: 0 dB in 3 beats}
"""
"""A plan over two tracks of 14 bars in which every control moves, ramps and steps in each other's way."""


# --- measuring ---


def _envelope(sound: Sound, hz: float, rate_hz: int) -> Sound:
    """Envelope of what lies around `hz`: zero-phase band-pass, then the analytic signal's magnitude."""
    band = signal.butter(3, [hz * 0.6, hz * 1.6], "bandpass", fs=rate_hz, output="sos")
    return np.abs(signal.hilbert(signal.sosfiltfilt(band, sound)))


def heard_s(
    sound: Sound, expected_s: Sound, *, hz: float, rate_hz: int = RATE_HZ, rise_s: float = 0.0
) -> Sound:
    """When the click nearest to each expected time begins: NaN where there is none within 15 ms.

    The envelope around the clicks' pitch is correlated with that of one clean click; a parabola through the
    peak gives fractions of a frame. Shape (n,) for `sound` (one channel) and any shape for `expected_s`.
    """
    ahead = round(0.1 * rate_hz)  # so that a click right at the start has room before it
    envelope = _envelope(np.concatenate((np.zeros(ahead), sound, np.zeros(ahead))), hz, rate_hz)
    pad = round(0.05 * rate_hz)
    t = (np.arange(3 * pad) - pad) / rate_hz
    clean = _envelope(0.5 * click(t, hz, rise_s=rise_s), hz, rate_hz)[
        pad - round(0.004 * rate_hz) : pad + round(0.04 * rate_hz)
    ]
    clean = clean - clean.mean()
    lead, reach = round(0.004 * rate_hz), round(0.015 * rate_hz)
    found = np.full(len(expected_s), np.nan)
    for i, place_s in enumerate(expected_s):
        begin = ahead + round(place_s * rate_hz) - lead - reach
        piece = envelope[max(begin, 0) : begin + len(clean) + 2 * reach]
        if begin < 0 or len(piece) < len(clean) + 2 * reach or piece.max() < 1e-3:
            continue
        likeness = np.correlate(piece, clean, "valid")
        k = int(np.argmax(likeness))
        if 0 < k < len(likeness) - 1:
            before, peak, after = likeness[k - 1 : k + 2]
            found[i] = (
                begin - ahead + lead + k + (before - after) / (2 * (before - 2 * peak + after))
            ) / rate_hz
    return found


def check_ms(errors_ms: Sound, name: str, *, p95_ms: float = P95_MS, worst_ms: float = WORST_MS) -> None:
    """Hold distances in ms within the bounds, and print them."""
    assert len(errors_ms) and np.all(np.isfinite(errors_ms)), f"{name}: a click was not found"
    p95, worst = float(np.percentile(np.abs(errors_ms), 95)), float(np.abs(errors_ms).max())
    print(
        f"{name}: {len(errors_ms)} beats, median {np.median(errors_ms):+.3f}, p95 {p95:.3f} <= {p95_ms}, "
        f"worst {worst:.3f} <= {worst_ms} ms"
    )
    assert p95 <= p95_ms
    assert worst <= worst_ms


def level_db(sound: Sound) -> float:
    """RMS level in dB."""
    return float(10.0 * np.log10(np.mean(np.square(sound)) + 1e-30))


def null_db(sound: Sound, reference: Sound) -> float:
    """Level of what one constant gain on the reference leaves of the sound, in dB against the sound."""
    gain = float(np.sum(sound * reference) / np.sum(reference * reference))
    return level_db(sound - gain * reference) - level_db(sound)
