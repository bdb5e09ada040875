"""A rendered mix to CSV: a line for the mix, one for each of its tracks, one for each of its transitions."""

from __future__ import annotations

from collections.abc import Sequence

from mixrender.mixdown.result import MixResult, TrackMeasure
from mixrender.report.csv_text import csv_text
from mixrender.report.document import Document, loudness_details, span_details, suggested_gains_db

_OF_TRACKS = ("gain_db", "suggested_gain_db", "alone_lufs", "source_lufs")


def mix_csv(result: MixResult) -> str:
    """CSV (RFC 4180) with units in the names; empty: not measurable, or not of that kind.

    `kind` is `mix`, `track` or `transition`, `index` counts within it from 1. Loudness and peaks are those of
    the delivered mix between `start_s` and `end_s`; `source_lufs` is that of a track's file before any gain.
    """
    rows = [_mix_row(result), *_track_rows(result), *_transition_rows(result)]
    return csv_text(list(rows[0]), [list(row.values()) for row in rows])


def _row(kind: str, index: int, name: str, figures: Document | None, **rest: float | None) -> Document:
    blank = dict.fromkeys(("start_s", "end_s", *loudness_details(None)))
    reduction = dict.fromkeys(("max_gain_reduction_db", "mean_gain_reduction_db"))
    others = {column: rest.get(column) for column in (*_OF_TRACKS, "loudness_step_lu")}
    return {"kind": kind, "index": index, "name": name} | blank | reduction | (figures or {}) | others


def _mix_row(result: MixResult) -> Document:
    master = result.master
    figures = {
        "start_s": 0.0,
        "end_s": result.loudness.duration_s if result.loudness else result.timeline.duration_s,
        **loudness_details(result.loudness),
        "max_gain_reduction_db": master.max_gain_reduction_db,
        "mean_gain_reduction_db": master.mean_gain_reduction_db,
    }
    return _row("mix", 1, result.files[0].name if result.files else "", figures, gain_db=master.gain_db)


def _track_rows(result: MixResult) -> list[Document]:
    tracks = result.timeline.tracks
    measures: Sequence[TrackMeasure | None] = result.tracks or [None] * len(tracks)
    columns = zip(tracks, measures, result.gains_db, suggested_gains_db(result), strict=True)
    return [
        _row(
            "track",
            track.index + 1,
            track.name,
            span_details(measure.in_mix) if measure else None,
            gain_db=gain_db,
            suggested_gain_db=suggested_db,
            alone_lufs=measure.alone_lufs if measure else None,
            source_lufs=track.facts.loudness.integrated_lufs,
        )
        for track, measure, gain_db, suggested_db in columns
    ]


def _transition_rows(result: MixResult) -> list[Document]:
    rows = []
    for transition, measure in zip(result.timeline.transitions, result.transitions, strict=True):
        names = [result.timeline.tracks[i].name for i in (transition.outgoing, transition.incoming)]
        placed: Document = {"start_s": transition.start_s, "end_s": transition.end_s}
        figures = span_details(measure.overlap) if measure else None
        step_lu = measure.loudness_step_lu if measure else None
        name = " > ".join(names)
        rows.append(
            _row("transition", transition.index, name, placed | (figures or {}), loudness_step_lu=step_lu)
        )
    return rows
