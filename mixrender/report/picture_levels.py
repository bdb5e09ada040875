"""Loudness, true peaks and gain reduction over time in, drawn as panels of one width out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from mixrender.dsp.limiter import REDUCTIONS_PER_S
from mixrender.loudness.power import CHANNEL_NAMES
from mixrender.loudness.series import Series, momentary_series, short_term_series
from mixrender.loudness.spans import MeasuredSound
from mixrender.loudness.targets import FREE_TOLERANCE_LU, find_target
from mixrender.mixdown.result import MasterFigures, TargetVerdict
from mixrender.report.picture_lanes import apart
from mixrender.report.picture_page import width_px
from mixrender.report.picture_style import INK, LIGHT, MID, put
from mixrender.units import FloatArray, format_time, gain_to_db

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

COLUMNS = 1600
"""Values over time are drawn as so many columns at most."""

SAFE_DBTP = -1.0
MOST_MARKS = 5
OVER_DB = 0.05
"""A mark says that a ceiling is broken from here on: what is below is the rounding of two meters."""

_DEPTH_LU = 24.0
_QUIET_PERCENT = 10.0
_MOST_CANDIDATES = 200
_PEAK_DEPTH_DB = 9.0
_MARK_ROOM_PX = 14.0
_MARK_PX = 28.0


def in_columns(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle times, lowest and highest values of at most COLUMNS neighbours; NaN where all are NaN."""
    size = _per_column(len(values))
    starts = np.arange(0, len(values), size)
    if not len(starts):
        return times_s, values, values
    lowest, highest = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
    last = np.minimum(starts + size, len(values)) - 1
    return (times_s[starts] + times_s[last]) / 2.0, lowest, highest


def _per_column(values: int) -> int:
    return max(math.ceil(values / COLUMNS), 1)


def mean_line(times_s: FloatArray, values: FloatArray) -> Series:
    """Middle times and means of at most COLUMNS neighbours; those that are NaN do not count."""
    middles_s, _, _ = in_columns(times_s, values)
    starts = np.arange(0, len(values), _per_column(len(values)))
    if not len(starts):
        return times_s, values
    known = np.isfinite(values)
    counts = np.add.reduceat(known.astype(np.float64), starts)
    counts[counts == 0.0] = np.nan
    return middles_s, np.add.reduceat(np.where(known, values, 0.0), starts) / counts


def draw_loudness(axes: Axes, sound: MeasuredSound, target: TargetVerdict | None) -> None:
    """Momentary and short-term loudness over time, the integrated one and the target as lines across."""
    momentary, short_term = momentary_series(sound.power), short_term_series(sound.power)
    times_s, lowest, highest = in_columns(*momentary)
    look: dict[str, Any] = {"color": LIGHT, "edgecolor": MID, "lw": 0.3, "zorder": 2}
    axes.fill_between(times_s, lowest, highest, gid="momentary", label="momentary, 0.4 s", **look)
    axes.plot(
        *mean_line(*short_term), color=INK, lw=1.8, gid="short-term", label="short-term, 3 s", zorder=2.5
    )
    _draw_target(axes, target)
    integrated_lufs = sound.loudness.integrated_lufs
    if integrated_lufs is not None:
        words = f"integrated, {integrated_lufs:.1f} LUFS"
        line = axes.axhline(integrated_lufs, color=INK, lw=1.2, ls=(0, (6, 3)), gid="integrated", label=words)
        _rim(line)
    if not np.isfinite(momentary[1]).any():
        _say(axes, "no sound above -70 LUFS")
    axes.set_ylim(*_limits(momentary, short_term, integrated_lufs, target_span(target)))
    axes.locator_params(axis="y", nbins=9, steps=[1, 2, 3, 5, 10], integer=True)
    axes.grid(axis="y", color=LIGHT, lw=0.5)
    axes.set_axisbelow(True)
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.003, 0.995), ncols=5, frameon=False, borderpad=0.1,
        handlelength=2.6, columnspacing=2.0,
    )  # fmt: skip


def _rim(line: Artist) -> None:
    """A white rim, so that a line stands out from what lies behind it."""
    from matplotlib.patheffects import withStroke

    line.set_path_effects([withStroke(linewidth=3.2, foreground="white")])


def _say(axes: Axes, words: str) -> None:
    """Words in the middle of a panel in which there is nothing to draw."""
    box = {"facecolor": "white", "edgecolor": "none", "pad": 2.0}
    put(axes, 0.5, 0.5, words, ha="center", va="center", color=MID, transform=axes.transAxes, bbox=box)


def _limits(
    momentary: Series,
    short_term: Series,
    integrated_lufs: float | None,
    target: tuple[str, float, float] | None,
) -> tuple[float, float]:
    """From what is seldom quieter to the loudest moment, and as far as the target lies.

    It is at most _DEPTH_LU below that moment, unless a good part of the mix is quieter still.
    """
    loudest = float(np.nanmax(momentary[1])) if np.isfinite(momentary[1]).any() else -20.0
    heard = short_term[1][np.isfinite(short_term[1])]
    quietest, quiet = np.percentile(heard, [0.5, _QUIET_PERCENT]) if len(heard) else (loudest, loudest)
    low = min(quietest, loudest - 10.0, loudest if integrated_lufs is None else integrated_lufs - 3.0)
    low, high = min(max(low, loudest - _DEPTH_LU), quiet), loudest
    if target is not None:
        low, high = min(low, target[1]), max(high, target[2])
    return math.floor(low) - 1.0, math.ceil(high) + 1.0


def target_span(target: TargetVerdict | None) -> tuple[str, float, float] | None:
    """A target in words, and the lowest and the highest loudness that meet it; None: there is none."""
    if target is None or target.integrated_lufs is None:
        return None
    aim_lufs, published = target.integrated_lufs, find_target(target.name) if target.name else None
    low, high = aim_lufs - FREE_TOLERANCE_LU, aim_lufs + FREE_TOLERANCE_LU
    if published is None or published.lowest_lufs is None or published.highest_lufs is None:
        return f"target, {aim_lufs:g} LUFS", low, high
    if published.lowest_lufs <= aim_lufs <= published.highest_lufs:
        low, high = published.lowest_lufs, published.highest_lufs
    return f"target {published.name}, {low:g} to {high:g} LUFS", low, high


def _draw_target(axes: Axes, target: TargetVerdict | None) -> None:
    span = target_span(target)
    if span is not None:
        words, low, high = span
        look: dict[str, Any] = {"facecolor": "none", "edgecolor": MID, "hatch": "//////", "lw": 0.6}
        axes.axhspan(low, high, zorder=3, gid="target", label=words, **look)


def draw_reduction(axes: Axes, master: MasterFigures) -> None:
    """What the limiter takes away, hanging from the top: the most in grey, before it the mean in black."""
    most_db, means_db = (
        series.astype(np.float64) for series in (master.gain_reduction_db, master.mean_gain_reductions_db)
    )
    deepest = float(most_db.max(initial=0.0))
    if deepest > 0.0:
        tenths_s = (np.arange(len(most_db)) + 0.5) / REDUCTIONS_PER_S
        times_s, _, highest = in_columns(tenths_s, most_db)
        look: dict[str, Any] = {"color": LIGHT, "edgecolor": MID, "lw": 0.3}
        axes.fill_between(times_s, 0.0, highest, gid="reduction", **look)
        axes.fill_between(*mean_line(tenths_s, means_db), color=INK, lw=0.4, gid="mean reduction")
    else:
        _say(axes, "the limiter took nothing away")
    depth = max(math.ceil(deepest * 1.1), 3)
    axes.set_ylim(depth, 0.0)
    step = max(math.ceil(depth / 3), 1)
    axes.set_yticks(
        range(0, depth + 1, step), [f"\N{MINUS SIGN}{db}" if db else "0" for db in range(0, depth + 1, step)]
    )


def peak_levels(sound: MeasuredSound) -> tuple[FloatArray, FloatArray]:
    """True peaks over time: edges in seconds (n + 1,) and levels in dBTP (n,), -inf for silence."""
    rate_hz = sound.power.sample_rate_hz
    edges_s = np.array([*(start / rate_hz for start in sound.starts), sound.loudness.duration_s])
    return edges_s, np.array([gain_to_db(peak.level) for peak in sound.peaks])


def marked_peaks(
    sound: MeasuredSound, *, ceiling_dbtp: float, wide_px: float
) -> list[tuple[float, float, str]]:
    """The peaks to mark, as (second, dBTP, words), those first that matter most.

    All that are over the ceiling, if there is room for them; else the five highest.
    """
    rate_hz, px_per_s = sound.power.sample_rate_hz, wide_px / max(sound.loudness.duration_s, 1e-6)
    sounding = (peak for peak in sound.peaks if peak.level > 0.0)
    peaks = sorted(sounding, key=lambda peak: -peak.level)[:_MOST_CANDIDATES]
    over = [peak for peak in peaks if gain_to_db(peak.level) > ceiling_dbtp + OVER_DB]
    found = []
    for peak in over or peaks:
        level_dbtp, time_s = gain_to_db(peak.level), peak.frame / rate_hz
        name = CHANNEL_NAMES[2][peak.channel]
        found.append((time_s, level_dbtp, f"{level_dbtp:+.1f} at {format_time(time_s)}, {name}"))
    widths = [width_px(words) + _MARK_PX for _, _, words in found]
    centres = [
        _inside(time_s * px_per_s, width, wide_px)
        for (time_s, _, _), width in zip(found, widths, strict=True)
    ]
    kept = apart(centres, widths)
    return [found[i] for i in (kept if over else kept[:MOST_MARKS])]


def _inside(centre: float, width: float, wide_px: float) -> float:
    """The centre nearest to one at which something of a width lies within the panel."""
    return min(max(centre, width / 2.0), wide_px - width / 2.0)


def draw_peaks(axes: Axes, sound: MeasuredSound, *, ceiling_dbtp: float, wide_px: float) -> None:
    """True peaks over time as steps, the ceiling as a line, the highest moments marked with their values."""
    edges_s, levels_dbtp = peak_levels(sound)
    loudest_dbtp = float(levels_dbtp.max())
    highest = max(loudest_dbtp, ceiling_dbtp)
    # A mix that is far below its ceiling is shown too.
    depth_db = _PEAK_DEPTH_DB + (max(ceiling_dbtp - loudest_dbtp, 0.0) if np.isfinite(loudest_dbtp) else 0.0)
    bottom = ceiling_dbtp - depth_db
    axes.stairs(
        np.maximum(levels_dbtp, bottom), edges_s, baseline=bottom, fill=True, color=LIGHT, gid="peaks"
    )
    axes.axhline(ceiling_dbtp, color=INK, lw=0.9, ls=(0, (2, 2)), gid="ceiling")
    # Words stand above the highest level: room for them, in units of the axes.
    axes.set_ylim(bottom, highest + 0.62 * (highest - bottom))
    axes.set_yticks([ceiling_dbtp - part * math.ceil(depth_db / 3.0) for part in range(3)])
    px_per_s = wide_px / max(sound.loudness.duration_s, 1e-6)
    for time_s, level_dbtp, words in marked_peaks(sound, ceiling_dbtp=ceiling_dbtp, wide_px=wide_px):
        axes.plot([time_s], [max(level_dbtp, bottom)], marker="v", ms=6, color=INK, clip_on=False, gid="mark")
        centre = _inside(time_s * px_per_s, width_px(words) + _MARK_ROOM_PX, wide_px)
        place_db = highest + 0.34 * (highest - bottom)
        box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
        put(axes, centre / px_per_s, place_db, words, ha="center", va="center_baseline", bbox=box)
