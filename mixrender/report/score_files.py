"""Preview clips in, their pictures as PNG and SVG beside them out: each all or nothing, and none or all."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path

from mixrender.audio.atomic import atomic_path, write_text_atomic, writing
from mixrender.mixdown.result import MixResult
from mixrender.plan.model import Plan
from mixrender.progress import Progress
from mixrender.report.picture_page import PICTURE_FORMATS, remove_pictures
from mixrender.report.picture_text import FONT
from mixrender.report.score import score_file_svg
from mixrender.report.score_frame import WIDE

PNG_WIDTH_PX = round(2 * WIDE.width)
"""Twice the sheet's own width: sharp in print over the width of a page."""

_MAKER = b"Software\0mixrender"
_AFTER_HEADER = 33
"""Length of a PNG's signature and first chunk (W3C PNG, 5.2 and 11.2.1); a text chunk may follow."""


def write_score_pictures(plan: Plan, result: MixResult, *, progress: Progress) -> list[Path]:
    """Draw every clip of a preview to files that are named as it is; their paths, PNG and SVG by turns.

    All are drawn before the first is written. Raises MachineError if one cannot be written.
    """
    drawn: list[tuple[Path, bytes, str]] = []
    clips = [(i, m.clip) for i, m in enumerate(result.transitions, start=1) if m and m.clip]
    with progress.task("Drawing", total=float(len(clips))) as advance:
        for index, clip in clips:
            svg = score_file_svg(plan, result, index)
            drawn.append((clip.path, png_of(svg), svg))
            advance(1.0)
    files = []
    for path, png, svg in drawn:
        image, text = path.with_suffix(".png"), path.with_suffix(".svg")
        with atomic_path(image) as part, writing(image):
            part.write_bytes(png)
        write_text_atomic(text, svg)
        files += [image, text]
    return files


def remove_score_pictures(clips: Iterable[Path]) -> None:
    """Remove the pictures of clips that are about to be other ones; files that we did not draw stay.

    Raises MachineError if one cannot be removed.
    """
    remove_pictures(clip.with_suffix(f".{format}") for clip in clips for format in PICTURE_FORMATS)


def png_of(svg: str, *, width_px: int = PNG_WIDTH_PX) -> bytes:
    """A picture that stands alone as PNG, in the font that matplotlib brings along: the same everywhere."""
    import resvg_py  # only pictures in files need it

    png = bytes(
        resvg_py.svg_to_bytes(
            svg_string=svg,
            width=width_px,
            skip_system_fonts=True,
            font_files=[str(file) for file in _font_files()],
            font_family=FONT,
            sans_serif_family=FONT,
        )
    )
    chunk = b"tEXt" + _MAKER
    made = len(_MAKER).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    return png[:_AFTER_HEADER] + made + png[_AFTER_HEADER:]


def _font_files() -> list[Path]:
    # Found without loading matplotlib, which takes half a second.
    spec = find_spec("matplotlib")
    assert spec is not None and spec.submodule_search_locations
    folder = Path(spec.submodule_search_locations[0], "mpl-data", "fonts", "ttf")
    return [folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"]
