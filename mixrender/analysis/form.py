"""The facts of a track so far and its mono signal in, the same facts with its sections and contents out."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.ends import enter_reason, leave_reason
from mixrender.analysis.onsets import RATE_HZ
from mixrender.analysis.presence import Presence, find_presence
from mixrender.analysis.section_loudness import Span, bar_spans
from mixrender.analysis.sections import find_form
from mixrender.analysis.slots import PER_BEAT, Slots
from mixrender.facts import BarContent, TrackFacts
from mixrender.units import FloatArray


def with_form(facts: TrackFacts, signal: NDArray[np.float32], slots: Slots | None) -> TrackFacts:
    """The facts with sections, what sounds in each bar, and where to enter and leave.

    `signal` is at RATE_HZ; slot 0 is the first of bar 1. Without slots nothing is added.
    """
    grid = facts.grid
    spans = bar_spans(grid, duration_s=facts.duration_s)
    if slots is None or grid.kind == "none":
        return facts
    per_bar = PER_BEAT * grid.beats_per_bar
    times_s = np.array([grid.time_at(slot / PER_BEAT) for slot in range(len(spans) * per_bar + 1)])
    presence = find_presence(signal, times_s, per_bar=per_bar)
    form = find_form(slots, _halves_db(signal, spans), presence, grid=grid)
    first, last = form.first_enter_bar, form.last_leave_bar
    return dataclasses.replace(
        facts,
        sections=form.sections,
        bars=_contents(facts.bars, form.presence),
        first_enter_bar=first,
        enter_reason=enter_reason(first, form.drums_from_bar),
        last_leave_bar=last,
        leave_reason=leave_reason(last, form.drums_until_bar, bars=len(spans)),
        drums_from_bar=form.drums_from_bar,
        drums_until_bar=form.drums_until_bar,
    )


def _contents(bars: BarContent, presence: Presence) -> BarContent:
    kick, drums, bass = (
        tuple(round(float(value), 3) for value in row)
        for row in (presence.kick, presence.drums, presence.bass)
    )
    return dataclasses.replace(bars, kick=kick, drums=drums, bass=bass)


def _halves_db(signal: NDArray[np.float32], spans: list[Span]) -> FloatArray:
    """Root mean square of the sound in both halves of each span in dBFS, shape (2, n); silence is -120."""
    powers = np.zeros((2, len(spans)))
    for index, (start_s, end_s) in enumerate(spans):
        edges = [max(round(time_s * RATE_HZ), 0) for time_s in np.linspace(start_s, end_s, 3)]
        for half, (first, last) in enumerate(itertools.pairwise(edges)):
            piece = signal[first:last].astype(np.float64)
            powers[half, index] = float(np.mean(piece**2)) if piece.size else 0.0
    return np.asarray(10.0 * np.log10(powers + 1e-12))
