"""What is kept on disk: how much, whether it is sound, away with it."""

from __future__ import annotations

from typing import Any

from mixrender.audio.cache import Cache
from mixrender.progress import Progress


def cache_contents(cache: Cache | None = None) -> dict[str, Any]:
    """What is kept on disk: the folder, files and bytes by kind, and the file of the library."""
    shared = cache or Cache()
    kinds: dict[str, tuple[int, int]] = {}
    for entry in shared.entries():
        files, size = kinds.get(entry.kind, (0, 0))
        kinds[entry.kind] = (files + 1, size + entry.size_bytes)
    return {
        "folder": str(shared.root),
        "library": str(shared.library_path),
        "files": sum(files for files, _ in kinds.values()),
        "bytes": sum(size for _, size in kinds.values()),
        "kinds": [
            {"kind": kind, "files": files, "bytes": size} for kind, (files, size) in sorted(kinds.items())
        ],
    }


def clear_cache(cache: Cache | None = None) -> int:
    """Remove everything that is kept on disk; returns the bytes freed."""
    return (cache or Cache()).clear()


def verify_cache(cache: Cache | None = None, *, progress: Progress | None = None) -> tuple[int, int]:
    """Read everything that is kept on disk and remove what is damaged: (files read, files removed)."""
    shared = cache or Cache()
    files = len(shared.entries())
    damaged = shared.verify(progress=progress)
    shared.remove(damaged)
    return files, len(damaged)
