"""What every decoder says of a file, and how it says that a file is broken: facts go in, records come out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mixrender.errors import AudioError
from mixrender.units import format_time

Block = NDArray[np.float32]
"""Decoded sound of shape (n, channels)."""

Blocks = Iterator[Block]

DECODE_FRAMES = 8192
"""Frames decoded and resampled at a time: always the same, whatever blocks the caller wants."""


@dataclass(frozen=True)
class AudioInfo:
    """What a file's header says: sample rate, channels, and which decoder reads it.

    `decoder` names program and version, such as `libsndfile 1.2.2`: times measured with one decoder may be
    wrong in another. `expected_s` is the duration in seconds by the header; it may be wrong, and serves
    progress and space alone, unless `is_length_stated`: then a file that holds less is cut off. `bits` are
    those of a sample, None where samples are not stored as such.
    """

    path: Path
    sample_rate_hz: int
    channels: int
    decoder: str
    expected_s: float = 0.0
    is_length_stated: bool = False
    bits: int | None = None


def damaged(path: Path, at_s: float, reason: str) -> AudioError:
    """The fault of a file whose sound ends or breaks at `at_s` seconds, for `reason`."""
    cause = reason.strip().rstrip(".")
    return AudioError(
        path,
        f"it is damaged or cut off: the sound ends at about {format_time(at_s)} ({cause}). "
        f"Get another copy of it; if it plays to its end elsewhere, convert it to FLAC there.",
    )
