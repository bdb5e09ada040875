"""Pixels from the left and the top of a page in, axes and words at that place of a figure out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from mixrender.audio.atomic import atomic_path, writing
from mixrender.errors import MachineError
from mixrender.report.picture_style import INK, STYLE, TEXT_PT
from mixrender.report.picture_text import FONT, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PictureFormat = Literal["png", "svg"]
PICTURE_FORMATS: tuple[PictureFormat, ...] = ("png", "svg")

DPI = 120

_MAKER = "mixrender"
_MAKER_WITHIN_BYTES = 4096

_SIZE_IN_PT = re.compile(r'width="[0-9.]+pt" height="[0-9.]+pt"')

_MOST_LETTERS = 400
_THIN = 0.4  # width in pixels of the thinnest letters, for each point of their size


def new_page(width_px: int, height_px: int) -> Figure:
    """A white figure of that size on a canvas of its own."""
    # matplotlib takes half a second to load, and only pictures need it.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_px / DPI, height_px / DPI), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def axes_at(figure: Figure, across: tuple[float, float], down: tuple[float, float]) -> Axes:
    """Axes between two pixels from the left and two from the top."""
    (left, right), (top, bottom) = across, down
    width, height = figure.get_size_inches() * DPI
    axes = figure.add_axes(
        (left / width, 1.0 - bottom / height, (right - left) / width, (bottom - top) / height)
    )
    axes.tick_params(labelsize=TEXT_PT)
    return axes


def write_at(figure: Figure, left: float, top: float, words: str, **style: Any) -> None:
    """Words whose left end, half-way up, lies at a pixel of the page."""
    width, height = figure.get_size_inches() * DPI
    figure.text(left / width, 1.0 - top / height, words, **{"va": "center", "color": INK} | style)


def save_pages(draw: Callable[[], Figure], outs: dict[PictureFormat, Path]) -> None:
    """Draw a figure once and save it in each format, each file all or nothing, the same for the same figure.

    Raises MachineError if a file cannot be written.
    """
    from matplotlib import style  # as all of matplotlib, for pictures alone

    # The user's own settings of matplotlib, which may make formulas of texts, do not count here. They are
    # back when the picture is drawn.
    with style.context(["default", STYLE]):
        figure = draw()
        for format, out in outs.items():
            with atomic_path(out) as part, writing(out):
                # A date would make the same picture another file.
                metadata = {"Date": None, "Creator": _MAKER} if format == "svg" else {"Software": _MAKER}
                figure.savefig(part, format=format, dpi=DPI, metadata=metadata)
                if format == "svg":
                    _size_in_px(part, figure)


def _size_in_px(svg: Path, figure: Figure) -> None:
    """Write the size of a page in pixels: matplotlib has it in pt, which some programs refuse."""
    width, height = figure.get_size_inches() * DPI
    text = svg.read_text(encoding="utf-8")
    sized = _SIZE_IN_PT.sub(f'width="{width:g}" height="{height:g}"', text, count=1)
    svg.write_text(sized, encoding="utf-8", newline="\n")


def remove_pictures(files: Iterable[Path]) -> None:
    """Remove those that `save_pages` made; other files, and what is not there, are left alone.

    Raises MachineError if one cannot be removed.
    """
    for file in files:
        if _is_ours(file):
            try:
                file.unlink(missing_ok=True)
            except OSError as error:
                raise MachineError(
                    f"{file}: this picture of an earlier render cannot be removed ({error.strerror})"
                ) from None


def _is_ours(file: Path) -> bool:
    try:
        with file.open("rb") as opened:
            return _MAKER.encode() in opened.read(_MAKER_WITHIN_BYTES)
    except OSError:
        return False


def width_px(words: str, *, size_pt: float = TEXT_PT) -> float:
    """How wide words are on a page."""
    from matplotlib.font_manager import FontProperties  # as all of matplotlib, for pictures alone

    width, _, _ = _renderer().get_text_width_height_descent(
        words, FontProperties(family=[FONT], size=size_pt), False
    )
    return float(width)


@lru_cache(maxsize=1)
def _renderer() -> Any:
    from matplotlib.backends.backend_agg import RendererAgg

    return RendererAgg(1, 1, DPI)  # type: ignore[no-untyped-call]


def fitted(text: str, room_px: float, *, size_pt: float = TEXT_PT) -> str:
    """A text, shortened in its middle where it is wider than the room; empty where not even 4 letters fit."""
    whole = shown(text, most=_MOST_LETTERS)
    if width_px(whole, size_pt=size_pt) <= room_px:
        return whole
    widest = min(len(whole), int(room_px / (_THIN * size_pt)) + 1)
    for most in range(widest, 3, -1):
        words = shown(whole, most=most)
        if width_px(words, size_pt=size_pt) <= room_px:
            return words
    return ""
