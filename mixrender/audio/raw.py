"""Decoded sound on disk: an audio file goes in, frames of its samples from any place come out."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mixrender.audio.cache import Cache
from mixrender.audio.info import AudioInfo
from mixrender.audio.read import probe, read_blocks
from mixrender.errors import MachineError
from mixrender.progress import NoProgress, Progress

BYTES_PER_FRAME = 8
"""Two channels of float32."""


@dataclass(frozen=True)
class RawAudio:
    """Interleaved stereo float32 without a header in the file `path`: `frames` frames at `sample_rate_hz`.

    Reading keeps no state, so that several threads may read at once. It raises MachineError if the file is
    gone or damaged.
    """

    path: Path
    frames: int
    sample_rate_hz: int

    @property
    def name(self) -> str:
        """Name under which the sound is kept."""
        return self.path.stem

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Frames `start` to `stop` (exclusive) as float32 of shape (stop - start, 2).

        Both may lie anywhere, negative included; outside of the file there are zeros.
        """
        out = np.zeros((max(stop - start, 0), 2), dtype=np.float32)
        first, last = max(start, 0), min(stop, self.frames)
        if last > first:
            wanted = 2 * (last - first)
            # Read rather than mapped: a mapped page that the disk fails to give would end the process.
            try:
                found = np.fromfile(self.path, dtype="<f4", count=wanted, offset=first * BYTES_PER_FRAME)
            except OSError as error:
                raise self._lost(error.strerror or str(error)) from error
            if found.size != wanted:
                raise self._lost("it is shorter than it was")
            out[first - start : last - start] = found.reshape(-1, 2)
        return out

    def _lost(self, reason: str) -> MachineError:
        return MachineError(
            f"{self.path}: the sound kept here can no longer be read ({reason}). If the cache was cleared "
            f"meanwhile, run it again; if not, `mixrender cache verify` finds what is damaged."
        )


def decoded(
    path: Path,
    *,
    content_hash: str,
    sample_rate_hz: int,
    cache: Cache,
    progress: Progress | None = None,
) -> RawAudio:
    """The whole file at `path`, decoded and resampled to `sample_rate_hz`, kept in the cache.

    `content_hash` is `sound_hash.content_hash(path)`. The sound is decoded once for each content, decoder and
    rate. Raises AudioError if it cannot be decoded, MachineError if the cache cannot hold it.
    """
    info = probe(path)
    key = _key(content_hash, info, sample_rate_hz)
    kept = cache.make(
        "decoded",
        key,
        ".f32",
        lambda part: _decode(info, part, sample_rate_hz, cache, progress or NoProgress()),
    )
    return RawAudio(kept, kept.stat().st_size // BYTES_PER_FRAME, sample_rate_hz)


def _key(content_hash: str, info: AudioInfo, sample_rate_hz: int) -> str:
    parts = "\n".join((content_hash, info.decoder, str(sample_rate_hz), "stereo float32"))
    return hashlib.blake2b(parts.encode(), digest_size=16).hexdigest()


def _decode(info: AudioInfo, part: Path, sample_rate_hz: int, cache: Cache, progress: Progress) -> None:
    cache.require_space(round(info.expected_s * sample_rate_hz) * BYTES_PER_FRAME)
    with (
        part.open("wb") as file,
        progress.task(f"Reading {info.path.name}", total=info.expected_s) as advance,
    ):
        for block in read_blocks(info.path, sample_rate_hz=sample_rate_hz):
            file.write(np.ascontiguousarray(block, dtype="<f4").data)
            advance(len(block) / sample_rate_hz)
