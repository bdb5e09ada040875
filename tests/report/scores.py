"""Plans over invented facts, with made-up traces of their clips, and what can be read off their pictures."""

from __future__ import annotations

import warnings
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from textwrap import dedent

import numpy as np
from matplotlib.font_manager import findfont, get_font

from mixrender.facts import Loudness, TrackFacts
from mixrender.mixdown.result import Clip, MasterFigures, MixResult, TransitionMeasure
from mixrender.mixdown.trace import ClipTrace, StripTrace
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

RATE_HZ = 44100
COLUMNS = 1200
BOLD = ("name", "head", "phrase")
SVG = "{http://www.w3.org/2000/svg}"
SIZES = {"name": 13.0, "head": 13.0, "sub": 10.0, "num": 9.5, "phrase": 10.5, "label": 10.0, "scale": 9.0}


def mix_of(
    text: str, *facts: TrackFacts, around_bars: float = 8.0, sounding: bool = True
) -> tuple[Plan, MixResult]:
    """A plan over tracks with these facts and the result of its preview, silent unless `sounding`."""
    plan = parse_plan(dedent(text))
    timeline = build_timeline(plan, list(facts))
    measures = [
        TransitionMeasure(None, None, _clip(timeline, i, around_bars, sounding))
        for i in range(len(timeline.transitions))
    ]
    master = MasterFigures(0.0, 0.0, 0.0, True)
    gains = tuple(0.0 for _ in timeline.tracks)
    result = MixResult(timeline, RATE_HZ, gains, tuple(measures), None, master, None, (), {})
    return plan, result


def _clip(timeline: Timeline, index: int, around_bars: float, sounding: bool) -> Clip:
    transition = timeline.transitions[index]
    around = around_bars * transition.beats_per_bar
    last = max(transition.end_beat, transition.enter_beat)
    low_s = max(timeline.tempo_map.time_at(transition.start_beat - around), 0.0)
    high_s = min(timeline.tempo_map.time_at(last + around), timeline.duration_s)
    start, stop = round(low_s * RATE_HZ), round(high_s * RATE_HZ)
    start_s, duration_s = start / RATE_HZ, (stop - start) / RATE_HZ
    trace = _trace(timeline, index, start_s, duration_s, sounding)
    return Clip(Path(f"{index + 1:02d}.flac"), start_s, duration_s, Loudness(duration_s), 0.0, trace)


def _trace(timeline: Timeline, index: int, start_s: float, duration_s: float, sounding: bool) -> ClipTrace:
    column_s = duration_s / COLUMNS
    times_s = start_s + (np.arange(COLUMNS) + 0.5) * column_s
    transition = timeline.transitions[index]
    strips = []
    for place in (transition.outgoing, transition.incoming, *(layer.index for layer in timeline.layers)):
        track = timeline.sounding[place]
        there = ((times_s >= track.start_s) & (times_s < track.end_s)).astype(np.float32) * sounding
        side = "from" if place == transition.outgoing else "to" if place == transition.incoming else "layer"
        source = there * (0.5 + 0.3 * np.sin(7.0 * times_s).astype(np.float32))
        with np.errstate(divide="ignore"):
            low_db = np.float32(20.0) * np.log10(source * np.float32(0.3))
        strips.append(StripTrace(place, side, source, source * np.float32(0.6), low_db))
    lufs = np.full(COLUMNS, -14.0 if sounding else np.nan, np.float32)
    return ClipTrace(column_s, tuple(strips), lufs + np.float32(1.0), lufs)


def without_traces(result: MixResult) -> MixResult:
    """The same result of clips that nothing was measured of."""
    measures = [
        replace(measure, clip=replace(measure.clip, trace=None))
        for measure in result.transitions
        if measure is not None and measure.clip is not None
    ]
    return replace(result, transitions=tuple(measures))


class Picture:
    """An SVG that was read, and where its axis lies."""

    def __init__(self, svg: str):
        self.root = ET.fromstring(svg)
        self.x0, self.x1 = (float(self.root.attrib[f"data-{edge}"]) for edge in ("x0", "x1"))
        self.start_s = float(self.root.attrib["data-start-s"])
        self.duration_s = float(self.root.attrib["data-duration-s"])

    def x_at(self, time_s: float) -> float:
        return self.x0 + (time_s - self.start_s) * (self.x1 - self.x0) / self.duration_s

    def lanes(self, track: str, control: str) -> list[np.ndarray]:
        """The points of every line of a lane, shape (n, 2)."""
        return [
            points_of(line)
            for line in self.root.iter(f"{SVG}polyline")
            if line.get("data-track") == track and line.get("data-control") == control
        ]

    def verticals(self, attribute: str, value: str) -> np.ndarray:
        """Where upright lines stand that have this value in an attribute."""
        paths = [p.attrib["d"] for p in self.root.iter(f"{SVG}path") if p.get(attribute) == value]
        return np.array([float(part.split()[0]) for path in paths for part in path.split("M")[1:]])

    def texts(self) -> list[tuple[str, str, float, float, float]]:
        """Every text with its class, its left end, its right end and its baseline, in DejaVu Sans."""
        found = []
        for text in self.root.iter(f"{SVG}text"):
            kind, words = text.attrib["class"], text.text or ""
            width = width_of(words, SIZES[kind], bold=kind in BOLD)
            x, y = float(text.attrib["x"]), float(text.attrib["y"])
            left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor", "start")]
            found.append((words, kind, left, left + width, y))
        return found


def points_of(line: ET.Element) -> np.ndarray:
    return np.array([pair.split(",") for pair in line.attrib["points"].split()], float)


def width_of(words: str, size: float, *, bold: bool = False) -> float:
    """The width of words in DejaVu Sans of that size, as its own tables give it."""
    font = get_font(findfont("DejaVu Sans:bold" if bold else "DejaVu Sans"))
    font.set_size(100.0, 72)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # letters that the font lacks are boxes of its own
        font.set_text(words, 0.0)
    return float(font.get_width_height()[0] / 64.0 / 100.0 * size)
