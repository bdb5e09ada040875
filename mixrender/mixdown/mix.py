"""The strips of all tracks, noise and voices to their sum, block by block, before the master."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from mixrender.dsp.ducking import Dip, duck_gain
from mixrender.mixdown.noise_sweep import NoiseSweep
from mixrender.mixdown.strip import Strip
from mixrender.units import FloatArray

BLOCK_FRAMES = 65536


class Mix:
    """The sum of all strips: `read` gives any stretch of it, the same however it is cut.

    `strips` and `noises` are the music; it gives way in `dips`, and `voices` lie over it.
    """

    def __init__(
        self,
        strips: Sequence[Strip],
        *,
        frames: int,
        sample_rate_hz: int,
        noises: Sequence[NoiseSweep] = (),
        voices: Sequence[Strip] = (),
        dips: Sequence[Dip] = (),
    ):
        self.strips = tuple(strips)
        self.noises = tuple(noises)
        self.voices = tuple(voices)
        self.dips = tuple(dips)
        self.frames = frames
        self.sample_rate_hz = sample_rate_hz

    def read(self, start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, float64 (stop - start, 2); voices are added last, in their order."""
        return self.together(self.parts(start, stop), start, stop)

    def ducked(self, start: int, stop: int) -> FloatArray:
        """The music without the voices, as it gives way to them."""
        return self._ducked(self.parts(start, stop), start, stop)

    def music(self, start: int, stop: int) -> FloatArray:
        """The music as it is without voices; the tracks are added in their order, then the noise."""
        return self._music(self.parts(start, stop), start, stop)

    def parts(self, start: int, stop: int) -> list[FloatArray | None]:
        """What each strip adds to mix frames `start` to `stop`, in their order; None: nothing."""
        return [strip.read(start, stop) if _sounds(strip, start, stop) else None for strip in self.strips]

    def together(self, parts: Sequence[FloatArray | None], start: int, stop: int) -> FloatArray:
        """Mix frames `start` to `stop`, given the `parts` of these very frames: what `read` gives."""
        out = self._ducked(parts, start, stop)
        _add(out, self.voices, start, stop)
        return out

    def _ducked(self, parts: Sequence[FloatArray | None], start: int, stop: int) -> FloatArray:
        out = self._music(parts, start, stop)
        gain = duck_gain(self.dips, start, stop)
        if isinstance(gain, np.ndarray):
            out *= gain[:, np.newaxis]
        return out

    def _music(self, parts: Sequence[FloatArray | None], start: int, stop: int) -> FloatArray:
        out = np.zeros((stop - start, 2))
        for part in parts:
            if part is not None:
                out += part
        _add(out, self.noises, start, stop)
        return out

    def with_voices(self, voices: Sequence[Strip], dips: Sequence[Dip]) -> Mix:
        """The same music, giving way in these dips, with these voices over it."""
        return Mix(
            self.strips,
            frames=self.frames,
            sample_rate_hz=self.sample_rate_hz,
            noises=self.noises,
            voices=voices,
            dips=dips,
        )

    def blocks(
        self, start: int = 0, stop: int | None = None, *, block_frames: int = BLOCK_FRAMES
    ) -> Iterator[FloatArray]:
        """The stretch from `start` to `stop` (the end) in blocks of at most `block_frames`."""
        end = self.frames if stop is None else stop
        for begin in range(start, end, block_frames):
            yield self.read(begin, min(begin + block_frames, end))


def _add(out: FloatArray, strips: Sequence[Strip | NoiseSweep], start: int, stop: int) -> None:
    for strip in strips:
        if _sounds(strip, start, stop):
            out += strip.read(start, stop)


def _sounds(strip: Strip | NoiseSweep, start: int, stop: int) -> bool:
    return strip.start < stop and strip.sounds_until > start
