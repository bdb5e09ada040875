"""What happens to a track in place, and edits that jump in its file, to brackets over its stave."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from mixrender.plan.controls import CONTROLS
from mixrender.report.score_frame import Frame
from mixrender.report.score_labels import Bracket
from mixrender.report.score_text import one_line
from mixrender.timing.play_order import SLACK_S, Passage
from mixrender.timing.spans import BeatSpan
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import format_time

_BEATS = CONTROLS["echo.time"].quantity
"""How a plan writes beats."""

_WORDS = {"mute": "mute", "reverse": "reverse", "brake": "brake", "spin_up": "spin up"}


def event_brackets(frame: Frame, track: TrackPlacement) -> list[Bracket]:
    """Brackets of all events and edits of a track that are heard in the picture."""
    found: list[Bracket] = []
    for patch in track.patches:
        found += _between(frame, track, patch.start_s, patch.end_s, _WORDS[patch.kind], patch.kind)
    passages = track.order.passages
    for before, passage in pairwise(passages):
        found += _edit(frame, track, before, passage)
    return found


def over_brackets(frame: Frame) -> list[Bracket]:
    """Brackets of voices and noise in the picture."""
    found = []
    for noise in frame.timeline.noises:
        if noise.end_s > frame.start_s and noise.start_s < frame.end_s:
            found.append(_cut(frame, noise.start_s, noise.end_s, f"noise, {noise.filter}", "noise"))
    for voice in frame.timeline.voices:
        if voice.end_s > frame.start_s and voice.start_s < frame.end_s:
            name = one_line(voice.name)
            short = name if len(name) <= 40 else f"{name[:39]}…"
            words = short if short.startswith("voice") else f"voice {short}"
            found.append(_cut(frame, voice.start_s, voice.end_s, words, "voice"))
    return found


def _cut(frame: Frame, start_s: float, end_s: float, words: str, data: str) -> Bracket:
    left, right = (min(max(frame.x_at(s), frame.x0), frame.x1) for s in (start_s, end_s))
    return Bracket(left, right, words, data=data)


def _between(
    frame: Frame, track: TrackPlacement, start_s: float, end_s: float, words: str, data: str
) -> Iterator[Bracket]:
    """The bracket over two seconds of a track as it plays."""
    for mix_start_s, mix_end_s in zip(
        _mix_s(frame, track, start_s), _mix_s(frame, track, end_s), strict=False
    ):
        low, high = max(mix_start_s, track.start_s), min(mix_end_s, track.end_s)
        if high > frame.start_s and low < frame.end_s and high >= low:
            yield _cut(frame, low, high, words, data)


def _edit(frame: Frame, track: TrackPlacement, before: Passage, passage: Passage) -> Iterator[Bracket]:
    """A pass that sounds again, or a place behind which something is left out."""
    ends_s = before.source_s + before.length_s
    if passage.source_s < ends_s - SLACK_S:
        again_s = min(ends_s - passage.source_s, passage.length_s)
        words = f"{_bars(track, passage.source_s, passage.source_s + again_s)} again"
        yield from _between(frame, track, passage.play_s, passage.play_s + again_s, words, "repeat")
    elif passage.source_s > ends_s + SLACK_S:
        words = f"without {_bars(track, ends_s, passage.source_s)}"
        yield from _between(frame, track, passage.play_s, passage.play_s, words, "skip")


def _bars(track: TrackPlacement, start_s: float, end_s: float) -> str:
    """A stretch of a file as people name it: `bars 97–100`, `bar 97`, `1/2 beat from bar 97 on`, seconds."""
    grid = track.file_grid
    if grid.kind == "none":
        return f"{format_time(start_s)}–{format_time(end_s)}"
    start, end = (round(grid.beat_to_bar(grid.beat_at(s)), 3) for s in (start_s, end_s))
    if start % 1.0 or end % 1.0:
        beats = _BEATS.text(round((end - start) * grid.beats_per_bar, 3))
        return f"{beats} from bar {start:g} on"
    return f"bar {start:g}" if end - start == 1.0 else f"bars {start:g}–{end - 1:g}"


def _mix_s(frame: Frame, track: TrackPlacement, play_s: float) -> Iterator[float]:
    """Seconds of the mix at which a second of a track as it plays sounds."""
    tempo_map = frame.tempo_map
    for i, span in enumerate(track.spans):
        if isinstance(span, BeatSpan):
            beat = span.start_beat + (track.grid.beat_at(play_s) - span.source_beat) / span.rate
        else:
            beat = tempo_map.beat_at(tempo_map.time_at(span.start_beat) + play_s - span.source_s)
        low = -math.inf if i == 0 else span.start_beat - 1e-6
        high = math.inf if i == len(track.spans) - 1 else span.end_beat - 1e-6
        if low <= beat < high:
            yield tempo_map.time_at(beat)
