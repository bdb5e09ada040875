"""An audio file in, all that can be heard of the track (TrackFacts) out."""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from mixrender.analysis.beats import find_beats
from mixrender.analysis.key import KeyFound, find_key
from mixrender.analysis.onsets import RATE_HZ
from mixrender.analysis.sections import Form, find_form
from mixrender.analysis.slots import Slots
from mixrender.audio.read import AudioInfo, read_blocks
from mixrender.facts import Doubt, Grid, Loudness, Section, TrackFacts
from mixrender.loudness.meter import Meter
from mixrender.progress import Advance
from mixrender.units import db_to_gain

ANALYSIS_VERSION = "1"
"""Raised whenever the same sound would give other facts."""

SOUND_DBFS = -60.0
_BLOCK_FRAMES = 65536
_DOUBTFUL_KEY = 0.3


@dataclass(frozen=True)
class Heard:
    """One pass over a file: the mono signal at RATE_HZ, shape (n,), its bounds in seconds, its loudness."""

    signal: NDArray[np.float32]
    duration_s: float
    first_sound_s: float | None
    last_sound_s: float
    loudness: Loudness


def with_grid(facts: TrackFacts, grid: Grid) -> TrackFacts:
    """The same track counted by another grid: its sections, first and last bar keep their places in time.

    Each goes to the nearest bar line of the new grid. Doubts about the old grid are dropped.
    """
    sections: tuple[Section, ...] = ()
    first = last = None
    if grid.kind != "none" and facts.grid.kind != "none":
        bars = dict.fromkeys(_moved(section.bar, facts.grid, grid) for section in facts.sections)
        sections = tuple(Section(bar, round(grid.time_at(grid.bar_to_beat(bar)), 6)) for bar in bars)
        if facts.first_enter_bar is not None and facts.last_leave_bar is not None:
            first = _moved(facts.first_enter_bar, facts.grid, grid)
            last = _moved(facts.last_leave_bar, facts.grid, grid)
    return dataclasses.replace(
        facts,
        grid=grid,
        confidence=dataclasses.replace(facts.confidence, tempo=1.0, beats=1.0, bar_1=1.0),
        sections=sections,
        first_enter_bar=first,
        last_leave_bar=last,
        doubts=tuple(doubt for doubt in facts.doubts if doubt.part == "key"),
    )


def _moved(bar: int, old: Grid, new: Grid) -> int:
    """The bar of the new grid whose line lies nearest to that of the old one."""
    return max(round(new.beat_to_bar(new.beat_at(old.time_at(old.bar_to_beat(bar))))), 1)


def measure(info: AudioInfo, *, advance: Advance = lambda amount: None) -> TrackFacts:
    """The facts of a file, measured; `content_hash` and `analysis_version` are left empty."""
    heard = listen(info, advance=advance)
    facts = TrackFacts(
        content_hash="",
        duration_s=heard.duration_s,
        sample_rate_hz=info.sample_rate_hz,
        channels=info.channels,
        decoder=info.decoder,
        grid=Grid(kind="none"),
        loudness=heard.loudness,
    )
    if heard.first_sound_s is None:
        advance(0.5)
        return dataclasses.replace(facts, warnings=("silent: nothing is above -60 dBFS",))
    beats = find_beats(heard.signal, first_sound_s=heard.first_sound_s)
    advance(0.2)
    key = find_key(heard.signal)
    advance(0.3)
    form = _form(heard.signal, beats.grid, beats.slots)
    return dataclasses.replace(
        facts,
        grid=beats.grid,
        confidence=dataclasses.replace(beats.confidence, key=round(key.confidence, 4)),
        key=str(key.key) if key.key else None,
        key_rival=str(key.rival) if key.rival else None,
        tuning_cents=None if key.tuning_cents is None else round(key.tuning_cents, 1),
        sections=_sections(beats.grid, form),
        first_enter_bar=form.first_enter_bar if form else None,
        last_leave_bar=form.last_leave_bar if form else None,
        first_sound_s=heard.first_sound_s,
        last_sound_s=heard.last_sound_s,
        doubts=(*beats.doubts, *_key_doubts(key)),
    )


def listen(info: AudioInfo, *, advance: Advance = lambda amount: None) -> Heard:
    """Decode a file once, block by block: what is kept of it is the mono signal at RATE_HZ."""
    resampler = soxr.ResampleStream(info.sample_rate_hz, RATE_HZ, 1, dtype="float32", quality="HQ")
    meter = Meter(sample_rate_hz=info.sample_rate_hz, channels=2)
    parts, frames = [], 0
    first = last = None
    expected = max(info.expected_s * info.sample_rate_hz, 1.0)
    for block in read_blocks(info.path, block_frames=_BLOCK_FRAMES):
        meter.push(block)
        loud = np.flatnonzero(np.abs(block).max(axis=1) > db_to_gain(SOUND_DBFS))
        if loud.size:
            first = frames + int(loud[0]) if first is None else first
            last = frames + int(loud[-1]) + 1
        parts.append(resampler.resample_chunk(block.mean(axis=1)))
        frames += len(block)
        advance(0.5 * len(block) / expected)
    parts.append(resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True))
    rate_hz = info.sample_rate_hz
    return Heard(
        signal=np.concatenate(parts),
        duration_s=frames / rate_hz,
        first_sound_s=None if first is None else first / rate_hz,
        last_sound_s=0.0 if last is None else last / rate_hz,
        loudness=meter.result(),
    )


def _form(signal: NDArray[np.float32], grid: Grid, slots: Slots | None) -> Form | None:
    if slots is None:
        return None
    last_bar = int(grid.beat_to_bar(grid.beat_at(signal.size / RATE_HZ)))
    lines_s = [grid.time_at(grid.bar_to_beat(bar)) for bar in range(1, last_bar + 1)]
    return find_form(slots, _levels_db(signal, lines_s), beats_per_bar=grid.beats_per_bar)


def _levels_db(signal: NDArray[np.float32], lines_s: list[float]) -> NDArray[np.float64]:
    """Root mean square of the sound between each two bar lines in dBFS, shape (bars,); silence is -120."""
    frames = np.clip(np.round(np.array(lines_s) * RATE_HZ).astype(int), 0, signal.size)
    powers = [
        float(np.mean(signal[a:b].astype(np.float64) ** 2)) if b > a else 0.0
        for a, b in itertools.pairwise(frames)
    ]
    return np.asarray(10.0 * np.log10(np.array(powers) + 1e-12))


def _sections(grid: Grid, form: Form | None) -> tuple[Section, ...]:
    bars = form.starts if form else ()
    return tuple(Section(bar, round(grid.time_at(grid.bar_to_beat(bar)), 6)) for bar in bars)


def _key_doubts(key: KeyFound) -> tuple[Doubt, ...]:
    if key.key is None or key.rival is None or key.confidence >= _DOUBTFUL_KEY:
        return ()
    return (Doubt("key", f"the key may also be {key.rival}"),)
