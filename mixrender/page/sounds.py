"""Files of sound to what a page plays: their addresses beside it, and why one cannot be played."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote

from mixrender.page.model import Sound
from mixrender.page.words import plain

UNPLAYED = (".aiff", ".aif")
"""Kinds of files that most browsers do not play (MDN, Media container formats: AIFF is not among them)."""


def is_played(path: Path) -> bool:
    """Whether browsers play files of that kind."""
    return path.suffix.lower() not in UNPLAYED


def relative_url(name: str) -> str:
    """The address of a file that lies beside the page: every sign that means something in one is encoded.

    RFC 3986, section 2.1: UTF-8, per cent and two digits. No colon is left: no name reads as a scheme.
    """
    return quote(name, safe="")


def sound_of(path: Path, duration_s: float, copies: Mapping[Path, Path]) -> Sound:
    """What the page plays in the place of a file: itself, or its copy."""
    played = copies.get(path, path)
    if not is_played(played):
        trouble = (
            f"Browsers do not play {path.suffix[1:].upper()} files: open {plain(path.name)} in a player."
        )
        return Sound("", plain(path.name), duration_s, trouble)
    return Sound(relative_url(played.name), plain(played.name), duration_s)
