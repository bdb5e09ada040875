"""Lines, shapes and words with places on a sheet in, the text of one SVG picture out."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from mixrender.report.score_text import width_of
from mixrender.units import FloatArray

Anchor = Literal["start", "middle", "end"]

SIZES = {"name": 13.0, "head": 13.0, "sub": 10.0, "num": 9.5, "phrase": 10.5, "label": 10.0, "scale": 9.0}
"""Size of the words of each class; on a sheet drawn at its own width these are pixels."""

BOLD = ("name", "head", "phrase")
_BOLD_WIDER = 1.15
"""How much wider DejaVu Sans is in bold, at most, in names and figures."""

PAPER, INK = "#ffffff", "#111111"

STYLE = f"""
.score{{background:var(--paper,{PAPER});color:var(--ink,{INK});
  font-family:var(--score-font,"DejaVu Sans",Verdana,sans-serif)}}
.score text{{fill:var(--ink,{INK})}}
.score .name,.score .head{{font-size:13px;font-weight:600}}
.score .sub,.score .label{{font-size:10px}}
.score .num{{font-size:9.5px}}
.score .phrase{{font-size:10.5px;font-weight:600}}
.score .scale{{font-size:9px}}
.score text{{paint-order:stroke;stroke:var(--paper,{PAPER});stroke-width:3px;
  stroke-linejoin:round}}
.score .source{{fill:var(--ink,{INK});fill-opacity:.13}}
.score .heard{{fill:var(--ink,{INK});fill-opacity:.34}}
.score .rule,.score .bar,.score .beat,.score .heavy,.score .double,.score .thin,.score .line,
.score .halo,.score .bracket,.score .hatch,.score .shade,.score .rings,.score .dots{{
  fill:none;stroke:var(--ink,{INK})}}
.score .rule{{stroke-width:.6;stroke-opacity:.38}}
.score .dots{{stroke-width:.6;stroke-opacity:.45;stroke-dasharray:1 4}}
.score .beat{{stroke-width:.6;stroke-opacity:.45}}
.score .bar{{stroke-width:.7;stroke-opacity:.6}}
.score .heavy{{stroke-width:1.5}}
.score .double{{stroke-width:1.1}}
.score .thin{{stroke-width:.8}}
.score .bracket{{stroke-width:1}}
.score .hatch{{stroke-width:.9}}
.score .shade{{stroke-width:.6;stroke-opacity:.5}}
.score .rings{{stroke-width:.9;stroke-dasharray:1 2.5}}
.score .line{{stroke-width:1.2;stroke-linejoin:round}}
.score .halo{{stroke:var(--paper,{PAPER});stroke-width:3.4;stroke-opacity:.75;stroke-linejoin:round}}
.score .level{{stroke-width:2}}
.score .low{{stroke-dasharray:8 3}}
.score .mid{{stroke-dasharray:2 2}}
.score .high{{stroke-dasharray:8 2.5 1.5 2.5}}
.score .highpass{{stroke-width:1.4;stroke-dasharray:14 2 1.5 2 1.5 2}}
.score .lowpass{{stroke-width:1.4;stroke-dasharray:20 3}}
.score .momentary{{stroke-width:.8;stroke-opacity:.75}}
.score .short-term{{stroke-width:2.2}}
.score .low-from{{stroke-width:1.6}}
.score .low-to{{stroke-width:1.6;stroke-dasharray:5 2.5}}
.score .low-layer-0{{stroke-width:1.2;stroke-dasharray:9 2 1.5 2}}
.score .low-layer-1{{stroke-width:1.2;stroke-dasharray:6 2 1.5 2 1.5 2}}
.score .low-layer-2{{stroke-width:1.2;stroke-dasharray:1.5 2}}
.score .tempo{{stroke-width:1.1}}
"""
"""How it looks: in ink on paper, which a page may set as `--ink` and `--paper`, each line in its dashes."""

_SIGNS = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})

_VARIABLE = re.compile(r"var\(--[a-z-]+,((?:[^()]|\"[^\"]*\")*)\)")


def plain_style() -> str:
    """The same style with its colours and its font written out, for programs that know no variables."""
    return _VARIABLE.sub(r"\1", STYLE)


@dataclass(frozen=True)
class Box:
    """A rectangle of a sheet that something fills; y counts downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box, *, room: float = 0.0) -> bool:
        """Whether two boxes overlap, or come nearer to each other than `room`."""
        apart = self.left >= other.right + room or other.left >= self.right + room
        return not (apart or self.top >= other.bottom or other.top >= self.bottom)

    def moved(self, x: float, y: float) -> Box:
        """The box, so much further right and down."""
        return Box(self.left + x, self.top + y, self.right + x, self.bottom + y)


def letter_size(kind: str) -> float:
    """The size by which the widths of letters of a class are reckoned: bold ones are wider."""
    return SIZES[kind] * (_BOLD_WIDER if kind in BOLD else 1.0)


def text_box(x: float, y: float, words: str, kind: str, anchor: Anchor = "start") -> Box:
    """The box of words whose baseline begins, has its middle or ends at (x, y)."""
    size = SIZES[kind]
    width = width_of(words, size=letter_size(kind))
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
    return Box(left, y - 0.8 * size, left + width, y + 0.24 * size)


@dataclass
class Sheet:
    """The parts of one picture, in the order in which they are drawn; `ids` begins every id in it."""

    ids: str
    parts: list[str] = field(default_factory=list)
    boxes: list[Box] = field(default_factory=list)

    def add(self, name: str, words: str | None = None, /, **attributes: str | float) -> None:
        """An element with attributes, `_` for `-` and `class_` for `class`, and words in it."""
        self.parts.append(element(name, words, **attributes))

    def text(self, x: float, y: float, words: str, kind: str, anchor: Anchor = "start") -> None:
        """Words with their baseline at y; their box is kept, so that labels keep away from them."""
        self.boxes.append(text_box(x, y, words, kind, anchor))
        more = {} if anchor == "start" else {"text_anchor": anchor}
        self.add("text", words, class_=kind, x=x, y=y, **more)

    def line(self, x: float, y: float, x_end: float, y_end: float, kind: str, **data: str | float) -> None:
        """A straight line."""
        self.add("line", class_=kind, x1=x, y1=y, x2=x_end, y2=y_end, **data)

    def verticals(self, xs: Iterable[float], top: float, bottom: float, kind: str, **data: str) -> None:
        """Lines from `top` to `bottom`, as one element."""
        path = "".join(f"M{number(x)} {number(top)}V{number(bottom)}" for x in xs)
        if path:
            self.add("path", class_=kind, d=path, **data)

    def polyline(
        self, xs: FloatArray, ys: FloatArray, kind: str, *, within: float = 0.05, **data: str
    ) -> None:
        """A line that passes points, given by two arrays of one length, within a distance along y."""
        kept = straightened(xs, ys, within=within)
        points = " ".join(f"{number(x)},{number(y)}" for x, y in zip(xs[kept], ys[kept], strict=True))
        self.add("polyline", class_=kind, points=points, **data)

    def svg(self, *, width: float, height: float, title: str, about: str, style: str, **data: float) -> str:
        """The whole picture, `title` and `about` being what a screen reader says of it."""
        shape = (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="score" '
            f'viewBox="0 0 {number(width)} {number(height)}" role="img" '
            f'aria-labelledby="{self.ids}-title {self.ids}-about"'
        )
        shape += "".join(f' data-{name.replace("_", "-")}="{value:.6g}"' for name, value in data.items())
        head = (
            element("title", title, id=f"{self.ids}-title"),
            element("desc", about, id=f"{self.ids}-about"),
            f"<style>{style}</style>",
            f'<defs><pattern id="{self.ids}-hatch" width="5" height="5" patternUnits="userSpaceOnUse">'
            '<path class="hatch" d="M-1 6L6 -1M-1 1L1 -1M4 6L6 4"/></pattern>'
            f'<pattern id="{self.ids}-shade" width="6" height="6" patternUnits="userSpaceOnUse">'
            '<path class="shade" d="M-1 -1L7 7M5 -1L7 1M-1 5L1 7"/></pattern></defs>',
        )
        return "\n".join((f"{shape}>", *head, *self.parts, "</svg>\n"))


def element(name: str, words: str | None = None, /, **attributes: str | float) -> str:
    """One element as text, everything in it escaped."""
    pairs = ""
    for key, value in attributes.items():
        text = escaped(value) if isinstance(value, str) else number(value)
        pairs += f' {key.rstrip("_").replace("_", "-")}="{text}"'
    return f"<{name}{pairs}/>" if words is None else f"<{name}{pairs}>{escaped(words)}</{name}>"


def escaped(text: str) -> str:
    """A text as it may stand in an element and in an attribute in double quotes."""
    return text.translate(_SIGNS)


def number(value: float) -> str:
    """A coordinate to a hundredth."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def straightened(xs: FloatArray, ys: FloatArray, *, within: float = 0.05) -> list[int]:
    """Indices of the points that a line needs to pass all others within a distance along y."""
    if len(xs) < 3:
        return list(range(len(xs)))
    kept, low, high = [0], -np.inf, np.inf
    for i in range(1, len(xs)):
        run, rise = xs[i] - xs[kept[-1]], ys[i] - ys[kept[-1]]
        if run <= 0 or not low <= rise / run <= high:
            if kept[-1] != i - 1:
                kept.append(i - 1)
            low, high = -np.inf, np.inf
            run, rise = xs[i] - xs[i - 1], ys[i] - ys[i - 1]
        if run <= 0:
            kept.append(i)
        else:
            low, high = max(low, (rise - within) / run), min(high, (rise + within) / run)
    return kept if kept[-1] == len(xs) - 1 else [*kept, len(xs) - 1]
