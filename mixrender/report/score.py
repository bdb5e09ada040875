"""A transition of a rendered mix in, its picture as a score on one axis of bars out: SVG text, and PNG."""

from __future__ import annotations

from mixrender.mixdown.result import MixResult
from mixrender.plan.model import Plan
from mixrender.report.score_bars import draw_double_bars, draw_positions
from mixrender.report.score_events import over_brackets
from mixrender.report.score_frame import Frame, frame_of
from mixrender.report.score_labels import draw_rows
from mixrender.report.score_levels import draw_loudness, draw_low, draw_tempo
from mixrender.report.score_sheet import STYLE, Sheet, letter_size, plain_style
from mixrender.report.score_staves import draw_stave
from mixrender.report.score_text import fitted, lines_of
from mixrender.report.score_words import about_words, head_words, title_words

_POSITIONS = 20.0
_MARGIN = 8.0


def score_svg(plan: Plan, result: MixResult, index: int, *, ids: str, compact: bool = False) -> str:
    """The picture of transition `index` (from 1) to stand in a page, as the text of an `svg` element.

    `ids`, letters, digits and hyphens, begins every id in it. Its attributes `data-x0` and `data-x1` are
    where the clip begins and ends in the units of its viewBox, `data-start-s` and `data-duration-s` what
    part of the mix that is. A page gives it other colours by `--ink` and `--paper`. `compact` is for
    phones, which are 360 and more wide. Raises ValueError where there is no such transition.
    """
    return _drawn(plan, frame_of(result, index, compact=compact), ids=ids, style=STYLE, alone=False)


def score_file_svg(plan: Plan, result: MixResult, index: int, *, compact: bool = False) -> str:
    """The same picture as a file of its own, black on white, with a line at its head that says what it is."""
    frame = frame_of(result, index, compact=compact)
    return _drawn(plan, frame, ids="score", style=plain_style(), alone=True)


def _drawn(plan: Plan, frame: Frame, *, ids: str, style: str, alone: bool) -> str:
    sheet = Sheet(ids)
    y = _MARGIN
    if alone:
        y = _draw_head(sheet, frame, plan, y)
    y = draw_tempo(sheet, frame, y)
    staves = []
    for i, stave in enumerate(frame.staves):
        if i == 1:
            draw_positions(sheet, frame, y + _POSITIONS / 2)
            y += _POSITIONS
        y, lines = draw_stave(sheet, frame, stave, y)
        staves.append(lines)
        y += 8.0
    bars = Sheet(ids)
    draw_double_bars(bars, frame, staves[0].top, staves[-1].bottom)
    sheet.parts[:0] = bars.parts  # behind everything: words lie over them
    y = draw_rows(sheet, over_brackets(frame), y, right=frame.sizes.width)
    top = y + 4.0
    y = draw_loudness(sheet, frame, top)
    y = draw_low(sheet, frame, y, edge_hz=plan.bands_hz[0])
    if frame.trace is not None:
        edges = (frame.transition.start_s, frame.transition.end_s)
        sheet.verticals((frame.x_at(s) for s in edges if frame.shows(s)), top, y - 13.0, "dots")
    height = y - 2.0
    if alone:
        sheet.parts.insert(0, _paper(frame.sizes.width, height))
    return sheet.svg(
        width=frame.sizes.width,
        height=height,
        title=title_words(frame),
        about=about_words(frame),
        style=style,
        x0=frame.x0,
        x1=frame.x1,
        start_s=frame.start_s,
        duration_s=frame.duration_s,
    )


def _paper(width: float, height: float) -> str:
    return f'<!-- mixrender --><rect width="{width:g}" height="{height:.2f}" fill="#ffffff"/>'


def _draw_head(sheet: Sheet, frame: Frame, plan: Plan, top: float) -> float:
    room = frame.sizes.width - 16.0
    first, parts = head_words(frame, plan)
    sheet.text(8.0, top + 12.0, fitted(first, size=letter_size("head"), room=room), "head")
    y = top + 29.0
    for line in lines_of(parts, size=10.0, room=room):
        sheet.text(8.0, y, line, "sub")
        y += 14.0
    return y - 2.0
