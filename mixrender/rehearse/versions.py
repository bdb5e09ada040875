"""The last two different versions of each transition's clip, under names that tell their sound."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KEPT = 2

Pair = tuple[str, str, int]
"""Names of the outgoing and the incoming track, and how many transitions before had the same."""


@dataclass(frozen=True)
class Version:
    """One clip: the name it is served by, its file, its loudness (None: silence), and what lies where in it.

    `place` is the transition's entry in the page's data, with times in seconds of this clip.
    """

    name: str
    path: Path
    loudness_lufs: float | None
    place: Mapping[str, Any]

    def document(self) -> dict[str, Any]:
        """The version as the page gets it."""
        return {"clip": self.name, "loudness_lufs": self.loudness_lufs, "place": dict(self.place)}


class Versions:
    """Clips in a folder of our own, at most two per pair of tracks; safe to ask from several threads."""

    def __init__(self, folder: Path):
        self._folder = folder
        self._lock = threading.Lock()
        self._by_pair: dict[Pair, tuple[Version, ...]] = {}

    def take(self, file: Path) -> Path:
        """Move a rendered clip to where it is kept: under a name that is a digest of its bytes."""
        kept = self._folder / f"{digest_of(file)}{file.suffix}"
        file.replace(kept)
        return kept

    def put(self, pair: Pair, version: Version) -> bool:
        """Make this the newest version of a pair; False where it sounds like the newest there is.

        What is known of the place of a sound is the latest that was said of it.
        """
        with self._lock:
            before = self._by_pair.get(pair, ())
            others = tuple(kept for kept in before if kept.name != version.name)
            self._by_pair[pair] = (*others, version)[-KEPT:]
            self._remove_unused()
        return not before or before[-1].name != version.name

    def of(self, pair: Pair) -> tuple[Version, ...]:
        """The versions of a pair, the oldest first."""
        with self._lock:
            return self._by_pair.get(pair, ())

    def keep_only(self, pairs: Collection[Pair]) -> None:
        """Forget the pairs that the plan no longer has."""
        with self._lock:
            self._by_pair = {pair: kept for pair, kept in self._by_pair.items() if pair in pairs}
            self._remove_unused()

    def file_named(self, name: str) -> Path | None:
        """The file of a version by its exact name; None for any other text."""
        with self._lock:
            return self._table().get(name)

    def _table(self) -> dict[str, Path]:
        return {version.name: version.path for kept in self._by_pair.values() for version in kept}

    def _remove_unused(self) -> None:
        used = set(self._table())
        for path in self._folder.iterdir():
            if path.is_file() and path.name not in used:
                path.unlink(missing_ok=True)


def digest_of(file: Path) -> str:
    """A short name for the bytes of a file, the same for the same bytes."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=8)).hexdigest()
