"""Tracks on the beats of a mix in, bar lines, their numbers and double bars on a sheet out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mixrender.report.score_frame import EDGE_S, Frame
from mixrender.report.score_sheet import Sheet, letter_size
from mixrender.report.score_text import number_text, one_line, width_of
from mixrender.timing.spans import BeatSpan, FreeSpan
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement

PHRASE_BARS = 8
"""Every so many bars of a file a heavier line, from bar 1 on."""

_STEPS = (1, 2, 4, 8, 16, 32, 64)
_SECOND_STEPS = (1, 2, 5, 10, 15, 30, 60, 120)
_BEAT_PX, _BAR_PX, _COMPACT_BAR_PX, _POSITION_PX = 4.5, 4.0, 12.0, 30.0
"""Beats, bars and numbers of positions that lie closer are not all drawn."""

_DOUBLE = 3.0
"""Between the two lines of a double bar."""


@dataclass(frozen=True)
class BarLine:
    """A bar line of a track: the number of its file's bar (or second, without a grid) and when it sounds."""

    number: int
    time_s: float


def bar_lines(track: TrackPlacement, tempo_map: TempoMap, start_s: float, end_s: float) -> list[BarLine]:
    """The bar lines of a track that sound from `start_s` to `end_s` of the mix; seconds without a grid."""
    return _lines(track, tempo_map, start_s, end_s, per_bar=1)


def beat_lines(track: TrackPlacement, tempo_map: TempoMap, start_s: float, end_s: float) -> list[BarLine]:
    """Its beats likewise, numbered from bar 1 on; none without a grid."""
    if track.file_grid.kind == "none":
        return []
    return _lines(track, tempo_map, start_s, end_s, per_bar=track.file_grid.beats_per_bar)


def _lines(
    track: TrackPlacement, tempo_map: TempoMap, start_s: float, end_s: float, *, per_bar: int
) -> list[BarLine]:
    grid = track.file_grid
    first_s, last_s = max(start_s, track.start_s), min(end_s, track.end_s)
    if grid.kind == "none":
        marks = [(second, float(second)) for second in range(math.ceil(track.facts.duration_s))]
    else:
        beats = grid.beats_per_bar // per_bar
        low = math.floor(grid.beat_at(0.0) / beats) - 1
        high = math.ceil(grid.beat_at(track.facts.duration_s) / beats) + 1
        marks = [(n + 1, grid.time_at(n * float(beats))) for n in range(low, high + 1)]
    numbers, plays_s = [], []
    for mark, file_s in marks:
        for play_s in track.order.passes_at(file_s):
            numbers.append(mark)
            plays_s.append(play_s)
    found = []
    for mark, time_s in _sounding(track, tempo_map, numbers, plays_s):
        if first_s - EDGE_S <= time_s <= last_s + EDGE_S:
            found.append(BarLine(mark, time_s))
    return sorted(found, key=lambda line: line.time_s)


def _sounding(
    track: TrackPlacement, tempo_map: TempoMap, numbers: list[int], plays_s: list[float]
) -> list[tuple[int, float]]:
    """When seconds of the track as it plays sound in the mix, span by span."""
    found: list[tuple[int, float]] = []
    for i, span in enumerate(track.spans):
        low = -math.inf if i == 0 else span.start_beat - 1e-6
        high = math.inf if i == len(track.spans) - 1 else span.end_beat - 1e-6
        if isinstance(span, BeatSpan):
            own = np.array([track.grid.beat_at(play_s) for play_s in plays_s])
            beats = span.start_beat + (own - span.source_beat) / span.rate
            times_s = tempo_map.time_at(beats)
        else:
            assert isinstance(span, FreeSpan)
            times_s = tempo_map.time_at(span.start_beat) + np.array(plays_s) - span.source_s
            beats = tempo_map.beat_at(times_s)
        inside = (beats >= low) & (beats < high)
        found += [(numbers[j], float(times_s[j])) for j in np.flatnonzero(inside)]
    return found


def draw_bar_lines(sheet: Sheet, frame: Frame, track: TrackPlacement, top: float, bottom: float) -> None:
    """Bar lines of a track across its stave, those of phrases heavier, beats as ticks at its edges."""
    lines = bar_lines(track, frame.tempo_map, frame.start_s, frame.end_s)
    timed = track.file_grid.kind == "none"
    step = (
        _seconds_step(frame) if timed else _every(lines, frame, _COMPACT_BAR_PX if frame.compact else _BAR_PX)
    )
    heavy = [line for line in lines if not timed and (line.number - 1) % PHRASE_BARS == 0]
    light = [line for line in lines if line not in heavy and (line.number - (not timed)) % step == 0]
    name = one_line(track.name)
    light_xs, heavy_xs = (_apart([frame.x_at(x.time_s) for x in bars]) for bars in (light, heavy))
    sheet.verticals(light_xs, top, bottom, "bar", data_bars=name)
    sheet.verticals(heavy_xs, top - 3, bottom + 3, "heavy", data_phrases=name)
    beats = beat_lines(track, frame.tempo_map, frame.start_s, frame.end_s)
    if len(beats) > 1 and (frame.x1 - frame.x0) / frame.duration_s * _gap_s(beats) >= _BEAT_PX:
        xs = [frame.x_at(beat.time_s) for beat in beats]
        sheet.verticals(xs, top, top + 4, "beat")
        sheet.verticals(xs, bottom - 4, bottom, "beat")


def draw_numbers(sheet: Sheet, frame: Frame, track: TrackPlacement, y: float) -> None:
    """The numbers of a track's bars with their baseline at y, as many as there is room for."""
    lines = bar_lines(track, frame.tempo_map, frame.start_s, frame.end_s)
    if track.file_grid.kind == "none":
        step = _seconds_step(frame)
        named = [(line, _clock(line.number), "num") for line in lines if line.number % step == 0]
    else:
        widest = max((width_of(str(line.number), size=letter_size("phrase")) for line in lines), default=0.0)
        step = _every(lines, frame, widest + 8.0)
        named = [
            (line, str(line.number), "phrase" if (line.number - 1) % PHRASE_BARS == 0 else "num")
            for line in lines
            if (line.number - 1) % step == 0
        ]
    _row(sheet, frame, [(frame.x_at(line.time_s), words, kind) for line, words, kind in named], y)


def draw_positions(sheet: Sheet, frame: Frame, y: float) -> None:
    """Bars (or seconds) after the start of the overlap along a line at y, their numbers in it."""
    timed = frame.timeline.tracks[frame.transition.outgoing].file_grid.kind == "none"
    marks = _second_marks(frame) if timed else _bar_marks(frame)
    named = [(x, words, "num") for x, words in marks if words]
    sheet.line(frame.x0, y, frame.x1, y, "rule")
    sheet.verticals((x for x, words in marks if not words), y - 2.0, y + 2.0, "beat")
    _row(sheet, frame, named, y + 3.5)


def _second_marks(frame: Frame) -> list[tuple[float, str]]:
    step, start_s = _seconds_step(frame), frame.transition.start_s
    low, high = (math.ceil((s - start_s) / step) for s in (frame.start_s, frame.end_s + EDGE_S))
    return [
        (frame.x_at(start_s + n * step), f"{number_text(float(n * step))} s" if n else "0")
        for n in range(low, high)
    ]


def _bar_marks(frame: Frame) -> list[tuple[float, str]]:
    start_beat, bar = frame.transition.start_beat, frame.transition.beats_per_bar
    low, high = ((frame.tempo_map.beat_at(s) - start_beat) / bar for s in (frame.start_s, frame.end_s))
    px = (frame.x1 - frame.x0) / max(high - low, 1e-6)
    step = next((s for s in _STEPS if s * px >= _POSITION_PX and (s > 2 or high - low < 6.0)), _STEPS[-1])
    slack = EDGE_S / frame.duration_s * (high - low)
    counts = range(math.ceil(low - slack), math.floor(high + slack) + 1)
    return [
        (frame.x_at_beat(start_beat + n * bar), number_text(float(n)) if n % step == 0 else "")
        for n in counts
        if n % step == 0 or px >= _BAR_PX
    ]


def draw_double_bars(sheet: Sheet, frame: Frame, top: float, bottom: float) -> None:
    """The start and end of the overlap as double bars; after a gap the incoming track's as well."""
    transition = frame.transition
    start, end = frame.x_at(transition.start_s), frame.x_at(transition.end_s)
    xs = {"start": (start - _DOUBLE, start), "end": (end, end + _DOUBLE)}
    if transition.enter_beat > transition.end_beat + 1e-9:
        enter = frame.x_at_beat(transition.enter_beat)
        xs = {"start": (start - _DOUBLE, start), "end": (enter, enter + _DOUBLE)}
    for edge, pair in xs.items():
        inside = [x for x in pair if frame.x0 - _DOUBLE <= x <= frame.x1 + _DOUBLE]
        sheet.verticals(inside, top, bottom, "double", data_overlap=edge)


def _row(sheet: Sheet, frame: Frame, marks: list[tuple[float, str, str]], y: float) -> None:
    """Words in one row, each in the middle over its place; those without room are left out, phrases last."""
    taken: list[tuple[float, float]] = []
    right = frame.sizes.width
    for x, words, kind in sorted(marks, key=lambda mark: mark[2] != "phrase"):
        half = width_of(words, size=letter_size(kind)) / 2 + 2.0
        at = min(max(x, half), right - half)
        if all(at + half <= left or at - half >= end for left, end in taken):
            taken.append((at - half, at + half))
            sheet.text(at, y, words, kind, "middle")


def _apart(xs: list[float]) -> list[float]:
    """Places from left to right without those that follow another too closely, as in short repeats."""
    kept: list[float] = []
    for x in xs:
        if not kept or x - kept[-1] >= _BAR_PX:
            kept.append(x)
    return kept


def _every(lines: list[BarLine], frame: Frame, room: float) -> int:
    """The smallest step of bars that lie so far apart."""
    if len(lines) < 2:
        return 1
    px = _gap_s(lines) * frame.px_per_s
    return next((step for step in _STEPS if step * px >= room), _STEPS[-1])


def _gap_s(lines: list[BarLine]) -> float:
    return float(np.median(np.diff([line.time_s for line in lines])))


def _seconds_step(frame: Frame) -> int:
    return next((step for step in _SECOND_STEPS if step * frame.px_per_s >= 44.0), _SECOND_STEPS[-1])


def _clock(seconds: int) -> str:
    return f"{seconds // 60}:{seconds % 60:02d}"
