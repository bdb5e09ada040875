"""Results to the JSON documents of the contract: units in the names, null for what is not known."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from mixrender.errors import Problem
from mixrender.facts import Loudness
from mixrender.keys import parse_key, relation
from mixrender.loudness.judge import Criterion
from mixrender.loudness.power import CHANNEL_NAMES
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.result import (
    MasterFigures,
    MixResult,
    SpanFigures,
    TargetVerdict,
    TrackMeasure,
    TransitionMeasure,
    VoiceMeasure,
)
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement, VoicePlacement

Document = dict[str, Any]


def _time(seconds: float) -> float:
    """A time without the digits beyond a nanosecond, which are rounding."""
    return round(seconds, 9) + 0.0


def plain_figure(value: float | None) -> float | None:
    """A figure that was reckoned from others, without the digits beyond a millionth, which are rounding."""
    return None if value is None else round(value, 6) + 0.0


def to_json(document: Document) -> str:
    """The document as text, the same for the same figures; NaN and infinity are refused."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def loudness_fields(loudness: Loudness | None) -> Document:
    """The loudness figures of a piece of sound; all null where there is none."""
    names = (
        "integrated_lufs",
        "loudness_range_lu",
        "max_momentary_lufs",
        "max_short_term_lufs",
        "true_peak_dbtp",
        "sample_peak_dbfs",
    )
    return {name: getattr(loudness, name) if loudness else None for name in names}


def true_peak_channel(loudness: Loudness) -> str | None:
    """What the channel of a true peak is called, as in `CHANNEL_NAMES`: `left`, `centre`; None: no peak."""
    if loudness.true_peak_channel is None or loudness.channels is None:
        return None
    return CHANNEL_NAMES[loudness.channels][loudness.true_peak_channel]


def loudness_details(loudness: Loudness | None) -> Document:
    """The figures of a mix or a part of it, with times, channel and ratio; all null where there is none."""
    return {
        **loudness_fields(loudness),
        "max_momentary_s": loudness.max_momentary_s if loudness else None,
        "max_short_term_s": loudness.max_short_term_s if loudness else None,
        "true_peak_s": loudness.true_peak_s if loudness else None,
        "true_peak_channel": true_peak_channel(loudness) if loudness else None,
        "plr_lu": loudness.plr_lu if loudness else None,
    }


def span_details(span: SpanFigures | None) -> Document | None:
    """A part of the mix: its place, its loudness, what the limiter took away; null if not measured."""
    if span is None:
        return None
    return {
        "start_s": _time(span.start_s),
        "end_s": _time(span.end_s),
        **loudness_details(span.loudness),
        "max_gain_reduction_db": span.max_gain_reduction_db,
        "mean_gain_reduction_db": span.mean_gain_reduction_db,
    }


_WAYS = {
    "tracks": "`match_loudness: regions` matches what meets in the overlaps",
    "regions": "what meets in the overlaps, which `match_loudness: regions` has matched, will then step",
    "off": "`match_loudness: true` matches loud parts of tracks, `regions` what meets in the overlaps",
}
"""What else there is to know of levelling, by how the plan levels tracks."""


def suggested_gains_db(result: MixResult) -> list[float | None]:
    """The `gain:` to write for each track so that all are equally loud; None where nothing need change."""
    changes_db = result.levelling.changes_db if result.levelling else (0.0,) * len(result.timeline.tracks)
    return [
        round(track.gain_db + change_db, 2) + 0.0 if change_db else None
        for track, change_db in zip(result.timeline.tracks, changes_db, strict=True)
    ]


def levelling_advice(result: MixResult) -> str:
    """Which gains would make the tracks equally loud, in words; empty where nothing need change."""
    if result.levelling is None or result.levelling.is_even:
        return ""
    gains = [
        f"{track.name} {gain_db:+.4g} dB" + (f" (now {track.gain_db:+.4g})" if track.gain_db else "")
        for track, gain_db in zip(result.timeline.tracks, suggested_gains_db(result), strict=True)
        if gain_db is not None
    ]
    return f"To even it out: {', '.join(gains)} (as `gain:` of the track); {_WAYS[result.match_loudness]}."


def _levelling_document(result: MixResult) -> Document | None:
    if result.levelling is None:
        return None
    names = [track.name for track in result.timeline.tracks]
    return {
        "spread_lu": result.levelling.spread_lu,
        "loudest": names[result.levelling.loudest],
        "quietest": names[result.levelling.quietest],
        "advice": levelling_advice(result) or None,
    }


def mix_document(result: MixResult) -> Document:
    """The whole of `report.json`."""
    timeline = result.timeline
    return {
        "mix": {
            **loudness_details(result.loudness),
            "sample_rate_hz": result.sample_rate_hz,
            "duration_s": result.loudness.duration_s if result.loudness else timeline.duration_s,
            "target": _target_document(result.target),
            "clipped_samples": result.clipped_samples,
        },
        "before_encoding": loudness_details(result.before_encoding) if result.before_encoding else None,
        "correction": asdict(result.correction) if result.correction else None,
        **_beats_document(timeline),
        "tracks": _tracks_document(result),
        "transitions": [
            _transition_document(timeline, transition, measure)
            for transition, measure in zip(timeline.transitions, result.transitions, strict=True)
            if measure is not None
        ],
        "layers": [
            _placed_document(layer, gain_db)
            for layer, gain_db in zip(timeline.layers, result.layer_gains_db, strict=True)
        ],
        "voices": [_voice_document(timeline.voices[measure.index], measure) for measure in result.voices],
        "levelling": _levelling_document(result),
        "master": _master_document(result.master),
        "inputs": [{"file": str(file), "blake2b": digest} for file, digest in result.inputs],
        "versions": result.versions,
        "warnings": [*(p.message for p in timeline.problems), *result.warnings],
    }


def timeline_document(timeline: Timeline, *, plan_file: Path) -> Document:
    """What `check --json` prints: the resolved timeline, before anything is rendered."""
    return {
        "plan": str(plan_file),
        "duration_s": timeline.duration_s,
        **_beats_document(timeline),
        "tracks": [_placed_document(track, None) for track in timeline.tracks],
        "transitions": [_transition_document(timeline, t, None) for t in timeline.transitions],
        "layers": [_placed_document(layer, None) for layer in timeline.layers],
        "voices": [_voice_document(voice, None) for voice in timeline.voices],
        "problems": _problems_document(timeline.problems),
    }


def faults_document(plan_file: Path, problems: Sequence[Problem]) -> Document:
    """What `check --json` prints of a plan that cannot be resolved: its problems alone."""
    return {"plan": str(plan_file), "problems": _problems_document(problems)}


def _problems_document(problems: Sequence[Problem]) -> list[Document]:
    names = ("severity", "line", "column", "path", "message")
    return [{name: getattr(problem, name) for name in names} for problem in problems]


def key_relation(a: str | None, b: str | None) -> str | None:
    """How the second key lies to the first, in words; None where either is not known."""
    return relation(parse_key(a), parse_key(b)) if a and b else None


def _beats_document(timeline: Timeline) -> Document:
    first_beat, beats_s = timeline.beats()
    return {
        "beats_s": [_time(beat_s) for beat_s in beats_s],
        "first_beat": first_beat,
        "tempo_map": [
            {"time_s": _time(time_s), "beat": round(beat, 9) + 0.0, "tempo_bpm": round(bpm, 9)}
            for time_s, beat, bpm in timeline.tempo_points()
        ],
    }


def _offset_document(offset: BeatOffset) -> Document:
    return {
        "median": offset.median,
        "p95_abs": offset.p95_abs,
        "worst_abs": offset.worst_abs,
        "beats": offset.beats,
    }


def _target_document(target: TargetVerdict | None) -> Document | None:
    if target is None:
        return None
    verdict = None if target.passed is None else "pass" if target.passed else "fail"
    return {
        "integrated_lufs": target.integrated_lufs,
        "true_peak_dbtp": target.true_peak_dbtp,
        "verdict": verdict,
        "reason": target.reason,
        "criteria": [criterion_document(one) for one in target.criteria],
    }


def criterion_document(criterion: Criterion) -> Document:
    """A figure beside its bounds, with its verdict; null: no such bound, or not measurable."""
    return {
        "name": criterion.name,
        "unit": criterion.unit,
        "value": criterion.value,
        "lowest": plain_figure(criterion.lowest),
        "highest": plain_figure(criterion.highest),
        "distance": criterion.distance,
        "verdict": None if criterion.passed is None else "pass" if criterion.passed else "fail",
    }


def _master_document(master: MasterFigures) -> Document:
    names = ("gain_db", "max_gain_reduction_db", "mean_gain_reduction_db", "predicted")
    return {name: getattr(master, name) for name in names}


def _tracks_document(result: MixResult) -> list[Document]:
    """Each track as placed and its source's figures, and beside them what was measured of it in the mix."""
    tracks = result.timeline.tracks
    measures: Sequence[TrackMeasure | None] = result.tracks or [None] * len(tracks)
    columns = zip(tracks, result.gains_db, measures, suggested_gains_db(result), strict=True)
    return [
        {
            **_placed_document(track, gain_db),
            "in_mix": span_details(measure.in_mix) if measure else None,
            "alone": span_details(measure.alone) if measure else None,
            "suggested_gain_db": suggested_db,
        }
        for track, gain_db, measure, suggested_db in columns
    ]


def _placed_document(track: TrackPlacement, gain_db: float | None) -> Document:
    return {
        "name": track.name,
        "file": str(track.file),
        "start_s": _time(track.start_s),
        "end_s": _time(track.end_s),
        "tempo_bpm": track.grid.tempo_bpm,
        "key": track.key,
        "shift_semitones": track.shift_semitones,
        "corrections": list(track.facts.corrections),
        **loudness_fields(track.facts.loudness),
        "gain_db": gain_db,
    }


def _voice_document(voice: VoicePlacement, measure: VoiceMeasure | None) -> Document:
    """A voice as placed, and what became of it; `passages` are start, end and depth of the music's dip."""
    return {
        "name": voice.name,
        "file": str(voice.file),
        "start_s": _time(voice.start_s),
        "end_s": _time(voice.end_s),
        "gain_db": measure.gain_db if measure else None,
        "duck_db": measure.duck_db if measure else None,
        "passages": [
            [_time(one.start_s), _time(one.end_s), one.depth_db]
            for one in (measure.passages if measure else ())
        ],
        "voice_lufs": measure.voice_lufs if measure else None,
        "music_lufs": measure.music_lufs if measure else None,
        "over_lu": measure.over_lu if measure else None,
    }


def _transition_document(
    timeline: Timeline, transition: TransitionPlacement, measure: TransitionMeasure | None
) -> Document:
    out, into = timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]
    document: Document = {
        "index": transition.index,
        "from": out.name,
        "to": into.name,
        "start_s": _time(transition.start_s),
        "end_s": _time(transition.end_s),
        "overlap_bars": transition.overlap_bars,
        "leave_bar": transition.leave_bar,
        "enter_bar": transition.enter_bar,
        "recipe": transition.recipe,
        "from_tempo_bpm": transition.from_tempo_bpm,
        "to_tempo_bpm": transition.to_tempo_bpm,
        "tempo_change_percent": {
            name: asdict(change) for name, change in transition.tempo_change_percent.items()
        },
        "beat_offset_ms": _offset_document(measure.beat_offset) if measure and measure.beat_offset else None,
        "key_relation": key_relation(out.key, into.key),
        "loudness_step_lu": measure.loudness_step_lu if measure else None,
        "overlap": span_details(measure.overlap) if measure else None,
        "warnings": [*transition.warnings, *(measure.warnings if measure else ())],
    }
    if measure and measure.clip:
        document["clip"] = measure.clip.path.name
        document["clip_start_s"] = measure.clip.start_s
        document["clip_duration_s"] = measure.clip.duration_s
    return document
