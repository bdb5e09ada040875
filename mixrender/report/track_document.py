"""What is known of a track to the JSON of the contract: units in the names, null for what is not known."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from mixrender.analysis.track_warnings import all_warnings
from mixrender.facts import TrackFacts
from mixrender.report.document import Document, loudness_fields


def track_document(file: Path, facts: TrackFacts) -> Document:
    """One track of `analyze --json`."""
    grid = facts.grid
    beats_s, downbeats_s = grid_times(facts)
    return {
        "file": str(file),
        "duration_s": facts.duration_s,
        "sample_rate_hz": facts.sample_rate_hz,
        "channels": facts.channels,
        "tempo_bpm": grid.tempo_bpm,
        "tempo_confidence": facts.tempo_confidence,
        "grid": grid.kind,
        "beats_per_bar": grid.beats_per_bar,
        "first_downbeat_s": grid.bar_1_s,
        "beats_s": beats_s,
        "downbeats_s": downbeats_s,
        "key": facts.key,
        "key_confidence": facts.key_confidence,
        "key_rival": facts.key_rival,
        "tuning_cents": facts.tuning_cents,
        "sections": [asdict(section) for section in facts.sections],
        "first_enter_bar": facts.first_enter_bar,
        "enter_reason": facts.enter_reason,
        "last_leave_bar": facts.last_leave_bar,
        "leave_reason": facts.leave_reason,
        "drums_from_bar": facts.drums_from_bar,
        "drums_until_bar": facts.drums_until_bar,
        "bars": asdict(facts.bars),
        "loudness": {"duration_s": facts.loudness.duration_s, **loudness_fields(facts.loudness)},
        "condition": asdict(facts.condition),
        "first_sound_s": facts.first_sound_s,
        "last_sound_s": facts.last_sound_s,
        "confidence": asdict(facts.confidence),
        "doubts": [asdict(doubt) for doubt in facts.doubts],
        "tags": asdict(facts.tags),
        "corrections": list(facts.corrections),
        "locked": facts.locked,
        "warnings": list(all_warnings(facts)),
    }


def grid_times(facts: TrackFacts) -> tuple[list[float], list[float]]:
    """Times in seconds of every beat and of every bar line inside the file."""
    grid = facts.grid
    if grid.kind == "none":
        return [], []
    beats = grid.beats_within(facts.duration_s)
    times_s = [max(grid.time_at(beat), 0.0) for beat in beats]
    return times_s, [t for beat, t in zip(beats, times_s, strict=True) if beat % grid.beats_per_bar == 0]
