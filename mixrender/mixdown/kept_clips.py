"""A digest goes in; the clip that was made for it comes out of the cache: its sound, figures and trace."""

from __future__ import annotations

import filecmp
import json
import shutil
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from mixrender.audio.atomic import atomic_path
from mixrender.audio.cache import Cache
from mixrender.facts import Loudness
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.result import DuckedPassage, VoiceMeasure
from mixrender.mixdown.trace import ClipTrace, Side, StripTrace

KIND = "clips"
"""The kind under which both files of a clip are kept: its sound, and an .npz with everything else."""


@dataclass(frozen=True, eq=False)
class ClipFigures:
    """What was measured of a clip while it was made; `voices` are those that it hears."""

    loudness: Loudness
    max_reduction_db: float
    beat_offset: BeatOffset | None
    loudness_step_lu: float | None
    trace: ClipTrace
    voices: tuple[VoiceMeasure, ...] = ()


@dataclass(frozen=True, eq=False)
class KeptClip:
    """A clip in the cache: the file of its sound, and its figures."""

    path: Path
    figures: ClipFigures


def find_clip(
    cache: Cache, digest: str, suffix: str, *, strips: list[tuple[int, Side]], voices: list[int]
) -> KeptClip | None:
    """The clip that is kept under a digest, or None.

    `strips` and `voices` are the places in the timeline of what it traces and hears: these may have changed
    since it was made, their order has not.
    """
    sound, figures = cache.find(KIND, digest, suffix), cache.find(KIND, digest, ".npz")
    if sound is None or figures is None:
        return None
    try:
        return KeptClip(sound, _read(figures, strips, voices))
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile):  # damaged: it is made again
        cache.remove(entry for entry in cache.entries() if entry.path in (sound, figures))
        return None


def keep_clip(cache: Cache, digest: str, suffix: str, make: Callable[[Path], ClipFigures]) -> KeptClip:
    """Make a clip and keep it; `make` writes the sound to the path that it gets and gives the figures.

    Raises what `make` raises, MachineError where the cache cannot hold it; then nothing is kept.
    """
    with cache.scratch() as folder:
        part = folder / f"clip{suffix}"
        figures = make(part)
        path = cache.make(KIND, digest, suffix, lambda out: _moved(part, out))
        cache.make(KIND, digest, ".npz", lambda out: _write(out, figures))
    return KeptClip(path, figures)


def put_into(folder_path: Path, kept: Path) -> bool:
    """Copy a kept file to where it shall be, whole or not at all; False where the same lies there already."""
    if folder_path.is_file() and filecmp.cmp(folder_path, kept, shallow=False):
        return False
    with atomic_path(folder_path) as part:
        shutil.copyfile(kept, part)
    return True


def _moved(part: Path, out: Path) -> None:
    part.replace(out)


# --- figures on disk: arrays by their names, and the rest as one JSON text ---


def _write(path: Path, figures: ClipFigures) -> None:
    trace = figures.trace
    arrays: dict[str, Any] = {
        "momentary_lufs": trace.momentary_lufs,
        "short_term_lufs": trace.short_term_lufs,
    }
    for number, strip in enumerate(trace.strips):
        arrays |= {f"{name}-{number}": getattr(strip, name) for name in _STRIP_ARRAYS}
    document = {
        "loudness": asdict(figures.loudness),
        "max_reduction_db": figures.max_reduction_db,
        "beat_offset": asdict(figures.beat_offset) if figures.beat_offset else None,
        "loudness_step_lu": figures.loudness_step_lu,
        "column_s": trace.column_s,
        "voices": [asdict(voice) for voice in figures.voices],
    }
    with path.open("wb") as file:
        np.savez(file, document=np.array(json.dumps(document)), **arrays)


_STRIP_ARRAYS = ("source", "heard", "low_db")


def _read(path: Path, strips: list[tuple[int, Side]], voices: list[int]) -> ClipFigures:
    # Opened here: where the file is damaged numpy would leave it open.
    with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
        document: Mapping[str, Any] = json.loads(str(arrays["document"]))
        trace = ClipTrace(
            document["column_s"],
            tuple(
                StripTrace(index, side, **{name: arrays[f"{name}-{number}"] for name in _STRIP_ARRAYS})
                for number, (index, side) in enumerate(strips)
            ),
            arrays["momentary_lufs"],
            arrays["short_term_lufs"],
        )
    offset = document["beat_offset"]
    return ClipFigures(
        loudness=Loudness(**document["loudness"]),
        max_reduction_db=document["max_reduction_db"],
        beat_offset=BeatOffset(**offset) if offset else None,
        loudness_step_lu=document["loudness_step_lu"],
        trace=trace,
        voices=tuple(_voice(voice, index) for voice, index in zip(document["voices"], voices, strict=True)),
    )


def _voice(document: Mapping[str, Any], index: int) -> VoiceMeasure:
    passages = tuple(DuckedPassage(**passage) for passage in document["passages"])
    return VoiceMeasure(**{**document, "index": index, "passages": passages})
