"""An audio file in, all that can be heard of the track (TrackFacts) out."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.beats import find_beats
from mixrender.analysis.form import with_form
from mixrender.analysis.key import find_key, key_doubts
from mixrender.analysis.listen import LONGEST_TRACK_S, Heard, listen
from mixrender.analysis.section_loudness import bar_spans, integrated_lufs, mean_lufs
from mixrender.analysis.track_warnings import sound_warnings
from mixrender.audio.info import AudioInfo
from mixrender.facts import Grid, TrackFacts
from mixrender.loudness.power import PowerSeries
from mixrender.progress import Advance
from mixrender.units import format_time


def measure(info: AudioInfo, *, advance: Advance = lambda amount: None) -> TrackFacts:
    """The facts of a file, measured; `content_hash` and `analysis_version` are left empty.

    What lasts longer than LONGEST_TRACK_S is taken for a recorded mix: it has no grid and no key.
    """
    heard = listen(info, advance=advance)
    facts = TrackFacts(
        content_hash="",
        duration_s=heard.duration_s,
        sample_rate_hz=info.sample_rate_hz,
        channels=info.channels,
        decoder=info.decoder,
        grid=Grid(kind="none"),
        first_sound_s=heard.first_sound_s or 0.0,
        last_sound_s=heard.last_sound_s,
        loudness=heard.loudness,
        condition=heard.condition,
    )
    if heard.first_sound_s is None:
        advance(0.5)
        return dataclasses.replace(facts, warnings=("silent: nothing is above -60 dBFS",))
    if heard.signal is not None:
        facts = _with_music(facts, heard.signal, advance)
    else:
        advance(0.5)
    facts = _with_levels(facts, heard.power)
    return dataclasses.replace(facts, warnings=(*_length_warnings(heard), *sound_warnings(facts)))


def _with_music(facts: TrackFacts, signal: NDArray[np.float32], advance: Advance) -> TrackFacts:
    """The facts with all that is told by the mono signal: grid, key, sections."""
    beats = find_beats(signal, first_sound_s=facts.first_sound_s)
    advance(0.2)
    bars_confidence = beats.confidence.placed * beats.confidence.bar_1
    key = find_key(signal, grid=beats.grid, bars_confidence=bars_confidence)
    advance(0.3)
    facts = dataclasses.replace(
        facts,
        grid=beats.grid,
        confidence=dataclasses.replace(beats.confidence, key=round(key.confidence, 4)),
        key=str(key.key) if key.key else None,
        key_rival=str(key.rival) if key.rival else None,
        tuning_cents=None if key.tuning_cents is None else round(key.tuning_cents, 1),
        doubts=(*beats.doubts, *key_doubts(key)),
    )
    return with_form(facts, signal, beats.slots)


def _with_levels(facts: TrackFacts, power: PowerSeries) -> TrackFacts:
    """The facts with the loudness of each section and of each bar."""
    starts_s = [*(section.start_s for section in facts.sections), facts.duration_s]
    spans = [
        (section.start_s, section.end_s or next_s)
        for section, next_s in zip(facts.sections, starts_s[1:], strict=True)
    ]
    loudness = integrated_lufs(power, spans)
    sections = tuple(
        dataclasses.replace(section, integrated_lufs=lufs)
        for section, lufs in zip(facts.sections, loudness, strict=True)
    )
    levels = mean_lufs(power, bar_spans(facts.grid, duration_s=facts.duration_s))
    bars = dataclasses.replace(facts.bars, level_lufs=tuple(round(level, 2) for level in levels))
    return dataclasses.replace(facts, sections=sections, bars=bars)


def _length_warnings(heard: Heard) -> tuple[str, ...]:
    if heard.signal is not None:
        return ()
    return (
        f"longer than {LONGEST_TRACK_S / 60.0:.0f} minutes ({format_time(heard.duration_s)}), so taken for a "
        "recorded mix: its beats, bars and key were not looked for",
    )
