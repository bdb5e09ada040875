"""A file and the facts of its track in, one page on which people see whether they are right out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mixrender.analysis.evidence import Evidence, gather
from mixrender.facts import TrackFacts
from mixrender.progress import Advance
from mixrender.report import picture_bars, picture_track
from mixrender.report.picture_page import PictureFormat, axes_at, new_page, save_pages, write_at
from mixrender.report.picture_style import GRID, MID, TEXT_PT, head
from mixrender.report.picture_words import doubt_lines, found_lines, subtitle_of, title_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_PX, HEIGHT_PX = 1800, 1520

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
    evidence = gather(file, facts, advance=advance)
    save_pages(lambda: track_figure(file, facts, evidence), {format: out})


def track_figure(file: Path, facts: TrackFacts, evidence: Evidence) -> Figure:
    """The page as a figure of WIDTH_PX by HEIGHT_PX on a canvas of its own; call it within STYLE."""
    figure = new_page(WIDTH_PX, HEIGHT_PX)
    _draw_head(figure, file, facts)
    _draw_whole(figure, evidence, facts)
    if facts.grid.kind == "none":
        _draw_without_grid(figure, evidence, facts)
    else:
        _draw_bars(figure, evidence, facts)
    _draw_close(figure, evidence, facts)
    return figure


def _draw_head(figure: Figure, file: Path, facts: TrackFacts) -> None:
    write_at(figure, _LEFT, 32, title_of(file, facts), fontsize=15.0)
    write_at(figure, _LEFT, 68, subtitle_of(file, facts), fontsize=TEXT_PT, color=MID)
    for i, (name, words) in enumerate(found_lines(facts)):
        write_at(figure, _LEFT, _HEAD + _LINE * i, name, fontsize=9.5, color=MID)
        write_at(figure, _LEFT + 76, _HEAD + _LINE * i, words, fontsize=9.5)
    for i, line in enumerate(doubt_lines(facts) or ["no doubts"]):
        write_at(figure, 756, _HEAD + _LINE * i, line, fontsize=9.0)


def _draw_whole(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    rows, across = len(picture_track.presences(facts)), (_LEFT, _RIGHT)
    strips = _STRIPS_FLOOR - _STRIP * rows
    picture_track.draw_marks(axes_at(figure, across, _MARKS), facts)
    wave = axes_at(figure, across, (_WAVE[0], strips - _STRIPS_GAP) if rows else _WAVE)
    picture_track.draw_wave(wave, evidence.wave, facts)
    if rows:
        picture_track.draw_presences(axes_at(figure, across, (strips, _STRIPS_FLOOR)), facts)


def _draw_bars(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    layout = evidence.layout
    few = "" if layout.one_in == 1 else f" (4 bars of every {4 * layout.one_in})"
    low = axes_at(figure, (_LEFT, 620), _STACKS)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(
        low,
        f"Low onsets, every bar a row{few}",
        "kicks stand in straight columns if tempo and beats are right",
    )
    total = axes_at(figure, (675, 1116), _STACKS)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "slanted: the tempo is wrong; between the lines: off the beat")
    near = axes_at(figure, (1152, 1368), _STACKS)
    picture_bars.draw_near(near, evidence)
    head(near, "Onsets near the beats", "dark along the line if right")
    _draw_mean_and_tempo(figure, evidence, facts)


def _draw_mean_and_tempo(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    across, (top, bottom) = (1422, _RIGHT), _STACKS
    drifting = facts.grid.kind == "drifting"
    mean = axes_at(figure, across, (top, top + 245 if drifting else bottom))
    picture_bars.draw_mean_bar(mean, evidence, beats_per_bar=facts.grid.beats_per_bar)
    head(mean, "The mean bar", "grey: low onsets; hatched: snares, claps")
    if drifting:
        tempo = axes_at(figure, across, (bottom - 215, bottom))
        picture_bars.draw_tempo(tempo, facts, evidence.layout)
        head(tempo, "Tempo, BPM")


def _draw_without_grid(figure: Figure, evidence: Evidence, facts: TrackFacts) -> None:
    layout = evidence.layout
    low = axes_at(figure, (_LEFT, 620), _STACKS)
    picture_bars.draw_stack(low, evidence.low, layout, facts)
    head(low, "Low onsets, 8 s a row", "no grid was found: columns are seconds, not beats")
    total = axes_at(figure, (675, 1180), _STACKS)
    picture_bars.draw_stack(total, evidence.total, layout, facts)
    total.set_yticks([])
    head(total, "All onsets", "a beat would show as marks at even distances")
    repeats = axes_at(figure, (1260, _RIGHT), _STACKS)
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
        picture_bars.draw_close(axes_at(figure, across, _CLOSE), close, facts, title=title)
    words = "wave, and below it the onsets; blue lines: bars and beats as found; seconds below"
    write_at(figure, _RIGHT, 1506, words, fontsize=TEXT_PT - 1.0, color=GRID, ha="right")
