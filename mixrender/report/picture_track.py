"""The outline of a whole track and its facts in, drawn over its bars: sections, way in and out, contents."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from mixrender.analysis.evidence import Wave
from mixrender.facts import TrackFacts
from mixrender.report.picture_style import GRID, INK, LIGHT, MID, TEXT_PT, edge_lines, put
from mixrender.report.picture_words import mark_words
from mixrender.units import format_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024)
_SECONDS = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200)
_MOST_TICKS = 20
_QUIETEST_LUFS = -40.0
_CHARACTER = 0.0065
"""Width of a letter, as a share of the picture's."""


def draw_wave(axes: Axes, wave: Wave, facts: TrackFacts) -> None:
    """Peaks and RMS of the whole track over time, with bars below and time above."""
    middles_s = (wave.edges_s[1:] + wave.edges_s[:-1]) / 2.0
    scale = 1.0 / max(float(wave.peak.max()), 1e-6)
    for heights, colour in ((wave.peak, LIGHT), (wave.rms, MID)):
        axes.fill_between(middles_s, -heights * scale, heights * scale, color=colour, lw=0.0)
    axes.set(xlim=(0.0, facts.duration_s), ylim=(-1.02, 1.02), yticks=[])
    _bar_ticks(axes, facts)
    above = axes.secondary_xaxis("top")
    times_s = _seconds_ticks(facts.duration_s)
    above.set_xticks(times_s, [format_time(t).removesuffix(".0") for t in times_s])
    above.tick_params(labelsize=TEXT_PT, colors=MID)
    for section in facts.sections:
        axes.axvline(section.start_s, color=INK, lw=1.1, ls=(0, (4, 2)), gid="section")
    for bar in (facts.first_enter_bar, facts.last_leave_bar):
        if bar is not None:
            axes.axvline(facts.grid.time_at(facts.grid.bar_to_beat(bar)), color=GRID, lw=1.6, gid="mark")
    _draw_loudness(axes, facts)


def _bar_ticks(axes: Axes, facts: TrackFacts) -> None:
    """Bar numbers at their times, as many as there is room for."""
    grid = facts.grid
    if grid.kind == "none":
        axes.set_xticks([])
        return
    last = int(grid.beat_to_bar(grid.beat_at(facts.duration_s)))
    step = next((s for s in _STEPS if last / s <= _MOST_TICKS), _STEPS[-1])
    bars = range(1, last + 1, step)
    axes.set_xticks([grid.time_at(grid.bar_to_beat(bar)) for bar in bars], [str(bar) for bar in bars])
    put(axes, -0.008, -0.02, "bar", ha="right", va="top", color=MID, transform=axes.transAxes)


def _seconds_ticks(duration_s: float) -> list[float]:
    step = next((s for s in _SECONDS if duration_s / s <= _MOST_TICKS), 3600)
    return [float(t) for t in np.arange(0.0, duration_s, step)]


def _draw_loudness(axes: Axes, facts: TrackFacts) -> None:
    """Loudness of each bar as a line of steps, with its own scale on the right."""
    levels = facts.bars.level_lufs
    if not levels or facts.grid.kind == "none":
        return
    lines_s = edge_lines(facts.grid, len(levels))
    from matplotlib.patheffects import withStroke  # as all of matplotlib, for pictures alone

    right = axes.twinx()
    steps = right.stairs(np.maximum(levels, _QUIETEST_LUFS), lines_s, color=INK, lw=1.2, baseline=None)
    # A white rim, so that it stands out from the greys behind it.
    steps.set(gid="loudness", path_effects=[withStroke(linewidth=2.8, foreground="white")])
    right.set(ylim=(_QUIETEST_LUFS, 0.0), yticks=[-40, -30, -20, -10, 0])
    right.tick_params(labelsize=TEXT_PT)
    put(right, 1.029, 0.5, "LUFS by bar", rotation=90, ha="left", va="center", transform=right.transAxes)


def draw_marks(axes: Axes, facts: TrackFacts) -> None:
    """Numbers of the bars on which sections begin; below them where to enter and leave, and the drums."""
    axes.set(xlim=(0.0, facts.duration_s), ylim=(0.0, 3.0), xticks=[], yticks=[])
    axes.axis("off")
    grid = facts.grid
    if grid.kind == "none":
        return
    taken_s = -np.inf
    for section in facts.sections:
        if section.start_s >= taken_s:
            put(axes, section.start_s, 2.45, str(section.bar), ha="center", va="center", weight="bold")
            taken_s = section.start_s + 0.016 * facts.duration_s * (1 + 0.3 * len(str(section.bar)))
    put(axes, -0.008, 2.45 / 3.0, "sections", ha="right", va="center", color=MID, transform=axes.transAxes)
    if facts.first_enter_bar is not None and facts.last_leave_bar is not None:
        _draw_ends(axes, facts, facts.first_enter_bar, facts.last_leave_bar)
    _draw_drums(axes, facts)


def _draw_ends(axes: Axes, facts: TrackFacts, first: int, last: int) -> None:
    """Where to enter and where to leave; the reasons are left out where they would run into each other."""
    grid, duration_s = facts.grid, facts.duration_s
    times_s = [grid.time_at(grid.bar_to_beat(bar)) for bar in (first, last)]
    lefts = [time_s < duration_s / 2.0 for time_s in times_s]
    words = mark_words(facts, reasons=True)
    taken_s = sum(map(len, words)) * _CHARACTER * duration_s
    if lefts[0] == lefts[1] or taken_s > times_s[1] - times_s[0]:
        words = mark_words(facts, reasons=False)
    for time_s, left, text, marker in zip(times_s, lefts, words, "><", strict=True):
        axes.plot([time_s], [1.5], marker=marker, ms=7, color=GRID, clip_on=False)
        place_s = time_s + 0.008 * duration_s * (1.0 if left else -1.0)
        put(axes, place_s, 1.45, text, ha="left" if left else "right", va="center", color=GRID)


def _draw_drums(axes: Axes, facts: TrackFacts) -> None:
    first, last, grid = facts.drums_from_bar, facts.drums_until_bar, facts.grid
    if first is None or last is None:
        return
    ends_s = [grid.time_at(grid.bar_to_beat(bar)) for bar in (first, last)]
    axes.plot(ends_s, [0.5, 0.5], color=INK, lw=1.5, marker="|", ms=8, clip_on=False, gid="drums")
    words = f"drums {first} to {last}"
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
    put(axes, sum(ends_s) / 2.0, 0.45, words, ha="center", va="center", bbox=box)


def presences(facts: TrackFacts) -> list[tuple[str, tuple[float, ...]]]:
    """The contents by bar that are known: pairs of a name and one figure a bar, 0 to 1."""
    bars = facts.bars
    rows = [("kick", bars.kick), ("drums", bars.drums), ("bass", bars.bass), ("vocals", bars.vocals)]
    return [(name, values) for name, values in rows if values] if facts.grid.kind != "none" else []


def draw_presences(axes: Axes, facts: TrackFacts) -> None:
    """One strip a kind of content: the darker, the surer it sounds in that bar."""
    rows = presences(facts)
    values = np.array([row for _, row in rows])
    lines_s = edge_lines(facts.grid, values.shape[1])
    axes.pcolormesh(
        lines_s, np.arange(len(rows) + 1), values, cmap="Greys", vmin=0.0, vmax=1.15, gid="contents"
    )
    for border in range(1, len(rows)):
        axes.axhline(border, color="white", lw=2.0)
    axes.set(xlim=(0.0, facts.duration_s), ylim=(len(rows), 0), xticks=[])
    axes.set_yticks(np.arange(len(rows)) + 0.5, [name for name, _ in rows])
    axes.tick_params(length=0, labelsize=TEXT_PT)
