"""Onset strengths bar by bar in, drawn as stacked bars, as one mean bar and from very near out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from mixrender.analysis.evidence import NEAR_MS, Close, Evidence
from mixrender.analysis.evidence_rows import LEAD_COLUMNS, PER_BEAT, ROW_S, Layout
from mixrender.facts import TrackFacts
from mixrender.report.picture_style import GRID, HEAD_PT, INK, LIGHT, MID, TEXT_PT, put
from mixrender.units import FloatArray, format_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIXTEENTHS = 4
_MOST_ROW_TICKS = 24
_STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024)


def draw_stack(axes: Axes, strengths: FloatArray, layout: Layout, facts: TrackFacts) -> None:
    """Every bar as a row, its beats from left to right: the darker, the stronger an onset."""
    if facts.grid.kind == "none":
        extent, ticks = (0.0, ROW_S), np.arange(ROW_S + 0.5)
        axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    else:
        per_bar = facts.grid.beats_per_bar
        lead = LEAD_COLUMNS / PER_BEAT
        extent = (-lead, per_bar - lead)
        axes.set_xticks(range(per_bar), [str(beat + 1) for beat in range(per_bar)])
        axes.set_xticks(np.arange(-1, per_bar * _SIXTEENTHS - 1) / _SIXTEENTHS, minor=True)
        for beat in range(per_bar):
            axes.axvline(beat, color=GRID, lw=0.7, alpha=0.55, gid="beat")
    _image(axes, strengths, extent)
    axes.tick_params(top=True, which="both", color=GRID)
    axes.tick_params(which="major", length=5.0, width=1.2)
    _row_ticks(axes, layout, facts)
    if facts.grid.kind != "none":
        _section_rows(axes, layout, facts)


def _image(axes: Axes, strengths: FloatArray, extent: tuple[float, float]) -> None:
    rows = strengths.shape[0]
    strongest = float(np.percentile(strengths, 99.0)) if strengths.size else 0.0
    axes.imshow(
        strengths,
        cmap="Greys",
        aspect="auto",
        interpolation="nearest",
        vmin=0.0,
        vmax=strongest or 1.0,
        extent=(*extent, max(rows, 1), 0),
    )


def _row_ticks(axes: Axes, layout: Layout, facts: TrackFacts) -> None:
    """Numbers of bars beside their rows, every 4, 8, 16 … from bar 1 on; times where there are no bars."""
    numbers = layout.numbers
    span = len(numbers) * layout.one_in
    step = next((s for s in _STEPS if span / s <= _MOST_ROW_TICKS), _STEPS[-1])
    rows = [i for i, number in enumerate(numbers) if (number - 1) % step == 0]
    timed = facts.grid.kind == "none"
    names = [
        format_time(float(s)) if timed else str(n) for n, s in zip(numbers, layout.starts_s, strict=True)
    ]
    axes.set_yticks([i + 0.5 for i in rows], [names[i].removesuffix(".0") for i in rows])
    axes.tick_params(axis="y", length=2.0)


def _section_rows(axes: Axes, layout: Layout, facts: TrackFacts) -> None:
    borders = {section.bar for section in facts.sections}
    for row, bar in enumerate(layout.numbers):
        if bar in borders and row:
            axes.axhline(row, color=INK, lw=0.7, ls=(0, (4, 2)))


def draw_near(axes: Axes, evidence: Evidence) -> None:
    """The milliseconds around the beats, bar by bar."""
    _image(axes, evidence.near, (-NEAR_MS, NEAR_MS))
    axes.axvline(0.0, color=GRID, lw=0.9, alpha=0.8)
    axes.set_xticks([-40, -20, 0, 20, 40])
    axes.set_yticks([])
    axes.set_xlabel("ms after the beat", fontsize=TEXT_PT, labelpad=1.0)


def mean_bar(strengths: FloatArray, *, beats_per_bar: int) -> FloatArray:
    """Mean onset strength on each sixteenth of a bar, greatest = 1, shape (4 * beats_per_bar,).

    The strength of a sixteenth is the greatest from half a sixteenth before it to half a one after it.
    """
    width = PER_BEAT // _SIXTEENTHS
    shift = LEAD_COLUMNS - width // 2
    if not strengths.size:
        return np.zeros(_SIXTEENTHS * beats_per_bar)
    moved = np.append(strengths.ravel()[shift:], np.zeros(shift))
    slots = moved.reshape(strengths.shape[0], -1, width).max(axis=2).mean(axis=0)
    return np.asarray(slots / max(float(slots.max()), 1e-9))


def draw_mean_bar(axes: Axes, evidence: Evidence, *, beats_per_bar: int) -> None:
    """Low onsets on each sixteenth as columns, snares and claps as an outline over them."""
    low = mean_bar(evidence.low, beats_per_bar=beats_per_bar)
    burst = mean_bar(evidence.burst, beats_per_bar=beats_per_bar)
    places = np.arange(low.size) / _SIXTEENTHS
    width = 1.0 / _SIXTEENTHS
    axes.bar(places, low, width * 0.8, color=MID, gid="low")
    axes.bar(places, burst, width * 0.8, facecolor="none", edgecolor=INK, lw=0.8, hatch="////", gid="burst")
    axes.set_xticks(range(beats_per_bar), [str(beat + 1) for beat in range(beats_per_bar)])
    axes.set_xticks(places, minor=True)
    axes.tick_params(which="major", length=5.0, width=1.2, color=GRID)
    axes.set(xlim=(-width, beats_per_bar - width / 2), ylim=(0.0, 1.08), yticks=[])


def draw_repeats(axes: Axes, evidence: Evidence) -> None:
    """How strongly the onsets repeat, by tempo: what was looked for and not found clearly enough."""
    tempi, strength = evidence.repeats
    axes.plot(tempi, strength, color=INK, lw=1.0)
    axes.set_xscale("log")
    axes.set_xticks([40, 60, 80, 120, 160, 240], ["40", "60", "80", "120", "160", "240"])
    axes.set_xticks([], minor=True)
    axes.set(xlim=(40.0, 240.0), ylim=(min(0.0, float(strength.min())), 1.0), yticks=[0.0, 0.5, 1.0])
    axes.set_xlabel("BPM", fontsize=TEXT_PT, labelpad=1.0)


def draw_tempo(axes: Axes, facts: TrackFacts, layout: Layout) -> None:
    """Tempo at each bar line of a grid that changes."""
    grid = facts.grid
    bpm = [grid.tempo_at(grid.bar_to_beat(bar)) for bar in layout.numbers]
    axes.plot(layout.numbers, bpm, color=INK, lw=1.0, gid="tempo")
    low, high = min(bpm), max(bpm)
    room = max(0.1 * (high - low), 0.5)
    axes.set(xlim=(layout.numbers[0], max(layout.numbers[-1], layout.numbers[0] + 1)))
    axes.set(ylim=(low - room, high + room))
    axes.tick_params(labelsize=TEXT_PT)
    axes.set_xlabel("bar", fontsize=TEXT_PT, labelpad=1.0)


def draw_close(axes: Axes, close: Close, facts: TrackFacts, *, title: str) -> None:
    """A few bars of the wave, the fine onsets below it, the beats over both."""
    axes.set(xlim=(close.edges_s[0], close.edges_s[-1]), ylim=(-1.0, 1.0), yticks=[])
    middles_s = (close.edges_s[1:] + close.edges_s[:-1]) / 2.0
    greatest = max(float(np.abs([close.lowest, close.highest]).max()), 1e-6)
    low, high = (0.4 + 0.58 * side / greatest for side in (close.lowest, close.highest))
    axes.fill_between(middles_s, low, high, color=LIGHT, lw=0.0)
    # Over the lines of the beats, which would hide what lies right on them.
    axes.fill_between(close.times_s, -1.0, -1.0 + 0.85 * close.onsets, color=INK, lw=1.2, zorder=3)
    axes.set_title(title, loc="left", fontsize=HEAD_PT, fontweight="bold", pad=16.0)
    if facts.grid.kind != "none":
        _beat_lines(axes, close, facts)


def _beat_lines(axes: Axes, close: Close, facts: TrackFacts) -> None:
    grid = facts.grid
    start, stop = (grid.beat_at(float(s)) for s in (close.edges_s[0], close.edges_s[-1]))
    for beat in range(int(np.ceil(start)), int(np.floor(stop)) + 1):
        bar, place = divmod(beat, grid.beats_per_bar)
        time_s, first = grid.time_at(beat), place == 0
        axes.axvline(time_s, color=GRID, lw=1.4 if first else 0.8, zorder=2, gid="bar" if first else "beat")
        words = f"{bar + 1}" if first else f"{place + 1}"
        put(
            axes, time_s, 1.03, words, ha="center", va="bottom",
            color=GRID, weight="bold" if first else "normal", fontsize=TEXT_PT if first else TEXT_PT - 1.5,
        )  # fmt: skip
