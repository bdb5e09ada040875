"""A file and the facts of its track in, one page on which people see whether they are right out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from mixrender.analysis.evidence import Evidence, gather
from mixrender.audio.atomic import atomic_path, writing
from mixrender.facts import TrackFacts
from mixrender.progress import Advance
from mixrender.report import picture_bars, picture_track
from mixrender.report.picture_style import GRID, INK, MID, STYLE, TEXT_PT, head
from mixrender.report.picture_words import doubt_lines, found_lines, subtitle_of, title_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PictureFormat = Literal["png", "svg"]

WIDTH_PX, HEIGHT_PX, DPI = 1800, 1440, 120

_LEFT, _RIGHT = 0.052, 0.962
"""Shares of the width between which panels stand."""


def write_track_picture(
    file: Path,
    facts: TrackFacts,
    out: Path,
    *,
    format: PictureFormat = "png",
    advance: Advance = lambda amount: None,
) -> None:
    """Draw the track of `file` to `out`, all or nothing; `advance` sums up to 1.

    Raises AudioError if the file cannot be read, MachineError if `out` cannot be written.
    """
    # matplotlib takes half a second to load, and only pictures need it.
    from matplotlib import style

    evidence = gather(file, facts, advance=advance)
    # The user's own settings of matplotlib, which may make formulas of texts, do not count here. They are
    # back when the picture is drawn.
    with style.context(["default", STYLE]), atomic_path(out) as part, writing(out):
        figure = track_figure(file, facts, evidence)
        # A date would make the same picture another file.
        figure.savefig(part, format=format, dpi=DPI, metadata={"Date": None} if format == "svg" else None)


def track_figure(file: Path, facts: TrackFacts, evidence: Evidence) -> Figure:
    """The page as a figure of WIDTH_PX by HEIGHT_PX on a canvas of its own; call it within STYLE."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    _draw_head(figure, file, facts)
    _draw_whole(figure, evidence, facts)
    if facts.grid.kind == "none":
        _draw_without_grid(figure, evidence, facts)
    else:
        _draw_bars(figure, evidence, facts)
    _draw_close(figure, evidence, facts)
    return figure


def _axes(figure: Figure, left: float, right: float, bottom: float, top: float) -> Axes:
    """Axes between shares of the width and of the height."""
    axes = figure.add_axes((left, bottom, right - left, top - bottom))
    axes.tick_params(labelsize=TEXT_PT)
    return axes


def _draw_head(figure: Figure, file: Path, facts: TrackFacts) -> None:
    figure.text(_LEFT, 0.978, title_of(file, facts), fontsize=15.0, va="center")
    figure.text(_LEFT, 0.953, subtitle_of(file, facts), fontsize=TEXT_PT, va="center", color=MID)
    for i, (name, words) in enumerate(found_lines(facts)):
        figure.text(_LEFT, 0.930 - 0.0155 * i, name, fontsize=9.5, va="center", color=MID)
        figure.text(_LEFT + 0.042, 0.930 - 0.0155 * i, words, fontsize=9.5, va="center", color=INK)
    for i, line in enumerate(doubt_lines(facts) or ["no doubts"]):
        figure.text(0.42, 0.930 - 0.0155 * i, line, fontsize=9.5, va="center", color=INK)


def _draw_whole(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    rows = len(picture_track.presences(facts))
    floor = 0.652
    strips = floor + 0.0125 * rows
    below = strips + (0.018 if rows else 0.0)
    picture_track.draw_marks(_axes(figure, _LEFT, _RIGHT, 0.782, 0.818), facts)
    wave = _axes(figure, _LEFT, _RIGHT, below, 0.780)
    picture_track.draw_wave(wave, evidence.wave, facts)
    if rows:
        picture_track.draw_presences(_axes(figure, _LEFT, _RIGHT, floor, strips), facts)


def _draw_bars(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    layout = evidence.layout
    bottom, top = 0.215, 0.590
    few = "" if layout.one_in == 1 else f" (4 bars of every {4 * layout.one_in})"
    low = _axes(figure, _LEFT, 0.345, bottom, top)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(
        low,
        f"Low onsets, every bar a row{few}",
        "kicks stand in straight columns if tempo and beats are right",
    )
    total = _axes(figure, 0.375, 0.620, bottom, top)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "slanted: the tempo is wrong; between the lines: off the beat")
    near = _axes(figure, 0.640, 0.760, bottom, top)
    picture_bars.draw_near(near, evidence)
    head(near, "Onsets near the beats", "dark along the line if right")
    drifting = facts.grid.kind == "drifting"
    mean = _axes(figure, 0.790, _RIGHT, 0.420 if drifting else bottom, top)
    picture_bars.draw_mean_bar(mean, evidence, beats_per_bar=facts.grid.beats_per_bar)
    head(mean, "The mean bar", "grey: low onsets; hatched: snares, claps")
    if drifting:
        tempo = _axes(figure, 0.790, _RIGHT, bottom, 0.365)
        picture_bars.draw_tempo(tempo, facts, layout)
        head(tempo, "Tempo, BPM")


def _draw_without_grid(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    bottom, top = 0.215, 0.590
    layout = evidence.layout
    low = _axes(figure, _LEFT, 0.345, bottom, top)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(low, "Low onsets, 8 s a row", "no grid was found: rows are seconds, not bars")
    total = _axes(figure, 0.375, 0.655, bottom, top)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "a beat would show as columns, slanted or straight")
    repeats = _axes(figure, 0.700, _RIGHT, bottom, top)
    picture_bars.draw_repeats(repeats, evidence)
    head(repeats, "How strongly onsets repeat, by tempo", "a beat would stand out as a peak near 1")


def _draw_close(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    titles = ("First bars with drums", "Last bars with drums")
    if facts.grid.kind == "none":
        titles = ("First seconds", "Last seconds")
    elif facts.drums_from_bar is None:
        titles = ("First bars", "Last bars")
    places = ((_LEFT, 0.495), (0.519, _RIGHT))
    for close, title, (left, right) in zip(evidence.close, titles, places, strict=False):
        picture_bars.draw_close(_axes(figure, left, right, 0.035, 0.150), close, facts, title=title)
    if evidence.close:
        words = "wave, and below it the onsets; blue: bars and beats as found; seconds below"
        figure.text(_RIGHT, 0.004, words, fontsize=TEXT_PT - 1.0, color=GRID, ha="right", va="bottom")
