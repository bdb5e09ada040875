"""Beats one by one in, the straight pieces they are made of and where the tempo changes between them out.

A track whose tempo is set by a machine is straight between the changes: there the beats lie on lines, each
fitted like that of a steady track, and a change is where two lines meet.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.follow import Train
from mixrender.analysis.grid import fit_line, rounded_tempo
from mixrender.analysis.onsets import FINE_RATE_HZ
from mixrender.units import beats_to_seconds, interval_to_bpm, ratio_to_percent

FloatArray = NDArray[np.float64]

_WINDOW_BEATS = 32
_STRAIGHT_S = 0.003
_PIECE_MISFIT_S = 0.004
_JITTER_S = 0.003
"""What machines play is heard within 1.5 ms of its line, what people play rather within 5 ms."""

_NEAR_S = 0.015
"""Where little sounds, followed beats may lie so far off a line that goes on beyond."""

_LEAST_SHARE = 0.8
_SAME_TEMPO = 0.002
_CUT_BEATS = 0.03
_LARGE_BEATS = 0.1
_MOVED_AT_BEATS = 12
_MEET_BEATS = 8
_RAMP = 1.2
"""Where the beats as followed have so much stronger onsets than two lines that meet, it is a ramp."""

_NEAR_ONSET_S = 0.009
_END_BEATS = 16
_CAP_S = 0.05
_TOLD = 3


@dataclass(frozen=True)
class Piece:
    """Beats `first` to `last` at `start_s + i * beat_s`, i counted from the first beat of the track."""

    first: int
    last: int
    start_s: float
    beat_s: float

    def at(self, beats: FloatArray) -> FloatArray:
        """Seconds of beats on the line, also beyond its ends."""
        return self.start_s + beats * self.beat_s

    def beyond_s(self, other: Piece, beat: float) -> float:
        """How much later than on another line a beat comes on this one."""
        return self.start_s - other.start_s + beat * (self.beat_s - other.beat_s)


@dataclass(frozen=True)
class Change:
    """From beat `beat` to beat `until` the tempo goes from one BPM to another; equal beats: at once.

    Where the tempo stays, the beats are cut: they come `shift_beats` of a beat early, -0.5 to 0.5.
    """

    beat: int
    until: int
    from_bpm: float
    to_bpm: float
    shift_beats: float = 0.0

    def moved(self, by_beats: float) -> Change:
        """The same cut when the beats after it are counted later."""
        if not self.shift_beats:
            return self
        shift = self.shift_beats - by_beats
        return dataclasses.replace(self, shift_beats=shift - round(shift))


@dataclass(frozen=True)
class Course:
    """Beats `beats_s`, shape (n,), rising, and the changes between their straight pieces, in order."""

    beats_s: FloatArray
    changes: tuple[Change, ...]

    def moved(self, beat: int, *, by_beats: float) -> Course:
        """The course with all beats from about a beat on later by the fraction of `by_beats`, -0.5 to 0.5.

        Whole beats change nothing but numbers. It begins at the change nearest to the beat, if one is near.
        """
        by_beats -= round(by_beats)
        near = [c.until for c in self.changes if abs(c.until - beat) <= _MOVED_AT_BEATS]
        start = min(near, key=lambda place: abs(place - beat), default=beat)
        index = np.arange(self.beats_s.size)
        places = index + np.where(index >= start, by_beats, 0.0)
        places = places[places <= index[-1]]
        beats_s = np.interp(places, index, self.beats_s)
        return Course(beats_s, tuple(c.moved(by_beats) if c.until == start else c for c in self.changes))


def course_of(train: Train, fine: NDArray[np.float32]) -> Course:
    """The train with its straight pieces made straight; as it is where it has not at least two.

    `fine`: onset curve at FINE_RATE_HZ.
    """
    pieces = _joined(_drawn_out(_pieces(train, fine), train.beats_s))
    covered = sum(piece.last - piece.first + 1 for piece in pieces)
    if len(pieces) < 2 or covered < _LEAST_SHARE * train.beats_s.size:
        return Course(train.beats_s, ())
    beats_s = train.beats_s.copy()
    for piece in _to_the_ends(pieces, beats_s.size):
        beats_s[piece.first : piece.last + 1] = piece.at(np.arange(piece.first, piece.last + 1.0))
    joints = [_change(old, new, train, fine, beats_s) for old, new in itertools.pairwise(pieces)]
    if not np.all(np.diff(beats_s) > 0.0):
        return Course(train.beats_s, ())
    return Course(beats_s, tuple(change for change in joints if change is not None))


def changes_in_words(changes: Sequence[Change], bar_of: Callable[[float], float]) -> str:
    """What the changes are and where; `bar_of` gives the bar, with its fraction, of a beat of the train."""
    told: list[str] = []
    tempo = [change for change in changes if not change.shift_beats]
    for change in tempo[:_TOLD]:
        start, stop = (max(round(bar_of(beat)), 1) for beat in (change.beat, change.until))
        where = f"at bar {start}" if start == stop else f"between bars {start} and {stop}"
        origin = "" if told else f"from {change.from_bpm:.2f} "
        told.append(f"{origin}to {change.to_bpm:.2f} BPM {where}")
    rest = [f"and {len(tempo) - _TOLD} times more"] if len(tempo) > _TOLD else []
    said = ["the tempo changes " + ", ".join(told + rest)] if told else []
    for change in [change for change in changes if change.shift_beats][:_TOLD]:
        bar = max(int(bar_of(change.beat)), 1)
        said.append(f"the beats shift by {_size(change)} at about bar {bar}")
    return "; ".join(said)


def _size(change: Change) -> str:
    shift = abs(change.shift_beats)
    milliseconds = 1000.0 * beats_to_seconds(shift, change.to_bpm)
    return f"{shift:.1f} of a beat" if shift >= _LARGE_BEATS else f"{milliseconds:.0f} ms"


def drift_in_words(beats_s: FloatArray) -> str:
    """How far the tempo of beats, averaged over eight, wanders."""
    width = min(8, beats_s.size - 1)
    bpm = interval_to_bpm(1.0) * width / (beats_s[width:] - beats_s[:-width])
    low, high = (float(value) for value in np.percentile(bpm, [5, 95]))
    percent = ratio_to_percent(high / low)
    if percent > 8.0:
        return f"the tempo changes between {low:.0f} and {high:.0f} BPM"
    return f"the tempo drifts by {percent:.1f} %"


def _pieces(train: Train, fine: NDArray[np.float32]) -> list[Piece]:
    found = []
    for first, last in _straight_runs(train.beats_s):
        piece = _fitted(train, fine, first, last)
        if piece is not None:
            found.append(piece)
    return found


def _straight_runs(beats_s: FloatArray) -> list[tuple[int, int]]:
    """First and last beat of each stretch in which every 32 beats lie on a line within 3 ms."""
    if beats_s.size < _WINDOW_BEATS:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(beats_s, _WINDOW_BEATS)
    x = np.arange(_WINDOW_BEATS) - (_WINDOW_BEATS - 1) / 2.0
    level = windows - windows.mean(axis=1, keepdims=True)
    slopes = level @ x / (x @ x)
    straight = np.abs(level - slopes[:, None] * x).max(axis=1) <= _STRAIGHT_S
    edges = np.diff(np.concatenate([[0], straight.astype(int), [0]]))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [(int(a), int(b) + _WINDOW_BEATS - 2) for a, b in zip(starts, stops, strict=True)]


def _fitted(train: Train, fine: NDArray[np.float32], first: int, last: int) -> Piece | None:
    """The line of a stretch; None if its beats do not keep to it, or have the jitter of people."""
    beats, heard_s = np.arange(first, last + 1.0), train.heard_s[first : last + 1]
    rough_s = (train.beats_s[last] - train.beats_s[first]) / (last - first)
    cut = fine[round(train.beats_s[first] * FINE_RATE_HZ) : round(train.beats_s[last] * FINE_RATE_HZ)]
    fit = fit_line(cut, interval_to_bpm(rough_s))
    if fit is None or abs(fit.beat_s / rough_s - 1.0) > _SAME_TEMPO:
        return None
    length_s = float(train.beats_s[last] - train.beats_s[first])
    tempo_bpm = rounded_tempo(fit.tempo_bpm, error_relative=fit.tempo_error_relative, duration_s=length_s)
    beat_s = beats_to_seconds(1.0, tempo_bpm)
    start_s = _weighted_median(heard_s - beats * beat_s, train.weights[first : last + 1])
    piece = Piece(first, last, start_s, beat_s)
    weights = train.weights[first : last + 1]
    clear = weights >= 0.5 * np.median(weights)
    off = np.abs(train.beats_s[first : last + 1] - piece.at(beats))[clear]
    jitter_s = float(np.median(np.abs(heard_s - piece.at(beats))[clear]))
    machine = np.percentile(off, 90) <= _PIECE_MISFIT_S and jitter_s <= _JITTER_S
    return piece if machine else None


def _drawn_out(pieces: list[Piece], beats_s: FloatArray) -> list[Piece]:
    """The pieces with the beats between them that stay near their lines, as in a break without drums."""
    drawn: list[Piece] = []
    for index, piece in enumerate(pieces):
        floor = drawn[-1].last + 1 if drawn else 0
        ceiling = pieces[index + 1].first if index + 1 < len(pieces) else beats_s.size
        far = np.abs(beats_s - piece.at(np.arange(beats_s.size, dtype=np.float64))) > _NEAR_S
        before, after = (
            np.flatnonzero(far[floor : piece.first]),
            np.flatnonzero(far[piece.last + 1 : ceiling]),
        )
        first = floor + int(before[-1]) + 1 if before.size else min(floor, piece.first)
        last = piece.last + int(after[0]) if after.size else max(ceiling - 1, piece.last)
        drawn.append(Piece(first, last, piece.start_s, piece.beat_s))
    return drawn


def _joined(pieces: list[Piece]) -> list[Piece]:
    """The pieces; two that lie on one line are one."""
    joined: list[Piece] = []
    for piece in pieces:
        old = joined[-1] if joined else None
        if old is not None and _same_line(old, piece):
            long = max(old, piece, key=lambda p: p.last - p.first)
            joined[-1] = Piece(old.first, piece.last, long.start_s, long.beat_s)
        else:
            joined.append(piece)
    return joined


def _same_line(old: Piece, new: Piece) -> bool:
    return abs(old.beyond_s(new, new.last)) <= 2.0 * _PIECE_MISFIT_S


def _to_the_ends(pieces: list[Piece], count: int) -> list[Piece]:
    """The pieces, the first and the last one drawn out to the ends of the track if little is missing."""
    first = 0 if pieces[0].first <= _END_BEATS else pieces[0].first
    last = count - 1 if pieces[-1].last >= count - 1 - _END_BEATS else pieces[-1].last
    ends = list(pieces)
    ends[0] = Piece(first, ends[0].last, ends[0].start_s, ends[0].beat_s)
    ends[-1] = Piece(ends[-1].first, last, ends[-1].start_s, ends[-1].beat_s)
    return ends


def _change(
    old: Piece, new: Piece, train: Train, fine: NDArray[np.float32], beats_s: FloatArray
) -> Change | None:
    """What happens between two pieces, if much; the beats between them are written into `beats_s`."""
    tempos = interval_to_bpm(old.beat_s), interval_to_bpm(new.beat_s)
    if abs(new.beat_s / old.beat_s - 1.0) > _SAME_TEMPO:
        meet = (old.start_s - new.start_s) / (new.beat_s - old.beat_s)
        if not old.last - _MEET_BEATS <= meet <= new.first + _MEET_BEATS:
            return Change(old.last, new.first, *tempos)
        beat = round(meet)
        followed_s = beats_s.copy()
        _join(old, new, beat, beats_s)
        between = slice(old.last + 1, new.first)
        if _strength(followed_s[between], fine) > _RAMP * _strength(beats_s[between], fine):
            beats_s[:] = followed_s
            return Change(old.last, new.first, *tempos)
        return Change(beat, beat, *tempos)
    beat = _cut_at(old, new, train)
    shift = old.beyond_s(new, beat) / new.beat_s
    if abs(shift - round(shift)) < _CUT_BEATS:
        return None
    _join(old, new, beat, beats_s)
    return Change(beat, beat, *tempos, shift_beats=shift - round(shift))


def _join(old: Piece, new: Piece, beat: int, beats_s: FloatArray) -> None:
    """Up to a beat on the old line, from it on along the new one."""
    before, after = np.arange(min(old.last, beat), beat), np.arange(beat, max(new.first, beat) + 1)
    beats_s[before], beats_s[after] = old.at(before.astype(float)), new.at(after.astype(float))


def _strength(beats_s: FloatArray, fine: NDArray[np.float32]) -> float:
    """How strong the onsets within 9 ms of beats are, on average; 0 for no beats."""
    if beats_s.size == 0:
        return 0.0
    reach = round(_NEAR_ONSET_S * FINE_RATE_HZ)
    frames = np.round(beats_s * FINE_RATE_HZ).astype(int)[:, None] + np.arange(-reach, reach + 1)
    return float(fine[np.clip(frames, 0, fine.size - 1)].max(axis=1).mean())


def _cut_at(old: Piece, new: Piece, train: Train) -> int:
    """The beat from which on what is heard lies rather on the new line than on the old one."""
    beats = np.arange(max(old.last - _MEET_BEATS, 0), min(new.first + _MEET_BEATS + 1, train.beats_s.size))
    heard_s, weights = train.heard_s[beats], train.weights[beats]
    off_old, off_new = (
        weights * np.minimum(np.abs(heard_s - piece.at(beats.astype(float))), _CAP_S) for piece in (old, new)
    )
    total = np.concatenate([[0.0], np.cumsum(off_old)]) + np.concatenate(
        [np.cumsum(off_new[::-1])[::-1], [0.0]]
    )
    return int(beats[min(int(np.argmin(total)), beats.size - 1)])


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    share = np.cumsum(weights[order] + 1e-9)
    return float(values[order][int(np.searchsorted(share, 0.5 * share[-1]))])
