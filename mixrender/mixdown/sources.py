"""A track's decoded file and its pieces to sound on the mix's time line: copied, stretched or varied."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mixrender.audio import rubberband, stretch
from mixrender.audio.cache import Cache
from mixrender.audio.raw import BYTES_PER_FRAME, RawAudio
from mixrender.dsp.varispeed import reach_frames, varispeed
from mixrender.mixdown.edited import EditedAudio
from mixrender.progress import Progress
from mixrender.timing.pieces import Copy, Warp
from mixrender.units import FloatArray, seconds_to_frames


@dataclass(frozen=True, eq=False)
class Stretched:
    """Stretched sound that lies on mix frames `start` to `stop`, in place of what is copied there."""

    start: int
    stop: int
    sound: RawAudio

    def read(self, start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, which must lie inside."""
        return self.sound.read(start - self.start, stop - self.start).astype(np.float64)


@dataclass(frozen=True, eq=False)
class Varied:
    """Sound that is played faster and slower, pitch and all, on mix frames `start` to `stop`."""

    start: int
    stop: int
    knots: FloatArray
    sound: RawAudio | EditedAudio

    def read(self, start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, which must lie inside."""
        # One frame more on each side, so that the speed at the ends of a block is known as inside it.
        frames = np.arange(start - 1, stop + 1, dtype=np.float64)
        positions = _along(self.knots, frames)
        speed = max(float(np.abs(np.diff(positions)).max()), 1.0)
        reach = reach_frames(speed)
        # From frame 0 on, so that taking the first frame off a position never costs it a digit.
        first = max(int(np.floor(positions.min())) - reach, 0)
        last = int(np.ceil(positions.max())) + reach
        return varispeed(self.sound.read(first, last), positions - first)[1:-1]


def _along(knots: FloatArray, frames: FloatArray) -> FloatArray:
    """Source frames at mix frames along a map; outside of it the nearest slope goes on."""
    source, mix = knots[:, 0], knots[:, 1]
    i = np.clip(np.searchsorted(mix, frames, side="right") - 1, 0, len(mix) - 2)
    slope = (source[i + 1] - source[i]) / (mix[i + 1] - mix[i])
    return np.asarray(source[i] + (frames - mix[i]) * slope)


class PlacedSource:
    """One track's sound on the mix's time line, before gain and moves: `read` gives any stretch of it."""

    def __init__(
        self,
        raw: RawAudio | EditedAudio,
        copies: Sequence[Copy],
        changed: Sequence[Stretched | Varied],
    ):
        self._raw = raw
        self._copies = tuple(copies)
        self._changed = tuple(changed)

    def read(self, start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, float64 (stop - start, 2); zeros where the track does not lie."""
        out = np.zeros((stop - start, 2))
        for copy in self._copies:
            first, last = max(start, copy.start), min(stop, copy.stop)
            if first < last:
                out[first - start : last - start] = self._raw.read(first + copy.offset, last + copy.offset)
        # Stretched sound brings its joints with it, so it goes on top.
        for part in self._changed:
            first, last = max(start, part.start), min(stop, part.stop)
            if first < last:
                out[first - start : last - start] = part.read(first, last)
        return out


@dataclass(frozen=True, eq=False)
class StretchJob:
    """One warped piece to be stretched: everything that its sound depends on."""

    warp: Warp
    raw: RawAudio | EditedAudio
    content_hash: str
    sample_rate_hz: int
    semitones: float
    label: str
    formants_stay: bool = False

    @property
    def seconds(self) -> float:
        """Length of the result in seconds."""
        return (self.warp.stop - self.warp.start) / self.sample_rate_hz

    @property
    def key(self) -> str:
        """Name under which the result is kept."""
        depends = stretch.cache_key(
            self.warp.knots,
            sample_rate_hz=self.sample_rate_hz,
            semitones=self.semitones,
            formants_stay=self.formants_stay,
            head_untouched=self.warp.head_joins,
            tail_untouched=self.warp.tail_joins,
            program_version=rubberband.program_version(),
        )
        text = f"{self.content_hash} {self.raw.name} {depends}"
        return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()

    def kept(self, cache: Cache) -> bool:
        """Whether the result is there already."""
        return cache.find("stretched", self.key, ".f32") is not None

    def run(self, cache: Cache, progress: Progress) -> Stretched:
        """The stretched sound, from the cache or made now."""
        knots = self.warp.knots

        def make(out: Path) -> None:
            # The source, what the engine makes of it, its shaped form and the result lie on disk at once.
            copies = 5 if self.formants_stay else 4
            cache.require_space(copies * (self.warp.stop - self.warp.start) * BYTES_PER_FRAME)
            stretch.stretch_between(
                self.raw,
                knots,
                sample_rate_hz=self.sample_rate_hz,
                out=out,
                head_untouched=self.warp.head_joins,
                tail_untouched=self.warp.tail_joins,
                semitones=self.semitones,
                formants_stay=self.formants_stay,
            )

        path = cache.make("stretched", self.key, ".f32", make)
        frames = path.stat().st_size // BYTES_PER_FRAME
        # Where the source goes on untouched, the result reaches out of its map and brings the joint.
        reach = seconds_to_frames(stretch.REACH_S, self.sample_rate_hz) if self.warp.head_joins else 0
        start = round(float(knots[0, 1])) - reach
        return Stretched(start, start + frames, RawAudio(path, frames, self.sample_rate_hz))
