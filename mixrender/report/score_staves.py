"""The tracks of a transition in, their staves out: names, waveform, lines of moves, bands and brackets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from mixrender.mixdown.trace import Columns
from mixrender.plan.controls import CONTROLS, EFFECTS
from mixrender.report.score_bars import draw_bar_lines, draw_numbers
from mixrender.report.score_events import event_brackets
from mixrender.report.score_frame import Frame, Stave
from mixrender.report.score_labels import Curve, draw_rows, place_label
from mixrender.report.score_lanes import FILTERS, LINES, Run, hz_height, runs_of
from mixrender.report.score_sheet import Box, Sheet, letter_size, number
from mixrender.report.score_text import fitted, number_text, one_line
from mixrender.timing.tails import RINGING, effect_spans
from mixrender.timing.timeline import TrackPlacement
from mixrender.units import FloatArray

_NUMBERS = 15.0
"""Height of a row of bar numbers."""

_EFFECT = 20.0

_WAVE_PX = 0.25
"""Steps in which the height of a waveform is drawn."""

_SCALE = ((0, "0 dB"), (1, "−12"), (2, "−24"), (3, "−36"), (4, "silent"))
_LAYER_SCALE = ((0, "0 dB"), (4, "silent"))


def draw_stave(sheet: Sheet, frame: Frame, stave: Stave, top: float) -> tuple[float, Box]:
    """One track from `top` on down; where it ends, and the box of its five lines."""
    track, layer = stave.track, stave.side == "layer"
    space = frame.sizes.layer_space if layer else frame.sizes.space
    y = top
    if frame.compact:
        _draw_heading(sheet, frame, stave, y + 11.0)
        y += 17.0
    brackets = event_brackets(frame, track)
    y = draw_rows(sheet, brackets, y, right=frame.sizes.width)
    if stave.side == "from":
        draw_numbers(sheet, frame, track, y + 10.0)
        y += _NUMBERS
    runs = [run for control in LINES for run in runs_of(frame, track, control)]
    above = max([0.0, *(float(run.heights.max()) - 1.0 for run in runs)]) * 4 * space
    lines = Box(frame.x0, y + above + 4.0, frame.x1, y + above + 4.0 + 4 * space)
    if not frame.compact:
        _draw_names(sheet, frame, stave, (lines.top + lines.bottom) / 2)
    _draw_wave(sheet, frame, stave, lines)
    for i in range(5):
        sheet.line(frame.x0, lines.top + i * space, frame.x1, lines.top + i * space, "rule")
    draw_bar_lines(sheet, frame, track, lines.top, lines.bottom)
    _draw_scales(sheet, frame, lines, runs, layer=layer)
    _draw_lines(sheet, frame, track, runs, lines)
    y = lines.bottom + 4.0
    if stave.side != "from":
        draw_numbers(sheet, frame, track, y + 10.0)
        y += _NUMBERS
    return _draw_effects(sheet, frame, track, y), lines


# --- who plays --------------------------------------------------------------------------------------------


def _about(frame: Frame, track: TrackPlacement) -> list[str]:
    """Key, tempo, and how much faster or slower the track plays here."""
    parts = [track.key] if track.key else []
    if track.grid.kind != "none":
        parts.append(f"{_own_bpm(frame, track):.5g} BPM")
        parts += [_speed(frame, track)]
    return [part for part in parts if part]


def _own_bpm(frame: Frame, track: TrackPlacement) -> float:
    play_s = track.play_s_at(frame.transition.start_beat, frame.tempo_map)
    return round(track.grid.tempo_at(track.grid.beat_at(play_s)), 2)


def _speed(frame: Frame, track: TrackPlacement) -> str:
    """How much faster it plays at both ends of the overlap, in per cent; empty where it does not."""
    change = frame.transition.tempo_change_percent.get(track.name)
    if change is None or max(abs(change.start), abs(change.end)) < 0.05:
        return ""
    start, end = (number_text(value, digits=1, signed=True) for value in (change.start, change.end))
    return f"{start} %" if start == end else f"{start} … {end} %"


def _draw_names(sheet: Sheet, frame: Frame, stave: Stave, middle: float) -> None:
    right = frame.x0 - 36.0
    name = fitted(stave.track.name, size=letter_size("name"), room=right - 4.0)
    about = _about(frame, stave.track)
    y = middle + 4.0 - 6.5 * len(about)
    sheet.text(right, y, name, "name", "end")
    for i, words in enumerate(about):
        sheet.text(right, y + 14.0 + 13.0 * i, fitted(words, size=10.0, room=right - 2.0), "sub", "end")


def _draw_heading(sheet: Sheet, frame: Frame, stave: Stave, y: float) -> None:
    about = " · ".join(_about(frame, stave.track))
    room = frame.sizes.width - frame.x0 - 6.0
    about = fitted(about, size=10.0, room=room * 0.62) if about else ""
    sheet.text(frame.sizes.width - 4.0, y, about, "sub", "end")
    left = sheet.boxes[-1].left if about else frame.sizes.width
    sheet.text(
        frame.x0, y, fitted(stave.track.name, size=letter_size("name"), room=left - frame.x0 - 8.0), "name"
    )


# --- what sounds ------------------------------------------------------------------------------------------


def _draw_wave(sheet: Sheet, frame: Frame, stave: Stave, lines: Box) -> None:
    """The sound before moves as a light shape, and what is heard of it as a dark one over it."""
    if stave.strip is None or frame.trace is None:
        return
    loudest = max(float(np.max(strip.source, initial=0.0)) for strip in frame.trace.strips)
    half = (lines.bottom - lines.top) / 2 - 1.0
    scale = half / max(loudest, 1e-6)
    middle = (lines.top + lines.bottom) / 2
    for kind, columns in (("source", stave.strip.source), ("heard", stave.strip.heard)):
        peaks, group = _grouped(frame, columns)
        path = _shape(np.minimum(peaks * scale, half + 3.0))
        step = group * frame.trace.column_s * frame.px_per_s
        place = f"translate({frame.x0 + step / 2:.4f} {number(middle)}) scale({step:.6f} {_WAVE_PX})"
        if path:
            sheet.add("path", class_=kind, transform=place, d=path)


def _grouped(frame: Frame, columns: Columns) -> tuple[FloatArray, int]:
    """The greatest of so many neighbouring columns that they are a pixel wide or more; and how many."""
    peaks = np.nan_to_num(columns.astype(np.float64))
    group = max(-(-len(peaks) // int(frame.x1 - frame.x0)), 1)
    padded = np.concatenate((peaks, np.zeros(-len(peaks) % group)))
    return padded.reshape(-1, group).max(axis=1), group


def _shape(peaks: FloatArray) -> str:
    """The outline of peaks above and below a line, one along for each, in steps of `_WAVE_PX` up and down."""
    heights = np.round(peaks / _WAVE_PX).astype(np.int64)
    if not heights.any():
        return ""
    down, back = np.diff(-heights).tolist(), np.diff(heights[::-1]).tolist()
    there = " ".join(f"1 {step}" if step >= 0 else f"1{step}" for step in down)
    again = "".join(f"-1 {step}" if step >= 0 else f"-1{step}" for step in back)
    return f"M0 {-heights[0]}l{there}v{2 * heights[-1]}l{again}z"


# --- what is done -----------------------------------------------------------------------------------------


def _draw_scales(sheet: Sheet, frame: Frame, lines: Box, runs: Sequence[Run], *, layer: bool) -> None:
    """A scale in dB at the right of the stave; one in Hz at its left, where a filter moves."""
    space = (lines.bottom - lines.top) / 4
    for i, words in _LAYER_SCALE if layer else _SCALE:
        sheet.text(frame.x1 + 5.0, lines.top + i * space + 3.2, words, "scale")
    if frame.compact or layer or not any(run.control in FILTERS for run in runs):
        return
    for hz, words in ((20.0, "20 Hz"), (200.0, "200"), (2000.0, "2k"), (20_000.0, "20k")):
        y = lines.bottom - hz_height(hz) * (lines.bottom - lines.top)
        sheet.line(frame.x0 - 4.0, y, frame.x0, y, "thin")
        sheet.text(frame.x0 - 5.5, y + 3.2, words, "scale", "end")


def _draw_lines(sheet: Sheet, frame: Frame, track: TrackPlacement, runs: Sequence[Run], lines: Box) -> None:
    height = lines.bottom - lines.top
    curves = [run.curve(frame, top=lines.top, height=height) for run in runs]
    for run, curve in zip(runs, curves, strict=True):
        if run.control in FILTERS:
            _shade_cut(sheet, curve, lines.bottom if run.control == "highpass" else lines.top)
    for curve in curves:
        sheet.polyline(curve.xs, curve.ys, "halo")
    for run, curve in zip(runs, curves, strict=True):
        sheet.polyline(
            curve.xs,
            curve.ys,
            f"line {run.control}",
            data_track=one_line(track.name),
            data_control=run.control,
        )
    left, right = (min(max(frame.x_at(s), frame.x0), frame.x1) for s in (track.start_s, track.end_s))
    room = Box(left + 3.0, lines.top + 3.0, right - 3.0, lines.bottom - 2.0)
    named: set[tuple[str, str]] = set()
    for run, curve in sorted(zip(runs, curves, strict=True), key=lambda pair: len(pair[1].xs)):
        words = run.words(compact=frame.compact)
        if (run.control, words) in named:
            continue
        named.add((run.control, words))
        others = [other for other in curves if other is not curve]
        at = run.utmost if run.control != "level" else _middle_of_moves(run)
        place_label(sheet, words, curve, at=at, others=others, within=room)


def _shade_cut(sheet: Sheet, curve: Curve, edge: float) -> None:
    """The frequencies that a filter takes away, between its line and an edge of the stave."""
    line = "".join(f"L{number(x)} {number(y)}" for x, y in zip(curve.xs, curve.ys, strict=True))
    area = f"M{number(float(curve.xs[0]))} {number(edge)}{line}V{number(edge)}Z"
    sheet.add("path", fill=f"url(#{sheet.ids}-shade)", d=area)


def _middle_of_moves(run: Run) -> int:
    """Index of the point of a level half-way between its ends."""
    return int(np.argmin(np.abs(run.heights - 0.5 * (run.heights.max() + run.heights.min()))))


def _draw_effects(sheet: Sheet, frame: Frame, track: TrackPlacement, top: float) -> float:
    """Amounts of effects as hatched bands below the stave, each in a row of its own; where they end."""
    y = top
    for effect in EFFECTS:
        runs = runs_of(frame, track, effect)
        if not runs:
            continue
        base, height = y + _EFFECT - 2.0, _EFFECT - 6.0
        sheet.line(frame.x0, base, frame.x1, base, "rule")
        for run in runs:
            _draw_band(sheet, frame, track, run.curve(frame, top=base - height, height=height), effect, base)
        for x, end in _tails(frame, track, effect):
            sheet.line(x, base, end, base, "rings")
        words = _effect_words(frame, track, effect, runs)
        curve = Curve(*(np.array(pair) for pair in ((frame.x0, frame.x1), (base, base))))
        others = [run.curve(frame, top=base - height, height=height) for run in runs]
        at_x = float(others[0].xs[0])
        box = Box(frame.x0 - 2.0, y, frame.x1, base + 1.0)
        if at_x > frame.x0 + 130.0:  # before the band, if there is room
            curve = Curve(np.array([at_x - 70.0, at_x]), np.array([base, base]))
        place_label(sheet, words, curve, at=0, others=others, within=box)
        y += _EFFECT
    return y


def _draw_band(
    sheet: Sheet, frame: Frame, track: TrackPlacement, curve: Curve, effect: str, base: float
) -> None:
    outline = "".join(f"L{number(x)} {number(y)}" for x, y in zip(curve.xs, curve.ys, strict=True))
    area = f"M{number(float(curve.xs[0]))} {number(base)}{outline}V{number(base)}Z"
    sheet.add("path", fill=f"url(#{sheet.ids}-hatch)", d=area)
    sheet.polyline(curve.xs, curve.ys, "thin", data_track=one_line(track.name), data_control=effect)


def _tails(frame: Frame, track: TrackPlacement, effect: str) -> Iterator[tuple[float, float]]:
    """From where to where an effect rings on after what it was given."""
    if effect not in RINGING:
        return
    spans = effect_spans(
        track.lanes, effect, tempo_map=frame.tempo_map, start_s=track.start_s, end_s=track.end_s
    )
    for span in spans:
        start_s, stop_s = max(span.given_until_s, frame.start_s), min(span.stop_s, frame.end_s)
        if stop_s > start_s:
            yield frame.x_at(start_s), frame.x_at(stop_s)


def _effect_words(frame: Frame, track: TrackPlacement, effect: str, runs: Sequence[Run]) -> str:
    """`echo 60 %, 3/4 beat`."""
    most = max(float(run.values.max()) for run in runs)
    control = EFFECTS[effect].parameters["time"]
    points = track.lanes.get(control.name, ())
    beats = [p.value for p in points if p.beat <= frame.tempo_map.beat_at(float(runs[0].times_s[-1]))]
    time = CONTROLS[control.name].quantity.text(beats[-1] if beats else control.neutral)
    return f"{effect} {number_text(most)} %" + ("" if frame.compact else f", {time}")
