"""A rendered mix in, one page on which people see how loud it is over time, and where its tracks lie, out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mixrender.mixdown.result import MixResult
from mixrender.report.document import true_peak_channel
from mixrender.report.mix_tables import levelling_lines, target_lines
from mixrender.report.picture_lanes import draw_tracks, height_px, shade_transitions, show_times
from mixrender.report.picture_levels import SAFE_DBTP, draw_loudness, draw_peaks, draw_reduction
from mixrender.report.picture_page import (
    PictureFormat,
    axes_at,
    fitted,
    new_page,
    save_pages,
    width_px,
    write_at,
)
from mixrender.report.picture_style import HEAD_PT, MID, TEXT_PT, head
from mixrender.report.picture_text import shown
from mixrender.report.tables import number
from mixrender.units import format_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_PX = 1800

# Where panels stand, in pixels from the left and from the top.
_LEFT, _RIGHT = 94, 1740
_WIDE = _RIGHT - _LEFT
_REDUCTION = (216, 296)
_PEAKS = (360, 470)
_LOUDNESS = (534, 934)
_TRACKS_TOP = 942
_FOOT = 64

_MOST_LINES = 4
_MOST_LETTERS = 1000  # more than fit into so many lines


def write_loudness_pictures(
    result: MixResult, folder: Path, *, title: str, formats: tuple[PictureFormat, ...] = ("png", "svg")
) -> list[Path]:
    """Draw a finished mix to `loudness.png` and `loudness.svg` in `folder`, each all or nothing.

    Raises ValueError of a preview, which has no loudness over time, MachineError if they cannot be written.
    """
    outs = {format: folder / f"loudness.{format}" for format in formats}
    save_pages(lambda: mix_figure(result, title=title), outs)
    return list(outs.values())


def page_height_px(result: MixResult) -> int:
    """The height of the page: it grows with the lanes that the tracks need."""
    return round(_TRACKS_TOP + height_px(result.timeline, wide_px=_WIDE) + _FOOT)


def mix_figure(result: MixResult, *, title: str) -> Figure:
    """The page as a figure of WIDTH_PX by `page_height_px`; call it within STYLE."""
    sound, timeline = result.sound, result.timeline
    if sound is None:
        raise ValueError("a preview has no loudness over time")
    figure = new_page(WIDTH_PX, page_height_px(result))
    ceiling_dbtp = result.target.true_peak_dbtp if result.target else SAFE_DBTP
    _draw_head(figure, result, title)
    reduction = _panel(figure, result, _REDUCTION)
    draw_reduction(reduction, result.master)
    shade_transitions(reduction, timeline)
    head(
        reduction,
        "Gain reduction, dB",
        "how far the limiter turns the mix down: grey is the most, black the mean",
    )
    peaks = _panel(figure, result, _PEAKS)
    draw_peaks(peaks, sound, ceiling_dbtp=ceiling_dbtp, wide_px=_WIDE)
    shade_transitions(peaks, timeline)
    head(peaks, "True peaks, dBTP", f"marked: the highest; dotted line: the ceiling, {ceiling_dbtp:g} dBTP")
    loudness = _panel(figure, result, _LOUDNESS)
    draw_loudness(loudness, sound, result.target)
    shade_transitions(loudness, timeline)
    head(loudness, "Loudness, LUFS", "by ITU-R BS.1770-5; light grey behind: the overlaps")
    tracks = _panel(figure, result, (_TRACKS_TOP, _TRACKS_TOP + height_px(timeline, wide_px=_WIDE)))
    draw_tracks(tracks, timeline, wide_px=_WIDE)
    show_times(tracks, _duration_s(result))
    write_at(figure, 12, _TRACKS_TOP + 12, "transitions", fontsize=TEXT_PT, color=MID)
    write_at(figure, 12, _TRACKS_TOP + 38, "tracks", fontsize=TEXT_PT, color=MID)
    return figure


def _duration_s(result: MixResult) -> float:
    return max(result.timeline.duration_s, 1e-3)


def _panel(figure: Figure, result: MixResult, down: tuple[float, float]) -> Axes:
    axes = axes_at(figure, (_LEFT, _RIGHT), down)
    axes.set(xlim=(0.0, _duration_s(result)), xticks=[])
    return axes


def _draw_head(figure: Figure, result: MixResult, title: str) -> None:
    write_at(figure, _LEFT, 34, fitted(title, _WIDE, size_pt=15.0), fontsize=15.0)
    write_at(figure, _LEFT, 72, _figures_line(result), fontsize=HEAD_PT)
    target = [line for told in target_lines(result) for line in _in_lines(told)]
    levels = [line for told in levelling_lines(result) for line in _in_lines(told)]
    if len(target) + len(levels) > _MOST_LINES:
        levels = [*levels[:1], "What would even it out stands in report.json."]
    for i, line in enumerate([*target, *levels][:_MOST_LINES]):
        write_at(figure, _LEFT, 97 + 20 * i, fitted(line, _WIDE), fontsize=TEXT_PT, color=MID)


def _in_lines(text: str) -> list[str]:
    """A text in lines that the page has room for, parted between words."""
    lines = [""]
    for word in shown(text, most=_MOST_LETTERS).split():
        longer = f"{lines[-1]} {word}".lstrip()
        if lines[-1] and width_px(longer) > _WIDE:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _figures_line(result: MixResult) -> str:
    """The figures of the whole mix in one line."""
    loudness = result.loudness
    if loudness is None or loudness.integrated_lufs is None:
        return f"{format_time(_duration_s(result))}   loudness not measurable"
    parts = [
        format_time(loudness.duration_s),
        f"integrated {number(loudness.integrated_lufs)} LUFS",
        f"range {number(loudness.loudness_range_lu)} LU",
        f"loudest 3 s {number(loudness.max_short_term_lufs)} LUFS",
        f"loudest 0.4 s {number(loudness.max_momentary_lufs)} LUFS",
        _peak_words(result),
        f"peak to loudness {number(loudness.plr_lu)} LU",
        f"limiter at most {number(-result.master.max_gain_reduction_db)} dB",
    ]
    return "     ".join(parts)


def _peak_words(result: MixResult) -> str:
    assert result.loudness is not None
    peak_dbtp, time_s = result.loudness.true_peak_dbtp, result.loudness.true_peak_s
    if time_s is None:
        return "no true peak"
    side = true_peak_channel(result.loudness)
    return f"true peak {number(peak_dbtp)} dBTP at {format_time(time_s)}, {side}"
