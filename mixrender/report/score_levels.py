"""Tempo, loudness and low ends over a clip in, the rows above and below its staves out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from mixrender.report.score_frame import Frame
from mixrender.report.score_sheet import Sheet, text_box
from mixrender.report.score_text import fitted, number_text
from mixrender.units import FloatArray

TEMPO = 26.0
_LOUDNESS_DB, _LOW_DB = 30.0, 48.0
"""How many LU and dB the axes reach down from the loudest."""


# --- tempo ------------------------------------------------------------------------------------------------


def draw_tempo(sheet: Sheet, frame: Frame, top: float) -> float:
    """The tempo as a thin line with figures where it changes; where it ends, `top` where there is none."""
    points = tempo_points(frame)
    if not points:
        return top
    times_s, bpm = (np.array([point[i] for point in points]) for i in (0, 1))
    bends = _bend_kinds(points)
    low, high = float(bpm.min()), float(bpm.max())
    height, base = 8.0, top + TEMPO - 3.0
    share = (bpm - low) / (high - low) if high - low > 0.005 else np.zeros(len(bpm))
    xs, ys = frame.xs_at(times_s), base - height * share
    if not frame.compact:
        sheet.text(frame.x0 - 36.0, base - 1.0, "tempo", "sub", "end")
    sheet.polyline(xs, ys, "line tempo", data_lane="tempo")
    told = None
    for x, y, value, bend in zip(xs.tolist(), ys.tolist(), np.round(bpm, 2).tolist(), bends, strict=True):
        words = f"{value:g}" + (" BPM" if told is None else "")
        right_of = x + 4.0 if bend == "jump" else x
        at = min(right_of, frame.x1 - text_box(0.0, 0.0, words, "num").right)
        box = text_box(at, y - 4.0, words, "num")
        # What it changes to stands where it has got there, if there is room.
        if bend and value != told and not any(box.meets(other, room=8.0) for other in sheet.boxes):
            sheet.text(at, y - 4.0, words, "num")
            told = value
    return top + TEMPO


def _bend_kinds(points: Sequence[tuple[float, float, bool]]) -> list[str]:
    """For each point of the tempo: `jump` behind a jump, `bend`, or nothing where it runs through."""
    jumps = [False, *(after[0] - before[0] < 1e-6 for before, after in pairwise(points))]
    return ["jump" if jump else "bend" if point[2] else "" for jump, point in zip(jumps, points, strict=True)]


def tempo_points(frame: Frame) -> list[tuple[float, float, bool]]:
    """The tempo as (s of the mix, BPM, whether it bends there), each track's in its own counting.

    Only where a track with a grid plays, the incoming one from the end of the overlap on.
    """
    transition, tempo_map = frame.transition, frame.tempo_map
    out, into = (frame.timeline.tracks[i] for i in (transition.outgoing, transition.incoming))
    first, last = (tempo_map.beat_at(t) for t in (frame.start_s, frame.end_s))
    border = min(max(transition.end_beat, transition.enter_beat, first), last)
    points: list[tuple[float, float, bool]] = []
    for track, begin, end in ((out, first, border), (into, border, last)):
        if track.grid.kind == "none" or end - begin <= 1e-9:
            continue
        points += _bends(frame, track.rate, begin, end)
    return points


def _bends(frame: Frame, rate: float, begin: float, end: float) -> Iterator[tuple[float, float, bool]]:
    tempo_map = frame.tempo_map
    for low, high, _ in tempo_map.pieces(begin, end):
        middle = (low + high) / 2
        for beat, bpm in (
            (low, tempo_map.tempo_at(low)),
            (middle, tempo_map.tempo_at(middle)),
            (high, tempo_map.tempo_before(high)),
        ):
            if beat != middle or high - low > 1.0:
                yield tempo_map.time_at(beat), bpm * rate, beat != middle


# --- loudness and low ends --------------------------------------------------------------------------------


def draw_loudness(sheet: Sheet, frame: Frame, top: float) -> float:
    """Momentary loudness as a thin line, short-term as a heavy one, on an axis in LUFS."""
    if frame.trace is None:
        return top
    series = [
        ("momentary", "momentary (0.4 s)", frame.trace.momentary_lufs),
        ("short-term", "short-term (3 s)", frame.trace.short_term_lufs),
    ]
    return _draw_panel(
        sheet, frame, top, frame.sizes.loudness, "loudness", "LUFS", series, _LOUDNESS_DB, 6, at=1.0
    )


def draw_low(sheet: Sheet, frame: Frame, top: float, *, edge_hz: float) -> float:
    """The level below the first band edge of each track over a beat: outgoing solid, incoming dashed."""
    if frame.trace is None:
        return top
    beat_s = 60.0 / frame.tempo_map.tempo_at(frame.transition.start_beat)
    series = [
        (
            _low_kind(i, stave.side),
            stave.track.name,
            _smooth(stave.strip.low_db, beat_s / frame.trace.column_s),
        )
        for i, stave in enumerate(frame.staves)
        if stave.strip is not None
    ]
    title = f"below {edge_hz:g} Hz"
    return _draw_panel(sheet, frame, top, frame.sizes.low, title, "dBFS", series, _LOW_DB, 12, at=0.5)


def _draw_panel(
    sheet: Sheet,
    frame: Frame,
    top: float,
    height: float,
    title: str,
    unit: str,
    series: Sequence[tuple[str, str, np.ndarray]],
    reach_db: float,
    step_db: int,
    *,
    at: float,
) -> float:
    """Lines over time on an axis of even dB, with a legend; where the panel ends."""
    if not frame.compact:
        height = max(height, 15.0 * len(series) + 12.0)  # for the legend at its left
    y0 = _draw_legend(sheet, frame, top, height, title, unit, [(kind, name) for kind, name, _ in series])
    values = [np.asarray(column, np.float64) for _, _, column in series]
    found = [float(v[np.isfinite(v)].max()) for v in values if np.isfinite(v).any()]
    high = math.ceil((max(found) + 0.2) / step_db) * step_db if found else 0.0
    low = high - min(max(math.ceil((high - _quiet(values)) / step_db) * step_db, 2 * step_db), reach_db)
    reach_db = high - low
    scale = height / reach_db
    for tick in range(int(high), int(low) - 1, -step_db):
        y = y0 + (high - tick) * scale
        sheet.line(frame.x0, y, frame.x1, y, "rule")
        sheet.text(frame.x1 + 5.0, y + 3.2, number_text(float(tick)), "scale")
    if not found:
        sheet.text((frame.x0 + frame.x1) / 2, y0 + height / 2 + 3.0, "nothing to measure", "sub", "middle")
    for (kind, _, _), value in zip(series, values, strict=True):
        xs = frame.column_xs(len(value), at=at)
        for part in _parts(value, low):
            ys = y0 + (high - np.maximum(value[part], low)) * scale
            # Tenths of a pixel do for what was measured, and make the text of the picture short.
            sheet.polyline(
                np.round(xs[part], 1), np.round(ys, 1), f"line {kind}", within=0.2, data_series=kind
            )
    return y0 + height + 13.0


def _low_kind(place: int, side: str) -> str:
    """The class of a line of a low end; layers have one of three kinds of dashes."""
    return f"low-layer-{place % 3}" if side == "layer" else f"low-{side}"


def _smooth(low_db: np.ndarray, columns: float) -> FloatArray:
    """Levels averaged in power over so many columns: single hits would hide how strong a low end is."""
    width = max(round(columns), 1)
    power = np.power(10.0, np.asarray(low_db, np.float64) / 10.0)
    counts = np.convolve(np.ones(len(power)), np.ones(width), mode="same")[: len(power)]
    mean = np.maximum(np.convolve(power, np.ones(width), mode="same")[: len(power)], 0.0) / counts
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(mean))


def _quiet(values: Sequence[FloatArray]) -> float:
    """A level that is undercut for a twentieth of the time at most."""
    finite = np.concatenate([value[np.isfinite(value)] for value in values])
    return float(np.percentile(finite, 5.0)) if finite.size else 0.0


def _parts(values: FloatArray, low: float) -> Iterator[slice]:
    """Where values are above the axis' foot, with one beside on either side."""
    inside = ~np.isnan(values) & (values > low)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False]))))
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        # Down to the foot, unless nothing was measured there.
        first = int(i) - 1 if i > 0 and not np.isnan(values[i - 1]) else int(i)
        last = int(j) + 1 if j < len(values) and not np.isnan(values[j]) else int(j)
        yield slice(first, last)


def _draw_legend(
    sheet: Sheet,
    frame: Frame,
    top: float,
    height: float,
    title: str,
    unit: str,
    rows: Sequence[tuple[str, str]],
) -> float:
    """What a panel shows, left of it or, where there is no room, above it; where its axis begins."""
    if frame.compact:
        x = frame.x0
        sheet.text(x, top + 11.0, f"{title}, {unit}", "sub")
        x = sheet.boxes[-1].right + 10.0
        room = (frame.sizes.width - 4.0 - x) / max(len(rows), 1)
        for kind, name in rows:
            sheet.line(x, top + 7.5, x + 18.0, top + 7.5, f"line {kind}")
            short = name.split(" (")[0] if kind in ("momentary", "short-term") else name
            sheet.text(x + 21.0, top + 11.0, fitted(short, size=10.0, room=room - 26.0), "sub")
            x += room
        return top + 20.0
    right = frame.x0 - 8.0
    y = top + 13.0
    sheet.text(right, y, f"{title}, {unit}", "sub", "end")
    for kind, name in rows:
        y += 15.0
        words = fitted(name, size=9.5, room=right - 34.0)
        sheet.text(right, y, words, "num", "end")
        left = sheet.boxes[-1].left - 5.0
        sheet.line(left - 22.0, y - 3.5, left, y - 3.5, f"line {kind}")
    return top + 4.0
