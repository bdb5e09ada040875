"""How pictures look: greys and one dark blue, one font, no formulas in texts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from mixrender.facts import Grid
from mixrender.report.picture_text import FONT
from mixrender.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text

INK = "#000000"
GRID = "#0b3c8c"
"""The grid and what follows from it: dark enough to read without colour."""

MID = "#6e6e6e"
LIGHT = "#c4c4c4"

TEXT_PT = 8.0
HEAD_PT = 9.0

STYLE: dict[str, Any] = {
    "font.family": [FONT],
    "font.size": TEXT_PT,
    "text.parse_math": False,
    "text.usetex": False,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "xtick.labelsize": TEXT_PT,
    "ytick.labelsize": TEXT_PT,
    "hatch.linewidth": 0.6,
    "svg.hashsalt": "mixrender",
}
"""Settings of matplotlib that hold while a picture is drawn: names of files are no formulas."""


def put(axes: Axes, x: float, y: float, words: str, **style: Any) -> Text:
    """Set words into axes, in their own units unless `transform` says otherwise; never cut off."""
    return axes.text(x, y, words, **{"fontsize": TEXT_PT, "clip_on": False} | style)


def head(axes: Axes, title: str, aid: str = "") -> None:
    """The title of a panel, and below it in small how to read it."""
    axes.set_title(title, loc="left", fontsize=HEAD_PT, fontweight="bold", pad=16.0 if aid else 5.0)
    if aid:
        axes.annotate(
            aid, (0.0, 1.0), (0.0, 4.0), xycoords="axes fraction", textcoords="offset points",
            fontsize=TEXT_PT - 1.0, color=MID, va="bottom", annotation_clip=False,
        )  # fmt: skip


def edge_lines(grid: Grid, bars: int) -> FloatArray:
    """Times in seconds of the bar lines around the first `bars` bars, shape (bars + 1,)."""
    return np.array([grid.time_at(grid.bar_to_beat(bar)) for bar in range(1, bars + 2)])
