"""Which part of a track sounds on which beats of the mix: a list of spans, and the times they mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from mixrender.facts import Grid
from mixrender.timing.tempo_map import TempoMap


@dataclass(frozen=True)
class BeatSpan:
    """From mix beat `start_beat` to `end_beat` the track's beats lie on those of the mix.

    Mix beat m sounds beat `source_beat + (m - start_beat) * rate` of the track; `rate` is the number of its
    beats to one of the mix: 1, or 2 or 0.5 where it counts double or half.
    """

    start_beat: float
    end_beat: float
    source_beat: float
    rate: float


@dataclass(frozen=True)
class FreeSpan:
    """From mix beat `start_beat` to `end_beat` the track plays untouched, from `source_s` seconds on."""

    start_beat: float
    end_beat: float
    source_s: float


Span = BeatSpan | FreeSpan


def span_at(spans: Sequence[Span], mix_beat: float) -> Span:
    """The span in force at a mix beat; the first one reaches back, the last one on."""
    for span in reversed(spans):
        if mix_beat >= span.start_beat:
            return span
    return spans[0]


def source_beat_at(span: BeatSpan, mix_beat: float) -> float:
    """Beat of the track that sounds at a mix beat."""
    return span.source_beat + (mix_beat - span.start_beat) * span.rate


def source_time_at(span: Span, mix_beat: float, *, grid: Grid, tempo_map: TempoMap) -> float:
    """Second of the track that sounds at a mix beat."""
    if isinstance(span, BeatSpan):
        return grid.time_at(source_beat_at(span, mix_beat))
    return span.source_s + tempo_map.time_at(mix_beat) - tempo_map.time_at(span.start_beat)


def mix_beat_of_beat(spans: Sequence[Span], source_beat: float) -> float:
    """Mix beat on which a beat of the track sounds (the last time, where it sounds more than once).

    Raises ValueError where the track has no span that is counted in beats.
    """
    counted = [span for span in spans if isinstance(span, BeatSpan)]
    if not counted:
        raise ValueError("the track is not counted in beats")
    for span in reversed(counted):
        mix_beat = span.start_beat + (source_beat - span.source_beat) / span.rate
        if mix_beat >= span.start_beat - 1e-9 or span is counted[0]:
            return mix_beat
    raise AssertionError("unreachable")


def close(spans: Sequence[Span], end_beat: float) -> tuple[Span, ...]:
    """The same spans, the last one ending at `end_beat` instead of going on."""
    *before, last = spans
    if isinstance(last, BeatSpan):
        return (*before, BeatSpan(last.start_beat, end_beat, last.source_beat, last.rate))
    return (*before, FreeSpan(last.start_beat, end_beat, last.source_s))


def open_beats(start_beat: float, source_beat: float, rate: float) -> BeatSpan:
    """A span in beats that goes on until it is closed."""
    return BeatSpan(start_beat, inf, source_beat, rate)


def open_free(start_beat: float, source_s: float) -> FreeSpan:
    """An untouched span that goes on until it is closed."""
    return FreeSpan(start_beat, inf, source_s)
