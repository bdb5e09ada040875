"""Tempo changes to the one function between the beats and the seconds of a mix, and its exact inverse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import overload

import numpy as np

from mixrender.units import FloatArray


@dataclass(frozen=True)
class TempoSegment:
    """From `beat` on the tempo runs, linear in beats, from `start_bpm` to `end_bpm` at the next segment."""

    beat: float
    start_bpm: float
    end_bpm: float


class TempoMap:
    """Beat to time and back for a whole mix.

    Between two segments the tempo in BPM is linear in beats. From a to b BPM over B beats, beat k after the
    start falls at 60 B / (b - a) ln(1 + (b - a) k / (a B)) seconds, the integral of 60 / tempo. Before the
    first segment and after the last the tempo is constant; the last one must be constant. Times are counted
    from `origin_s`, the time of beat 0.
    """

    def __init__(self, segments: Sequence[TempoSegment], *, origin_s: float = 0.0):
        if not segments:
            raise ValueError("a tempo map needs at least one segment")
        if segments[-1].start_bpm != segments[-1].end_bpm:
            raise ValueError("the last segment of a tempo map must be constant")
        if any(later.beat <= earlier.beat for earlier, later in pairwise(segments)):
            raise ValueError("the segments of a tempo map must begin on rising beats")
        if any(min(s.start_bpm, s.end_bpm) <= 0 for s in segments):
            raise ValueError("tempos must be above 0 BPM")
        self.segments = tuple(segments)
        self._beats = np.array([s.beat for s in segments])
        self._bpm = np.array([s.start_bpm for s in segments])
        lengths = np.append(np.diff(self._beats), 1.0)
        # Change of tempo in BPM per beat; 0 where it is constant.
        self._slope = (np.array([s.end_bpm for s in segments]) - self._bpm) / lengths
        durations_s = self._seconds_into(np.arange(len(segments)), lengths)
        times_s = np.concatenate(([0.0], np.cumsum(durations_s[:-1])))
        self._times_s = times_s
        self._times_s = times_s + (origin_s - float(self._time_at(np.array([0.0]))[0]))

    @overload
    def time_at(self, beat: float) -> float: ...
    @overload
    def time_at(self, beat: FloatArray) -> FloatArray: ...
    def time_at(self, beat: float | FloatArray) -> float | FloatArray:
        """Time in seconds of a beat, or of each beat of an array."""
        if isinstance(beat, np.ndarray):
            return self._time_at(beat)
        return float(self._time_at(np.array([beat]))[0])

    @overload
    def beat_at(self, time_s: float) -> float: ...
    @overload
    def beat_at(self, time_s: FloatArray) -> FloatArray: ...
    def beat_at(self, time_s: float | FloatArray) -> float | FloatArray:
        """The beat, with its fraction, at a time in seconds; the inverse of `time_at`."""
        if isinstance(time_s, np.ndarray):
            return self._beat_at(time_s)
        return float(self._beat_at(np.array([time_s]))[0])

    def tempo_at(self, beat: float) -> float:
        """Tempo in BPM at a beat; at a jump, the tempo after it."""
        i = max(int(np.searchsorted(self._beats, beat, side="right")) - 1, 0)
        into = max(beat - self._beats[i], 0.0)
        return float(self._bpm[i] + self._slope[i] * into)

    def tempo_before(self, beat: float) -> float:
        """Tempo in BPM just before a beat; at a jump, the tempo that it leaves."""
        i = max(int(np.searchsorted(self._beats, beat, side="left")) - 1, 0)
        into = max(beat - self._beats[i], 0.0)
        return float(self._bpm[i] + self._slope[i] * into)

    def pieces(self, start_beat: float, end_beat: float) -> list[tuple[float, float, TempoSegment]]:
        """The segments met between two beats, as (first beat, last beat, segment), in order."""
        met = []
        for i, segment in enumerate(self.segments):
            begin = segment.beat if i else -np.inf
            end = self.segments[i + 1].beat if i + 1 < len(self.segments) else np.inf
            low, high = max(begin, start_beat), min(end, end_beat)
            if low < high:
                met.append((float(low), float(high), segment))
        return met

    def within(self, start_beat: float, end_beat: float) -> tuple[tuple[float, float, float, float], ...]:
        """All that the map depends on between two beats: where it is equal, so are all times.

        One row per segment met: its first beat, the tempo there in BPM, the change in BPM per beat, and the
        time in seconds of that beat.
        """
        first = max(int(np.searchsorted(self._beats, start_beat, side="right")) - 1, 0)
        last = max(int(np.searchsorted(self._beats, end_beat, side="right")), first + 1)
        columns = (self._beats, self._bpm, self._slope, self._times_s)
        return tuple(tuple(float(column[i]) for column in columns) for i in range(first, last))  # type: ignore[misc]

    def _time_at(self, beats: FloatArray) -> FloatArray:
        i = np.maximum(np.searchsorted(self._beats, beats, side="right") - 1, 0)
        return self._times_s[i] + self._seconds_into(i, beats - self._beats[i])

    def _seconds_into(self, i: np.ndarray, beats: FloatArray) -> FloatArray:
        bpm = self._bpm[i]
        # Before the first segment its tempo is constant, whatever it does after.
        slope = np.where(beats > 0, self._slope[i], 0.0)
        flat = slope == 0
        safe = np.where(flat, 1.0, slope)
        return np.where(
            flat, 60.0 * beats / bpm, 60.0 / safe * np.log1p(np.where(flat, 0.0, safe * beats / bpm))
        )

    def _beat_at(self, times_s: FloatArray) -> FloatArray:
        i = np.maximum(np.searchsorted(self._times_s, times_s, side="right") - 1, 0)
        into_s = times_s - self._times_s[i]
        bpm = self._bpm[i]
        slope = np.where(into_s > 0, self._slope[i], 0.0)
        flat = slope == 0
        safe = np.where(flat, 1.0, slope)
        bent = bpm / safe * np.expm1(np.where(flat, 0.0, safe * into_s / 60.0))
        return self._beats[i] + np.where(flat, bpm * into_s / 60.0, bent)


@dataclass(frozen=True)
class Ramp:
    """A change of tempo between two beats to `to_bpm`, linear in beats; a jump where they are one.

    `written` is true where the plan asks for it, false for a glide that the default makes; `label` names it
    in messages.
    """

    start_beat: float
    end_beat: float
    to_bpm: float
    written: bool
    label: str = ""


def lay_ramps(ramps: Sequence[Ramp]) -> list[Ramp]:
    """Ramps in order of their start, where default glides that would overlap wait for the one before.

    Written ramps are laid first; a default glide that meets another ramp runs from where that one ends, and
    a written ramp cuts a glide short. The caller refuses written ramps that overlap each other.
    """
    laid: list[Ramp] = []
    for ramp in sorted(ramps, key=lambda r: (r.start_beat, r.end_beat)):
        start, end = ramp.start_beat, ramp.end_beat
        if laid and start < laid[-1].end_beat:
            before = laid[-1]
            if ramp.written and not before.written:
                laid[-1] = Ramp(before.start_beat, start, before.to_bpm, False, before.label)
            else:
                start = before.end_beat
                end = max(end, start)
        laid.append(Ramp(start, end, ramp.to_bpm, ramp.written, ramp.label))
    return laid
