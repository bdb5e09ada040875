"""The text of a loudness target goes in; its name and the texts of its figures come out, not yet read."""

from __future__ import annotations

import re

from mixrender.plan import quantities as q

FIGURES = {"integrated": q.INTEGRATED, "true_peak": q.TRUE_PEAK}
"""The figures that may be written, by the plan's words for them."""

EXAMPLE = "`-14 LUFS, -1 dBTP`"

_UNITS = {"lufs": "integrated", "dbtp": "true_peak"}


def target_words(text: str) -> dict[str, str]:
    """What a text says of a target, by the plan's words: `name`, `integrated`, `true_peak`.

    It is the name of a target, figures, or both: `EBU R 128`, `-14 LUFS, -1 dBTP`, `EBU R 128, -2 dBTP`. A
    figure is known by its word before a colon or by its unit, else by its place. Raises ValueError with a
    sentence for the user where it is neither.
    """
    if not text.strip():
        raise ValueError(f"nothing is written; write figures, {EXAMPLE}, or the name of a published target")
    if re.search(r"[0-9],[0-9]", text):
        pointed = re.sub(r"(?<=[0-9]),(?=[0-9])", ".", text).strip()
        raise ValueError(f"found {q.shorten(text)}; write numbers with a point, as in `{pointed}`")
    parts = [part.strip() for part in text.split(",")]
    found: dict[str, str] = {}
    if not re.match(r"[-+−.0-9]|(?:integrated|true_peak)\s*:", parts[0], re.IGNORECASE):
        found["name"] = re.sub(r"^name\s*:\s*", "", parts.pop(0))
    for part in parts:
        word, figure = _split(part, usual="true_peak" if found else "integrated")
        if word in found:
            raise ValueError(f"found {q.shorten(text)}; write one figure in {FIGURES[word].unit}")
        found[word] = figure
    return found


def _split(part: str, *, usual: str) -> tuple[str, str]:
    """Which figure a text is, by its word or its unit, else the `usual` one; and its number with its unit."""
    word, colon, figure = part.rpartition(":")
    word, figure = word.strip().lower(), figure.strip()
    if colon and word not in FIGURES:
        raise ValueError(f"found {q.shorten(part)}; write `integrated` or `true_peak` before a colon")
    return word or _UNITS.get(figure.lower()[-4:], usual), figure
