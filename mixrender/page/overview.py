"""A mix to one small picture over time: its tracks in rows, its overlaps, its loudness."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np

from mixrender.loudness.series import momentary_series, short_term_series
from mixrender.loudness.spans import MeasuredSound
from mixrender.mixdown.result import MixResult
from mixrender.page.model import Bar, LoudnessLane, Mark, Overview, Tick
from mixrender.page.words import clock, figure, plain
from mixrender.report.picture_levels import in_columns, mean_line
from mixrender.timing.timeline import Timeline, TrackPlacement
from mixrender.units import FloatArray

BOX_WIDE, BOX_HIGH = 1000.0, 100.0
"""The box that loudness is drawn in, in units of its own: the page stretches it."""

DEPTH_LU = 24.0
"""How far the lane reaches below the loudest moment."""

TICKS_S = (15, 30, 60, 120, 300, 600, 900, 1800, 3600)
MOST_TICKS = 8


def overview(result: MixResult, names: Sequence[str], shown: Collection[int]) -> Overview:
    """The picture of a whole mix; `names` of its tracks, and the numbers of the transitions on the page."""
    timeline = result.timeline
    rows = _rows(timeline.tracks)
    whole_s = max(timeline.duration_s, 1e-3)
    bars = tuple(
        Bar(track.index + 1, name, row, *_place(track.start_s, track.end_s, whole_s))
        for track, name, row in zip(timeline.tracks, names, rows, strict=True)
    )
    return Overview(
        rows=max(rows, default=0) + 1,
        tracks=bars,
        marks=_marks(timeline, shown, whole_s),
        ticks=_ticks(whole_s),
        loudness=_loudness(result, whole_s),
        words=f"{len(bars)} tracks over {clock(whole_s)}, one box each; the links are the transitions.",
    )


def _place(start_s: float, end_s: float, whole_s: float) -> tuple[float, float]:
    """Left edge and width in per cent."""
    return _percent(start_s, whole_s), _percent(end_s - start_s, whole_s)


def _percent(part_s: float, whole_s: float) -> float:
    return round(100.0 * part_s / whole_s, 3) + 0.0


def _rows(tracks: Sequence[TrackPlacement]) -> list[int]:
    """The row of each track: the first in which none is in its way, so that neighbours are in turn."""
    ends_s: list[float] = []
    rows: list[int] = []
    for i, track in enumerate(tracks):
        # Neighbours stand in different rows even where they do not overlap: the eye follows the turns.
        taken = rows[-1] if i else None
        free = [r for r, end_s in enumerate(ends_s) if end_s <= track.start_s and r != taken]
        row = free[0] if free else len(ends_s)
        ends_s[row:] = [track.end_s, *ends_s[row + 1 :]]
        rows.append(row)
    return rows


def _marks(timeline: Timeline, shown: Collection[int], whole_s: float) -> tuple[Mark, ...]:
    names = [plain(track.name) for track in timeline.tracks]
    return tuple(
        Mark(
            t.index,
            f"Transition {t.index}, {names[t.outgoing]} to {names[t.incoming]}, at {clock(t.start_s)}",
            f"#t{t.index}" if t.index in shown else "",
            *_place(t.start_s, t.end_s, whole_s),
        )
        for t in timeline.transitions
    )


def _ticks(whole_s: float) -> tuple[Tick, ...]:
    step_s = next((s for s in TICKS_S if whole_s / s <= MOST_TICKS), TICKS_S[-1])
    times_s = range(0, math.floor(whole_s) + 1, step_s)
    return tuple(Tick(clock(time_s), _percent(time_s, whole_s)) for time_s in times_s)


def _loudness(result: MixResult, whole_s: float) -> LoudnessLane | None:
    """The lane of loudness; None of a preview, and where all is silent."""
    sound = result.sound
    if sound is None:
        return None
    momentary = momentary_series(sound.power)
    if not np.isfinite(momentary[1]).any():
        return None
    high = float(math.ceil(np.nanmax(momentary[1])))
    low = high - DEPTH_LU
    times_s, lowest, highest = in_columns(*momentary)
    xs = times_s / whole_s * BOX_WIDE
    short_times_s, short = mean_line(*short_term_series(sound.power))
    short_xs = short_times_s / whole_s * BOX_WIDE
    target_lufs = result.target.integrated_lufs if result.target else None

    def y(levels: FloatArray) -> FloatArray:
        return np.clip((high - levels) / DEPTH_LU, 0.0, 1.0) * BOX_HIGH

    def y_of(level: float | None) -> float | None:
        return round(float(y(np.array([level]))[0]), 2) if level is not None else None

    return LoudnessLane(
        momentary=_area(xs, y(highest), y(lowest)),
        short_term=_line(short_xs, y(short)),
        integrated_y=y_of(sound.loudness.integrated_lufs),
        target_y=y_of(target_lufs),
        highest=figure(high, "LUFS", digits=0),
        lowest=figure(low, "LUFS", digits=0),
        words=_loudness_words(sound, target_lufs),
    )


def _loudness_words(sound: MeasuredSound, target_lufs: float | None) -> str:
    integrated = figure(sound.loudness.integrated_lufs, "LUFS")
    words = "Loudness: the line is short-term (3 s), the grey momentary (0.4 s); "
    words += f"dashed: integrated, {integrated}"
    return words + (
        f"; dotted: the target, {figure(target_lufs, 'LUFS')}." if target_lufs is not None else "."
    )


def _runs(known: FloatArray) -> list[tuple[int, int]]:
    """First and last + 1 of each run of finite values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], np.isfinite(known), [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _line(xs: FloatArray, ys: FloatArray) -> str:
    return "".join("M" + _points(xs[a:b], ys[a:b]) for a, b in _runs(ys))


def _area(xs: FloatArray, tops: FloatArray, bottoms: FloatArray) -> str:
    return "".join(
        f"M{_points(xs[a:b], tops[a:b])}L{_points(xs[a:b][::-1], bottoms[a:b][::-1])}Z"
        for a, b in _runs(tops)
    )


def _points(xs: FloatArray, ys: FloatArray) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(xs, ys, strict=True))
