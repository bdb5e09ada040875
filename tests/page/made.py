"""Results of previews and mixes made by hand, without a sound, and a reader of HTML that finds its faults."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from textwrap import dedent

import numpy as np

from mixrender.facts import FileTags, Loudness
from mixrender.loudness.meter import Meter
from mixrender.loudness.spans import measured_sound
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.result import Clip, MasterFigures, MixResult, TransitionMeasure
from mixrender.mixdown.trace import ClipTrace, StripTrace
from mixrender.plan.load import parse_plan
from mixrender.plan.model import Plan
from mixrender.timing.build import build_timeline
from tests.timing.timelines import steady

PLAN = """\
title: Low Tide
artist: Oona Fell
date: 2026-11-28
note: |
  First line.
  Second, with `code`.
tracks:
  a: {file: a.wav, key: C major, title: Harbour, artist: Ines Roth}
  b: {file: b.wav, key: B major}
  c: {file: c.wav, key: E minor}
transitions:
  - {from: a, to: b, leave: 57, enter: 1, overlap: 16 bars, note: Let it breathe.,
     moves: {b: {low: {0: kill, 8: 0 dB}}}}
  - {from: b, to: c, leave: 57, enter: 1, overlap: 8 bars}
"""
RATE_HZ = 8000


def read(text: str = PLAN, tempos_bpm: tuple[float, ...] = (120.0, 120.0, 126.0)) -> tuple[Plan, MixResult]:
    """A plan and the result of its preview: clips of 8 bars around each overlap, with traces."""
    plan = parse_plan(dedent(text))
    facts = [replace(steady(bpm), tags=FileTags(title=f"Tag {i}")) for i, bpm in enumerate(tempos_bpm)]
    timeline = build_timeline(plan, facts[: len(plan.sounds)])
    measures = []
    for t in timeline.transitions:
        start_s = timeline.tempo_map.time_at(t.start_beat - 8 * t.beats_per_bar)
        end_s = timeline.tempo_map.time_at(t.end_beat + 8 * t.beats_per_bar)
        path = Path("out") / f"{t.index:02d}-{plan.tracks[t.outgoing].name}.flac"
        strips = (_strip(t.outgoing, "from"), _strip(t.incoming, "to"))
        trace = ClipTrace((end_s - start_s) / 50, strips, *(np.full(50, -14.0, np.float32),) * 2)
        loudness = Loudness(end_s - start_s, integrated_lufs=-13.25, true_peak_dbtp=-1.0)
        clip = Clip(path, start_s, end_s - start_s, loudness, 1.5, trace)
        measures.append(TransitionMeasure(BeatOffset(-0.3, 1.2, 1.5, 62, 0.5), -1.04, clip))
    result = MixResult(
        timeline=timeline,
        sample_rate_hz=RATE_HZ,
        gains_db=(0.0,) * len(timeline.tracks),
        transitions=tuple(measures),
        loudness=None,
        master=MasterFigures(0.0, 1.5, 0.0, True),
        target=None,
        inputs=(),
        versions={},
        files=tuple(m.clip.path for m in measures),
    )
    return plan, result


def as_mix(result: MixResult, path: Path = Path("out/mix.flac"), *, level: float = 0.1) -> MixResult:
    """The same as a finished mix: its first seconds are noise of a level, measured."""
    meter = Meter(sample_rate_hz=RATE_HZ)
    frames = 15 * RATE_HZ
    meter.push(np.random.default_rng(1).normal(0.0, level, (frames, 2)) if level else np.zeros((frames, 2)))
    sound = measured_sound(meter, peak_edges=())
    transitions = tuple(replace(m, clip=None) if m else None for m in result.transitions)
    return replace(result, files=(path,), loudness=sound.loudness, sound=sound, transitions=transitions)


def _strip(index: int, side: str) -> StripTrace:
    return StripTrace(index, side, *(np.full(50, 0.5, np.float32),) * 2, np.full(50, -20.0, np.float32))


VOID = {"meta", "link", "input", "br", "hr", "img"}


class Read(HTMLParser):
    """A page as read: every element with its attributes and its text; tags that do not nest are faults."""

    def __init__(self, html: str):
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None], list[str]]] = []
        self.faults: list[str] = []
        self._open: list[int] = []
        self.feed(html)
        self.close()
        self.faults += [f"<{self.elements[i][0]}> is not closed" for i in self._open]

    def handle_starttag(self, tag, attrs):
        if len(dict(attrs)) != len(attrs):
            self.faults.append(f"<{tag}> has an attribute twice: {attrs}")
        self.elements.append((tag, dict(attrs), []))
        if tag not in VOID:
            self._open.append(len(self.elements) - 1)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), []))

    def handle_endtag(self, tag):
        if not self._open or self.elements[self._open[-1]][0] != tag:
            self.faults.append(f"</{tag}> closes nothing at {self.getpos()}")
            return
        self._open.pop()

    def handle_data(self, data):
        for i in self._open:
            self.elements[i][2].append(data)

    def all(self, tag: str, **attributes: str) -> list[tuple[dict[str, str | None], str]]:
        """Attributes and text of the elements of a tag with these attributes; `class_` is one of many."""
        wanted = {key.rstrip("_").replace("_", "-"): value for key, value in attributes.items()}
        return [
            (attrs, "".join(text))
            for name, attrs, text in self.elements
            if name == tag
            and all(
                value in (attrs.get(key) or "").split() if key == "class" else attrs.get(key) == value
                for key, value in wanted.items()
            )
        ]
