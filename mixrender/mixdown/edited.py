"""A decoded file, its order and its patches go in; the track as it plays can be read at any frame."""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.audio.raw import RawAudio
from mixrender.dsp.brake import brake_gain, brake_positions, spin_up_gain, spin_up_positions
from mixrender.dsp.laws import raised_cosine
from mixrender.dsp.varispeed import reach_frames, varispeed
from mixrender.timing.play_order import SLACK_S, Passage, Patch
from mixrender.units import FloatArray, seconds_to_frames

EDIT_VERSION = "1"
"""Raised whenever the same edits would give other samples, so that what is stretched of them is made anew."""

FADE_S = 0.008
"""Length of the fade before each joint and inside the edges of each patch: short enough for the shortest
rolls and not to be heard as one, long enough that a bass leaves no click (common practice, no source)."""


_REACH_S = 1.0
"""More than any frame of an edited track reaches to either side, events apart."""


@dataclass(frozen=True)
class _Stretch:
    """From frame `start` on, frames of the track as it plays are frames of the file less `offset`."""

    start: int
    offset: int


@dataclass(frozen=True)
class _Span:
    """Frames `start` to `stop` of the track as it plays, to which something of this kind happens."""

    kind: str
    start: int
    stop: int
    fade: int


class EditedAudio:
    """A file as its track plays it; to be read as `RawAudio` is, by several threads at once.

    Before a joint of passages the sound that leads up to the next one fades in, by a raised cosine that ends
    on the joint: what begins there begins whole. Each pass of a loop reads the same frames of the file. A
    patch fades from and to the sound around it inside its own edges.
    """

    def __init__(self, raw: RawAudio, passages: Sequence[Passage] = (), patches: Sequence[Patch] = ()):
        self.sample_rate_hz = raw.sample_rate_hz
        self._raw = raw
        self._stretches = _stretches(passages, raw.sample_rate_hz)
        self._starts = [stretch.start for stretch in self._stretches]
        self._fade = seconds_to_frames(FADE_S, raw.sample_rate_hz)
        self._spans = [span for patch in patches if (span := self._span(patch)).stop > span.start]
        self.frames = max(raw.frames - self._stretches[-1].offset, 0)

    @property
    def name(self) -> str:
        """What tells this sound from any other, apart from the content of the file."""
        text = f"{EDIT_VERSION} {self._stretches} {self._spans} {self._fade}"
        return f"{self._raw.name} {hashlib.blake2b(text.encode(), digest_size=16).hexdigest()}"

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Frames `start` to `stop` (exclusive) as float32 (stop - start, 2); zeros outside of the file."""
        out = self._passages(start, stop)
        for span in self._spans:
            first, last = max(start, span.start), min(stop, span.stop)
            if first < last:
                out[first - start : last - start] = self._patched(span, first, last)
        return out

    # --- passages ---

    def _passages(self, start: int, stop: int) -> NDArray[np.float32]:
        """Frames of the passages one after the other, without patches."""
        out = np.zeros((max(stop - start, 0), 2), dtype=np.float32)
        index = self._index_at(start)
        while start < stop:
            # The stretch that sounds at `start`, until the next one begins.
            following = self._stretches[index + 1] if index + 1 < len(self._stretches) else None
            until = stop if following is None else min(stop, following.start)
            sound = self._of_file(self._stretches[index], start, until)
            if following is not None:
                self._lead_in(sound, index, start, until)
            out[len(out) - (stop - start) : len(out) - (stop - until)] = sound
            start, index = until, index + 1
        return out

    def _lead_in(self, sound: NDArray[np.float32], index: int, start: int, until: int) -> None:
        """Fade what leads up to the next stretch into frames `start` to `until` of one, in place."""
        following = self._stretches[index + 1]
        room = following.start - self._stretches[index].start if index else self._fade
        fade = min(self._fade, room)
        first = max(start, following.start - fade)
        if first < until:
            share = _share(np.arange(first, until) - (following.start - fade), fade)
            before = sound[first - start :]
            sound[first - start :] = _blend(before, self._of_file(following, first, until), share)

    def _of_file(self, stretch: _Stretch, start: int, stop: int) -> NDArray[np.float32]:
        return self._raw.read(start + stretch.offset, stop + stretch.offset)

    def _index_at(self, frame: int) -> int:
        return max(bisect_right(self._starts, frame) - 1, 0)

    # --- patches ---

    def _span(self, patch: Patch) -> _Span:
        start, stop = (seconds_to_frames(s, self.sample_rate_hz) for s in (patch.start_s, patch.end_s))
        return _Span(patch.kind, start, stop, min(self._fade, (stop - start) // 2))

    def _patched(self, span: _Span, start: int, stop: int) -> FloatArray:
        """Frames `start` to `stop` inside of a patch, faded at its edges where they would break the sound."""
        around = self._passages(start, stop)
        sound = self._happening(span, start, stop)
        share = np.ones(stop - start)
        # A stop begins, and a start ends, at full speed with what sounds there.
        if span.kind != "brake":
            share = np.minimum(share, _share(np.arange(start, stop) - span.start, span.fade))
        if span.kind != "spin_up":
            share = np.minimum(share, _share(span.stop - np.arange(start, stop), span.fade))
        return _blend(around, sound, share)

    def _happening(self, span: _Span, start: int, stop: int) -> NDArray[np.float32] | FloatArray:
        if span.kind == "mute":
            return np.zeros((stop - start, 2))
        if span.kind == "reverse":
            mirror = span.start + span.stop
            return self._passages(mirror - stop, mirror - start)[::-1]
        frames = span.stop - span.start
        if span.kind == "brake":
            positions, gain = brake_positions(frames), brake_gain(frames, least_fade_frames=span.fade)
        else:
            positions, gain = spin_up_positions(frames), spin_up_gain(frames, least_fade_frames=span.fade)
        inside = slice(start - span.start, stop - span.start)
        return self._at(span.start, positions[inside]) * gain[inside, np.newaxis]

    def _at(self, origin: int, positions: FloatArray) -> FloatArray:
        """The sound at fractional frames after `origin`, which move on at most at full speed."""
        reach = reach_frames(1.0)
        # Counted from ahead of the origin, so that no cut of the frames costs a position a digit.
        positions = positions + reach
        first = int(np.floor(positions.min())) - reach
        last = int(np.ceil(positions.max())) + reach
        sound = self._passages(origin - reach + first, origin - reach + last + 1)
        return varispeed(sound, positions - first)


def order_between(
    passages: Sequence[Passage], patches: Sequence[Patch], start: int, stop: int, *, sample_rate_hz: int
) -> tuple[object, ...]:
    """All that edits make of frames `start` to `stop` of a track as it plays, for comparing."""
    found = _stretches(passages, sample_rate_hz)
    reach = seconds_to_frames(_REACH_S, sample_rate_hz)
    low, high = start - reach, stop + reach
    near = [p for p in patches if p.start_s * sample_rate_hz < high and low < p.end_s * sample_rate_hz]
    for patch in near:  # it may play any of what lies in it
        low = min(low, seconds_to_frames(patch.start_s, sample_rate_hz) - reach)
        high = max(high, seconds_to_frames(patch.end_s, sample_rate_hz) + reach)
    starts = [stretch.start for stretch in found]
    first = max(bisect_right(starts, low) - 1, 0)
    last = max(bisect_right(starts, high), first + 1)
    # How long ago the first of them began makes no difference.
    order = [(max(stretch.start, low), stretch.offset) for stretch in found[first:last]]
    return EDIT_VERSION, tuple(order), tuple(near)


def edited(raw: RawAudio, passages: Sequence[Passage], patches: Sequence[Patch]) -> RawAudio | EditedAudio:
    """A file as its track plays it: the file itself where nothing is edited."""
    return EditedAudio(raw, passages, patches) if passages or patches else raw


def _stretches(passages: Sequence[Passage], rate_hz: int) -> list[_Stretch]:
    """Passages in frames; those that only go on with the file are one."""
    found: list[_Stretch] = []
    before: Passage | None = None
    for passage in passages:
        goes_on = before and abs(before.source_s + before.length_s - passage.source_s) < SLACK_S
        if not goes_on:
            start = seconds_to_frames(passage.play_s, rate_hz)
            found.append(_Stretch(start, seconds_to_frames(passage.source_s, rate_hz) - start))
        before = passage
    return found or [_Stretch(0, 0)]


def _share(frames: NDArray[np.int64], fade: int) -> FloatArray:
    """How much of the new sound there is, so many frames after its fade has begun."""
    return raised_cosine(np.clip(frames / fade, 0.0, 1.0)) if fade else np.ones(len(frames))


def _blend(
    before: NDArray[np.float32], after: NDArray[np.float32] | FloatArray, share: FloatArray
) -> FloatArray:
    """One sound faded into another; where the share is 0 or 1 it is the one or the other to the bit."""
    weight = share[:, np.newaxis]
    return (1.0 - weight) * before + weight * after
