"""The path of an audio file in, what its tags say (FileTags) out: ID3, Vorbis comments, MP4 atoms, ASF."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import mutagen

from mixrender.facts import FileTags
from mixrender.keys import parse_key

# Names of one field in ID3v2 (v2.2 names are raised by mutagen), Vorbis comments and APE, MP4, ASF; the
# first that holds something counts.
_NAMES = {
    "title": ("TIT2", "title", "©nam"),
    "artist": ("TPE1", "artist", "©ART", "author"),
    "album": ("TALB", "album", "©alb", "WM/AlbumTitle"),
    "genre": ("TCON", "genre", "©gen", "WM/Genre"),
    "date": ("TDRC", "TDRL", "TYER", "date", "year", "©day", "WM/Year"),
}
_TEMPO_NAMES = (
    "TBPM",
    "TXXX:BPM",
    "bpm",
    "tempo",
    "tmpo",
    "----:com.apple.iTunes:BPM",
    "WM/BeatsPerMinute",
)
_KEY_NAMES = (
    "TKEY",
    "TXXX:INITIALKEY",
    "initialkey",
    "key",
    "----:com.apple.iTunes:initialkey",
    "----:com.apple.iTunes:KEY",
    "WM/InitialKey",
)
_SHORT_KEY = re.compile(r"\s*([A-Ga-g])\s*(#|♯|b|♭|sharp|flat)?\s*(.*?)\s*")
_MODES = {"": "major", "maj": "major", "major": "major", "min": "minor", "minor": "minor"}
_MAX_TEMPO_BPM = 1000.0


def read_tags(path: Path) -> FileTags:
    """What a file's tags say; empty FileTags for whatever cannot be read.

    `tempo_bpm` and `key` are what somebody wrote there, not what was measured: a tempo is a positive number
    below 1000, a key is named as `keys.parse_key` names it.
    """
    try:
        found = mutagen.File(path)
        if found is None or found.tags is None:
            return FileTags()
        tags = _by_name(found.tags)
        texts = {field: _first(tags, names) for field, names in _NAMES.items()}
        return FileTags(
            **texts, tempo_bpm=_tempo_bpm(_texts(tags, _TEMPO_NAMES)), key=_key(_texts(tags, _KEY_NAMES))
        )
    except Exception:  # tags are a convenience: no odd file may stop a mix for them
        return FileTags()


def _by_name(tags: Any) -> dict[str, Any]:
    return {str(name).lower(): value for name, value in tags.items()}


def _texts(tags: dict[str, Any], names: Iterable[str]) -> list[str]:
    """Everything that stands under these names, as texts that are not empty."""
    found: list[str] = []
    for name in names:
        value = tags.get(name.lower())
        # ID3 may give a genre as a number in parentheses; mutagen knows the words.
        values = getattr(value, "genres", None) or getattr(value, "text", value)
        for one in values if isinstance(values, list | tuple) else [values]:
            text = one.decode("utf-8", "replace") if isinstance(one, bytes) else str(one or "")
            # A text that some writer ended with a zero, or that holds several, is its first part.
            text = " ".join(text.split("\0")[0].split())
            if text:
                found.append(text)
    return found


def _first(tags: dict[str, Any], names: Iterable[str]) -> str | None:
    return next(iter(_texts(tags, names)), None)


def _tempo_bpm(texts: list[str]) -> float | None:
    for text in texts:
        try:
            tempo_bpm = float(text.replace(",", "."))
        except ValueError:
            continue
        if math.isfinite(tempo_bpm) and 0.0 < tempo_bpm < _MAX_TEMPO_BPM:
            return tempo_bpm
    return None


def _key(texts: list[str]) -> str | None:
    return next((key for text in texts if (key := key_in_words(text))), None)


def key_in_words(text: str) -> str | None:
    """The key that a tag means, short forms included (`Am`, `F#m`, `Bbmin`, `C`), as `A minor`; else None."""
    match = _SHORT_KEY.fullmatch(text)
    if match is None:
        return None
    letter, accidental, rest = match.groups()
    # A single m tells minor from major by its size alone.
    mode = {"m": "minor", "M": "major"}.get(rest) or _MODES.get(rest.lower())
    if mode is None or (
        not rest and letter.islower()
    ):  # a small letter alone is minor to some, to others not
        return None
    sign = {"sharp": "#", "flat": "b"}.get(accidental, accidental or "")
    return str(parse_key(f"{letter}{sign} {mode}"))
