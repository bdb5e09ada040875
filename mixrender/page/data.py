"""A timeline and what is shown of it to the JSON that the page's script works with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from mixrender.mixdown.result import TransitionMeasure
from mixrender.page.model import PageKind, Sound
from mixrender.timing.timeline import Timeline, TransitionPlacement

AROUND_BARS = 8.0
"""How much of a rendered mix is shown before and after an overlap, as in a preview unless told."""


@dataclass(frozen=True)
class Window:
    """The part of the mix, in seconds of it, that a transition's picture and slider span.

    `clip` is the file's name where it is a file of its own, `loudness_lufs` that of the part.
    """

    start_s: float
    duration_s: float
    clip: str | None
    loudness_lufs: float | None


def window_of(timeline: Timeline, transition: TransitionPlacement, measure: TransitionMeasure) -> Window:
    """The clip of a transition, or in a rendered mix the bars around its overlap."""
    if measure.clip is not None:
        clip = measure.clip
        return Window(clip.start_s, clip.duration_s, clip.path.name, clip.loudness.integrated_lufs)
    around = AROUND_BARS * transition.beats_per_bar
    end_beat = max(transition.end_beat, transition.enter_beat)
    start_s = max(timeline.tempo_map.time_at(transition.start_beat - around), 0.0)
    end_s = min(timeline.tempo_map.time_at(end_beat + around), timeline.duration_s)
    overlap = measure.overlap
    return Window(start_s, end_s - start_s, None, overlap.loudness.integrated_lufs if overlap else None)


def page_data(
    title: str,
    kind: PageKind,
    timeline: Timeline,
    transitions: Sequence[TransitionPlacement],
    windows: Sequence[Window],
    mix: Sound | None,
) -> dict[str, Any]:
    """The document: title, kind, the mix's length, and each transition in seconds of its window."""
    return {
        "title": title,
        "kind": kind,
        "duration_s": _time(timeline.duration_s),
        "transitions": [
            _transition(timeline, transition, window, mix)
            for transition, window in zip(transitions, windows, strict=True)
        ],
    }


def _transition(
    timeline: Timeline, transition: TransitionPlacement, window: Window, mix: Sound | None
) -> dict[str, Any]:
    first_bar, bars_s = bars_in(timeline, transition, window)
    end_s = timeline.tempo_map.time_at(max(transition.end_beat, transition.enter_beat))
    return {
        "index": transition.index,
        "from": timeline.tracks[transition.outgoing].name,
        "to": timeline.tracks[transition.incoming].name,
        "clip": window.clip or (mix.name if mix else None),
        "clip_start_s": _time(window.start_s),
        "duration_s": _time(window.duration_s),
        "start_s": _time(transition.start_s - window.start_s),
        "end_s": _time(end_s - window.start_s),
        "first_bar": first_bar,
        "bars_s": bars_s,
        "loudness_lufs": window.loudness_lufs,
    }


def bars_in(timeline: Timeline, transition: TransitionPlacement, window: Window) -> tuple[int, list[float]]:
    """The bar lines of a window: the first one's number, 0 where the overlap begins, and their seconds in it.

    They count bars of the outgoing track, as positions of moves do.
    """
    tempo_map, bar = timeline.tempo_map, transition.beats_per_bar
    first_beat, last_beat = (tempo_map.beat_at(window.start_s + s) for s in (0.0, window.duration_s))
    first = math.ceil((first_beat - transition.start_beat) / bar - 1e-6)
    last = math.floor((last_beat - transition.start_beat) / bar + 1e-6)
    times_s = (tempo_map.time_at(transition.start_beat + b * bar) for b in range(first, last + 1))
    return first, [_time(min(max(t - window.start_s, 0.0), window.duration_s)) for t in times_s]


def _time(seconds: float) -> float:
    """A time to the microsecond: what is beyond would only make the page longer."""
    return round(seconds, 6) + 0.0
