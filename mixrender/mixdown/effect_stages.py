"""An effect's work on blocks of sound to what can be read anywhere: in the sound's place, or beside it.

An insert takes the sound's place; what is sent to rings on beside the sound. Both are at work in spans of the
mix alone: outside of them an insert gives the very sound it gets and a send gives nothing, and neither costs
anything. Inside a span the state is carried on from read to read, or rebuilt from where the span begins, so
that what is given depends on the frames alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mixrender.dsp.laws import raised_cosine
from mixrender.dsp.per_frame import per_frame
from mixrender.mixdown.controls import Controls
from mixrender.timing.tails import TAIL_FADE_S
from mixrender.units import FloatArray, seconds_to_frames

Read = Callable[[int, int], FloatArray]
"""Frames of the mix's time line, from a start up to a stop, float64 (n, 2); zeros where there is nothing."""


@dataclass(frozen=True, eq=False)
class Job:
    """A block of sound that an effect shall work on: mix frames `start` to `stop`, and what came before."""

    controls: Controls
    start: int
    stop: int
    sound: FloatArray
    state: Any

    @property
    def rate_hz(self) -> int:
        """Frames per second of the mix."""
        return self.controls.sample_rate_hz

    def value(self, name: str) -> float | FloatArray:
        """A control over the block, as `Controls.value` gives it."""
        return self.controls.value(name, self.start, self.stop)

    def share(self, name: str) -> float | FloatArray:
        """A control in per cent over the block, as a share."""
        return self.controls.share(name, self.start, self.stop)

    def in_rhythm(self, name: str, at: Callable[[float], FloatArray]) -> FloatArray:
        """What `at` makes of the period of that name; between two periods the one fades to the other."""
        parts = [share * at(period) for period, share in self.controls.rhythms(name, self.start, self.stop)]
        total: FloatArray = np.sum(parts, axis=0)
        return total

    def every(self, value: float | FloatArray) -> FloatArray:
        """A value for every frame of the block."""
        return per_frame(value, self.stop - self.start)

    def beats(self) -> FloatArray:
        """The beat of the mix at every frame of the block."""
        return self.controls.beats(self.start, self.stop)


Work = Callable[[Job], tuple[FloatArray, Any]]
"""What an effect makes of a block, and its state after it; state None: at rest."""


class _Effect:
    """An effect that can be read anywhere; `_run` works on frames that lie inside one of its spans."""

    BLOCK = 65536

    def __init__(self, work: Work, controls: Controls, upstream: Read, spans: Sequence[tuple[int, int]]):
        self._work = work
        self._controls = controls
        self._upstream = upstream
        self._spans = tuple(spans)
        self._position: int | None = None
        self._state: Any = None

    def _at_work(self, start: int, stop: int) -> Iterator[tuple[int, int, int, int]]:
        """The parts of the frames from `start` up to `stop` in which it is at work, with the span of each."""
        for begin, end in self._spans:
            first, last = max(start, begin), min(stop, end)
            if first < last:
                yield first, last, begin, end

    def _made(self, begin: int, first: int, last: int) -> FloatArray:
        """What it makes of the frames from `first` up to `last` of the span that starts at `begin`."""
        if first != self._position:
            self._wake(begin, first)
        return self._run(first, last)

    def _wake(self, begin: int, frame: int) -> None:
        self._state = None
        for at in range(begin, frame, self.BLOCK):
            self._run(at, min(at + self.BLOCK, frame))

    def _run(self, start: int, stop: int) -> FloatArray:
        sound = self._upstream(start, stop)
        made, self._state = self._work(Job(self._controls, start, stop, sound, self._state))
        self._position = stop
        return made


class Insert(_Effect):
    """An effect that the sound goes through, and that knows of what went before."""

    def read(self, start: int, stop: int) -> FloatArray:
        """The sound from mix frame `start` up to `stop`: what comes in, to the bit, outside of the spans."""
        parts, at = list[FloatArray](), start
        for first, last, begin, _ in self._at_work(start, stop):
            if at < first:
                parts.append(self._upstream(at, first))
            parts.append(self._made(begin, first, last))
            at = last
        if at < stop or not parts:
            parts.append(self._upstream(at, stop))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)


class StatelessInsert(Insert):
    """An effect that makes of each frame what it makes of it, whatever went before."""

    def _wake(self, begin: int, frame: int) -> None:
        """Nothing: there is nothing to be remembered."""


class Send(_Effect):
    """An effect that the sound is sent to, and that rings on beside it up to `stop`."""

    def __init__(self, work: Work, controls: Controls, upstream: Read, spans: Sequence[tuple[int, int]]):
        super().__init__(work, controls, upstream, spans)
        self.stop = max((end for _, end in spans), default=0)
        self._fade_frames = seconds_to_frames(TAIL_FADE_S, controls.sample_rate_hz)

    def add(self, out: FloatArray, start: int, stop: int) -> None:
        """Add what rings from mix frame `start` up to `stop` to `out`, shape (stop - start, 2)."""
        for first, last, begin, end in self._at_work(start, stop):
            left = np.arange(end - first, end - last, -1, dtype=np.float64)
            fade = raised_cosine(np.minimum(left / self._fade_frames, 1.0))
            out[first - start : last - start] += self._made(begin, first, last) * fade[:, np.newaxis]
