"""The few facts of a track that a list shows: TrackFacts or their JSON in, a light TrackSummary out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from pydantic import TypeAdapter, ValidationError

from mixrender.facts import Confidence, Doubt, Grid, GridKind, TrackFacts


@dataclass(frozen=True)
class TrackSummary:
    """What a list shows of a track's facts; the fields mean what they mean in TrackFacts."""

    duration_s: float
    grid: GridKind
    tempo_bpm: float | None = None
    confidence: Confidence = field(default_factory=Confidence)
    doubts: tuple[Doubt, ...] = ()
    key: str | None = None
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None

    def counted_by(self, grid: Grid) -> TrackSummary:
        """The same track with a grid that was set by hand: of the doubts, only those about the key stay."""
        return replace(
            self,
            grid=grid.kind,
            tempo_bpm=grid.tempo_bpm,
            confidence=replace(self.confidence, tempo=1.0, beats=1.0, bar_1=1.0),
            doubts=tuple(doubt for doubt in self.doubts if doubt.part == "key"),
        )


_SUMMARY = TypeAdapter(TrackSummary)


def summary_of(facts: TrackFacts) -> TrackSummary:
    """What a list shows of these facts."""
    return TrackSummary(
        duration_s=facts.duration_s,
        grid=facts.grid.kind,
        tempo_bpm=facts.grid.tempo_bpm,
        confidence=facts.confidence,
        doubts=facts.doubts,
        key=facts.key,
        integrated_lufs=facts.loudness.integrated_lufs,
        true_peak_dbtp=facts.loudness.true_peak_dbtp,
    )


def summary_from_json(text: str) -> TrackSummary | None:
    """The summary that `facts_json.to_json` wrote; None when its fields are no longer those of today."""
    try:
        return _SUMMARY.validate_json(text)
    except ValidationError:
        return None
