"""A file and the facts of its track in, one page on which people see whether they are right out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

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

WIDTH_PX, HEIGHT_PX, DPI = 1800, 1520, 120

# Where panels stand, in pixels from the left and from the top.
_LEFT, _RIGHT = 94, 1722
_HEAD, _LINE = 102, 22
_MARKS = (252, 314)
_WAVE = (340, 578)
_STRIPS_FLOOR, _STRIP, _STRIPS_GAP = 592, 17, 26
_STACKS = (658, 1198)
_CLOSE = (1302, 1462)


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


def _axes(figure: Figure, across: tuple[float, float], down: tuple[float, float]) -> Axes:
    """Axes between two pixels from the left and two from the top."""
    (left, right), (top, bottom) = across, down
    box = (left / WIDTH_PX, 1.0 - bottom / HEIGHT_PX, (right - left) / WIDTH_PX, (bottom - top) / HEIGHT_PX)
    axes = figure.add_axes(box)
    axes.tick_params(labelsize=TEXT_PT)
    return axes


def _write(figure: Figure, left: float, top: float, words: str, **style: Any) -> None:
    figure.text(left / WIDTH_PX, 1.0 - top / HEIGHT_PX, words, **{"va": "center", "color": INK} | style)


def _draw_head(figure: Figure, file: Path, facts: TrackFacts) -> None:
    _write(figure, _LEFT, 32, title_of(file, facts), fontsize=15.0)
    _write(figure, _LEFT, 68, subtitle_of(file, facts), fontsize=TEXT_PT, color=MID)
    for i, (name, words) in enumerate(found_lines(facts)):
        _write(figure, _LEFT, _HEAD + _LINE * i, name, fontsize=9.5, color=MID)
        _write(figure, _LEFT + 76, _HEAD + _LINE * i, words, fontsize=9.5)
    for i, line in enumerate(doubt_lines(facts) or ["no doubts"]):
        _write(figure, 756, _HEAD + _LINE * i, line, fontsize=9.0)


def _draw_whole(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    rows, across = len(picture_track.presences(facts)), (_LEFT, _RIGHT)
    strips = _STRIPS_FLOOR - _STRIP * rows
    picture_track.draw_marks(_axes(figure, across, _MARKS), facts)
    wave = _axes(figure, across, (_WAVE[0], strips - _STRIPS_GAP) if rows else _WAVE)
    picture_track.draw_wave(wave, evidence.wave, facts)
    if rows:
        picture_track.draw_presences(_axes(figure, across, (strips, _STRIPS_FLOOR)), facts)


def _draw_bars(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    layout = evidence.layout
    few = "" if layout.one_in == 1 else f" (4 bars of every {4 * layout.one_in})"
    low = _axes(figure, (_LEFT, 620), _STACKS)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(
        low,
        f"Low onsets, every bar a row{few}",
        "kicks stand in straight columns if tempo and beats are right",
    )
    total = _axes(figure, (675, 1116), _STACKS)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "slanted: the tempo is wrong; between the lines: off the beat")
    near = _axes(figure, (1152, 1368), _STACKS)
    picture_bars.draw_near(near, evidence)
    head(near, "Onsets near the beats", "dark along the line if right")
    _draw_mean_and_tempo(figure, evidence, facts)


def _draw_mean_and_tempo(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    across, (top, bottom) = (1422, _RIGHT), _STACKS
    drifting = facts.grid.kind == "drifting"
    mean = _axes(figure, across, (top, top + 245 if drifting else bottom))
    picture_bars.draw_mean_bar(mean, evidence, beats_per_bar=facts.grid.beats_per_bar)
    head(mean, "The mean bar", "grey: low onsets; hatched: snares, claps")
    if drifting:
        tempo = _axes(figure, across, (bottom - 215, bottom))
        picture_bars.draw_tempo(tempo, facts, evidence.layout)
        head(tempo, "Tempo, BPM")


def _draw_without_grid(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    layout = evidence.layout
    low = _axes(figure, (_LEFT, 620), _STACKS)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(low, "Low onsets, 8 s a row", "no grid was found: columns are seconds, not beats")
    total = _axes(figure, (675, 1180), _STACKS)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "a beat would show as marks at even distances")
    repeats = _axes(figure, (1260, _RIGHT), _STACKS)
    picture_bars.draw_repeats(repeats, evidence)
    head(repeats, "How strongly onsets repeat, by tempo", "a steady beat would stand out as a peak near 1")


def _draw_close(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    titles = ("First bars with drums", "Last bars with drums")
    if facts.grid.kind == "none":
        titles = ("First seconds", "Last seconds")
    elif facts.drums_from_bar is None:
        titles = ("First bars", "Last bars")
    places = ((_LEFT, 892), (933, _RIGHT))
    for close, title, across in zip(evidence.close, titles, places, strict=False):
        picture_bars.draw_close(_axes(figure, across, _CLOSE), close, facts, title=title)
    words = "wave, and below it the onsets; blue lines: bars and beats as found; seconds below"
    _write(figure, _RIGHT, 1506, words, fontsize=TEXT_PT - 1.0, color=GRID, ha="right")
