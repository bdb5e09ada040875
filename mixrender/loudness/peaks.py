"""Sound goes in, block by block; the greatest true peak and sample of each of its parts come out."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixrender.dsp.true_peak import (
    CHUNK_FRAMES,
    METER_TAPS,
    Float32Array,
    PeakEnvelope,
    interpolator,
    oversampling_factor,
)

_LEAST_PEAK = 1e-37


class Peak(NamedTuple):
    """A level of the waveform (full scale 1.0), its frame and its channel."""

    level: float
    frame: int
    channel: int


class SamplePeaks:
    """Keeps the greatest magnitude of a sample in each part of a stream, parted as by `TruePeaks`."""

    def __init__(self, *, edges: Sequence[int] = ()):
        self._edges = np.asarray(edges, np.int64)
        self._greatest = [0.0] * (len(edges) + 1)
        self._frames = 0

    def push(self, block: NDArray[np.floating]) -> None:
        """Take a block of shape (n, channels)."""
        start, self._frames = self._frames, self._frames + len(block)
        lowest, highest = np.searchsorted(self._edges, (start, self._frames - 1), "right")
        pieces = np.split(block, self._edges[lowest:highest] - start)
        for part, piece in enumerate(pieces, start=int(lowest)):
            if len(piece):
                self._greatest[part] = max(self._greatest[part], float(piece.max()), float(-piece.min()))

    def result(self) -> tuple[float, ...]:
        """The greatest sample of each part, 0 for silence."""
        return tuple(self._greatest)


class TruePeaks:
    """Keeps the greatest true peak of each part of a stream, and the frame at or after which it lies.

    A part begins with the stream and with each of the `edges`, which are frames, rising. What lies between
    the last sample of a part and the first of the next belongs to the former.
    """

    def __init__(self, *, sample_rate_hz: int, channels: int, edges: Sequence[int] = ()):
        kernel = interpolator(factor=oversampling_factor(sample_rate_hz), taps=METER_TAPS)
        self._envelope = PeakEnvelope(kernel, channels=channels)
        self._waiting = np.empty((CHUNK_FRAMES, channels), np.float32)
        self._filled = 0
        self._frames = 0
        self._edges = np.asarray(edges, np.int64)
        if (np.diff(self._edges, prepend=0) < 0).any():
            raise ValueError("the edges between parts must be frames that rise from 0")
        self._greatest = [Peak(0.0, 0, 0)] * (len(edges) + 1)

    def push(self, block: NDArray[np.floating]) -> None:
        """Take a block of shape (n, channels)."""
        start = 0
        while start < len(block):
            taken = min(CHUNK_FRAMES - self._filled, len(block) - start)
            self._waiting[self._filled : self._filled + taken] = block[start : start + taken]
            self._filled += taken
            start += taken
            if self._filled == CHUNK_FRAMES:
                self._raise(self._greatest, self._envelope, self._waiting)
                self._frames += CHUNK_FRAMES
                self._filled = 0

    def result(self) -> tuple[Peak, ...]:
        """The peak of each part (level 0: silence), the end of the sound included; the stream may go on."""
        end = np.zeros((self._filled + self._envelope.lag_frames, self._envelope.channels), np.float32)
        end[: self._filled] = self._waiting[: self._filled]
        greatest = self._greatest.copy()
        self._raise(greatest, copy.copy(self._envelope), end)
        last = max(self._frames + self._filled - 1, 0)
        return tuple(peak._replace(frame=min(max(peak.frame, 0), last)) for peak in greatest)

    def _raise(self, greatest: list[Peak], envelope: PeakEnvelope, chunk: Float32Array) -> None:
        """Raise the peaks so far to those in one more chunk."""
        first = self._frames - envelope.lag_frames
        lowest, highest = np.searchsorted(self._edges, (first, first + len(chunk) - 1), "right")
        parts = range(lowest, highest + 1)
        floor = max(min(greatest[part].level for part in parts), _LEAST_PEAK)
        peaks = envelope.push(chunk, floor=floor)
        edges = np.clip(self._edges[parts.start : parts.stop - 1] - first, 0, len(chunk))
        for part, piece in zip(parts, np.split(peaks, edges), strict=True):
            at = int(np.argmax(piece))
            if float(piece[at]) > greatest[part].level:
                place = at if part == parts.start else at + int(edges[part - parts.start - 1])
                greatest[part] = Peak(float(piece[at]), first + place, envelope.highest_channel(place))
