"""A mono signal in, its grid of beats with bar 1, how sure it is and what may be wrong with it out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixrender.analysis.bar_shift import BarShift, bar_shift
from mixrender.analysis.bars import BarStart, bar_start
from mixrender.analysis.drift import steady_share
from mixrender.analysis.follow import cuts_s, follow
from mixrender.analysis.grid import LineFit, anchored, attack_offset_s, fit_line, rounded_tempo
from mixrender.analysis.metre import (
    Metre,
    dotted_beat,
    find_metre,
    has_thirds,
    onsets_within_beats,
    strongest_third,
)
from mixrender.analysis.onsets import RATE_HZ, OnsetCurves, fine_curve, onset_curves
from mixrender.analysis.slots import PER_BEAT, Slots, slots_of
from mixrender.analysis.tempo import Rhythm, TempoChoice, choose_tempo
from mixrender.analysis.tempo_changes import Course, changes_in_words, course_of, drift_in_words
from mixrender.analysis.tempo_path import away_share, tempo_path
from mixrender.facts import SURE, Confidence, Doubt, Grid
from mixrender.plan.places import Shift
from mixrender.units import beats_to_seconds, interval_to_bpm

FloatArray = NDArray[np.float64]

SHORTEST_S = 4.0
_LEAST_STRENGTH = 0.15
_STEADY_SHARE = 0.8
_STEADY_MISFIT_S = 0.008
_AWAY_SHARE = 0.1
_CLEAR_MARGIN = 1.0
_ANY_BAR = 4
_DOTTED = Metre(2, 0.7)
"""Two dotted beats to a bar: whether the bar is as short as that, the music does not tell."""

_SHIFTED = 0.5
"""Where bars lie elsewhere from some bar on, one count is right for a part of the track at best."""

_EARLY_S = 0.005
"""Bar 1 may lie this much before the first sound: a grid is not more exact than that."""


@dataclass(frozen=True)
class Beats:
    """The grid, how sure each part of it is, the doubts, what sounds from bar 1 on (None: no grid)."""

    grid: Grid
    confidence: Confidence
    doubts: tuple[Doubt, ...]
    slots: Slots | None


@dataclass(frozen=True)
class _Pulse:
    """A train of beats: `time_of` gives the seconds of beats counted from the first in the file."""

    time_of: Callable[[FloatArray], FloatArray]
    count: int
    steadiness: float
    tempo_bpm: float | None
    course: Course | None = None
    metre: Metre | None = None


def find_beats(
    signal: NDArray[np.float32], *, first_sound_s: float, beats_per_bar: int | None = None
) -> Beats:
    """The beats of a mono signal, shape (n,) at RATE_HZ; a grid of kind `none` where there are none.

    `beats_per_bar` None: as the music says: 4, 3, or 2 dotted ones (6/8).
    """
    duration_s = signal.size / RATE_HZ
    if duration_s < SHORTEST_S:
        return _no_beats(f"too short to find a beat in ({duration_s:.1f} s)", beats_per_bar)
    curves = onset_curves(signal)
    choice = choose_tempo(Rhythm.of(curves)) if curves.total.any() else None
    if choice is None or choice.strength < _LEAST_STRENGTH:
        return _no_beats("no steady beat found", beats_per_bar)
    fine = fine_curve(signal)
    pulse = _steady_pulse(curves, fine, choice, duration_s) or _drifting_pulse(signal, curves, fine, choice)
    if pulse is None:
        return _no_beats("no steady beat found", beats_per_bar)
    return _with_bars(signal, curves, choice, pulse, first_sound_s=first_sound_s, beats_per_bar=beats_per_bar)


def _no_beats(why: str, beats_per_bar: int | None) -> Beats:
    return Beats(
        Grid(kind="none", beats_per_bar=beats_per_bar or 4), Confidence(), (Doubt("beats", why),), None
    )


def _steady_pulse(
    curves: OnsetCurves, fine: NDArray[np.float32], choice: TempoChoice, duration_s: float
) -> _Pulse | None:
    """The straight line through the whole track; None when the track does not keep to one."""
    fit = fit_line(fine, choice.tempo_bpm)
    if fit is None or fit.misfit_s() > _STEADY_MISFIT_S:
        return None
    share = steady_share(curves.total, fit.tempo_bpm)
    if share < _STEADY_SHARE or cuts_s(curves.total, fit.tempo_bpm).size:
        return None
    path_bpm = tempo_path(curves.total, fit.tempo_bpm)
    if away_share(path_bpm, fit.tempo_bpm, total=curves.total) > _AWAY_SHARE:
        return None
    tempo_bpm = rounded_tempo(fit.tempo_bpm, error_relative=fit.tempo_error_relative, duration_s=duration_s)
    origin_s = _turned_about_the_middle(fit, tempo_bpm, duration_s)
    beat_s = beats_to_seconds(1.0, tempo_bpm)
    first_s = origin_s - beat_s * np.floor(origin_s / beat_s)
    within = onsets_within_beats(fine, first_s=first_s, beat_s=beat_s)
    if not has_thirds(within):
        return _line(first_s, tempo_bpm, share, duration_s=duration_s)
    dotted = dotted_beat(within)
    if dotted is not None:
        first_s, beat_s, tempo_bpm = first_s + dotted * beat_s, 2.0 * beat_s, tempo_bpm / 2.0
    first_s += strongest_third(onsets_within_beats(fine, first_s=first_s, beat_s=beat_s)) * beat_s / 3.0
    return _line(first_s % beat_s, tempo_bpm, share, duration_s=duration_s, metre=_DOTTED)


def _line(
    first_s: float, tempo_bpm: float, share: float, *, duration_s: float, metre: Metre | None = None
) -> _Pulse:
    beat_s = beats_to_seconds(1.0, tempo_bpm)
    count = int((duration_s - first_s) / beat_s)
    return _Pulse(lambda beats: first_s + beats * beat_s, count, share, tempo_bpm, metre=metre)


def _turned_about_the_middle(fit: LineFit, tempo_bpm: float, duration_s: float) -> float:
    """Time of a beat near the middle of the track, where a fitted line is surest."""
    beat = round((duration_s / 2.0 - anchored(fit)) / fit.beat_s)
    return anchored(fit) + beat * fit.beat_s


def _drifting_pulse(
    signal: NDArray[np.float32], curves: OnsetCurves, fine: NDArray[np.float32], choice: TempoChoice
) -> _Pulse | None:
    """Beats one by one; where the music after a cut says that they lie between beats, they are moved."""
    train = follow(curves.total, fine, tempo_path(curves.total, choice.tempo_bpm))
    if train is None:
        return None
    course = course_of(train, fine)
    pulse = _along(course)
    slots = slots_of(signal, curves, lambda s: pulse.time_of(s / PER_BEAT), pulse.count * PER_BEAT)
    # Any number of beats does as a bar here: all that is asked for is a fraction of a beat.
    shift = bar_shift(slots, beats_per_bar=_ANY_BAR)
    if shift is None or shift.whole_beats:
        return pulse
    return _along(course.moved(_ANY_BAR * (shift.bar - 1), by_beats=shift.sixteenths / PER_BEAT))


def _along(course: Course) -> _Pulse:
    beats_s = course.beats_s
    index = np.arange(beats_s.size)
    before, after = beats_s[1] - beats_s[0], beats_s[-1] - beats_s[-2]

    def time_of(beats: FloatArray) -> FloatArray:
        inside = np.interp(beats, index, beats_s)
        early, late = np.minimum(beats, 0.0) * before, np.maximum(beats - index[-1], 0.0) * after
        return np.asarray(inside + early + late)

    return _Pulse(time_of, beats_s.size, 0.0, None, course)


def _with_bars(
    signal: NDArray[np.float32],
    curves: OnsetCurves,
    choice: TempoChoice,
    pulse: _Pulse,
    *,
    first_sound_s: float,
    beats_per_bar: int | None,
) -> Beats:
    """Choose the bar line among the sixteenths, draw the beats to their attacks, count bars from bar 1."""
    count = max((pulse.count - 1) * PER_BEAT, 1)
    slots = slots_of(signal, curves, lambda s: pulse.time_of(s / PER_BEAT), count)
    first_slot = int(np.searchsorted(slots.times_s, first_sound_s - 0.03))
    metre = Metre(beats_per_bar, 1.0) if beats_per_bar else pulse.metre or find_metre(slots)
    beats_per_bar = metre.beats_per_bar
    start = bar_start(slots, beats_per_bar=beats_per_bar, first_slot=first_slot)
    beats = start.slot / PER_BEAT + np.arange(-beats_per_bar, pulse.count + 1, dtype=np.float64)
    beats_s = pulse.time_of(beats)
    beats_s = beats_s + attack_offset_s(signal, beats_s)
    bar_lines_s = beats_s[::beats_per_bar]
    bar_1 = int(np.searchsorted(bar_lines_s, first_sound_s - _EARLY_S)) * beats_per_bar
    if bar_1 >= beats_s.size - 1:
        return _no_beats("too little sound to find a beat in", beats_per_bar)
    grid = _grid(pulse, beats_s, bar_1, beats_per_bar)
    steadiness = 1.0 if pulse.tempo_bpm is not None else 0.5
    tempo = steadiness * min(choice.octave_probability, choice.margin / _CLEAR_MARGIN, 1.0)
    from_bar_1 = _slots_from_bar_1(signal, curves, grid)
    shift = bar_shift(from_bar_1, beats_per_bar=beats_per_bar)
    most = _SHIFTED if shift is not None else 1.0
    placed = min(steadiness * start.pulse_probability, 1.0 if shift and shift.whole_beats else most)
    bar_sure = min(steadiness * start.probability * metre.probability, most)
    confidence = Confidence(tempo=round(tempo, 4), beats=round(placed, 4), bar_1=round(bar_sure, 4))
    return Beats(grid, confidence, _doubts(choice, pulse, start, metre, shift, grid), from_bar_1)


def _grid(pulse: _Pulse, beats_s: FloatArray, bar_1: int, beats_per_bar: int) -> Grid:
    if pulse.tempo_bpm is not None:
        return Grid("steady", pulse.tempo_bpm, float(beats_s[bar_1]), beats_per_bar)
    inside = np.flatnonzero(beats_s >= 0.0)
    kept = beats_s[inside]
    return Grid(
        kind="drifting",
        tempo_bpm=interval_to_bpm(float(np.median(np.diff(kept)))),
        bar_1_s=float(beats_s[bar_1]),
        beats_per_bar=beats_per_bar,
        beats_s=tuple(float(t) for t in kept),
        first_beat=int(inside[0]) - bar_1,
    )


def _slots_from_bar_1(signal: NDArray[np.float32], curves: OnsetCurves, grid: Grid) -> Slots:
    last_beat = grid.beat_at(signal.size / RATE_HZ)
    count = max(int(last_beat * PER_BEAT), 1)
    return slots_of(signal, curves, lambda s: np.array([grid.time_at(x / PER_BEAT) for x in s]), count)


def _doubts(
    choice: TempoChoice, pulse: _Pulse, start: BarStart, metre: Metre, shift: BarShift | None, grid: Grid
) -> tuple[Doubt, ...]:
    found = _tempo_doubts(choice, grid)
    if pulse.course is not None:
        found.append(Doubt("tempo", _course_in_words(pulse.course, pulse, grid)))
    if metre.probability < SURE:
        other = 4 if metre.beats_per_bar < 4 else 3
        counted = "in 6/8, two dotted beats to a bar: " if metre.beats_per_bar == 2 else ""
        found.append(Doubt("bar 1", f"{counted}bars may have {other} beats", f"--beats-per-bar {other}"))
    found += _bar_doubts(start)
    if shift is not None:
        found.append(Doubt("bar 1" if shift.whole_beats else "beats", shift.words))
    return tuple(found)


def _tempo_doubts(choice: TempoChoice, grid: Grid) -> list[Doubt]:
    found = []
    if choice.octave_probability < SURE and choice.rival_bpm is not None and grid.tempo_bpm is not None:
        # Beats with thirds may have been halved since the choice: the alternative is what the grid is not.
        chosen = abs(np.log2(grid.tempo_bpm / choice.tempo_bpm)) < 0.5
        rival_bpm = choice.rival_bpm if chosen else choice.tempo_bpm
        slow, fast = sorted((grid.tempo_bpm, rival_bpm))
        cure = "--double" if rival_bpm > grid.tempo_bpm else "--half"
        found.append(Doubt("tempo", f"{slow:.0f} or {fast:.0f} BPM?", cure))
    if choice.margin < _CLEAR_MARGIN:
        found.append(Doubt("tempo", "the tempo is doubtful"))
    return found


def _bar_doubts(start: BarStart) -> list[Doubt]:
    """The doubt about where beats and bars lie, and the shift that leads to the second best place."""
    if start.probability >= SURE:
        return []
    late, rest = start.rival_slots < 0, start.rival_slots % PER_BEAT
    cure = f"--shift '{Shift(beats=start.rival_slots / PER_BEAT)}'"
    if start.pulse_probability < SURE and rest:
        part = "half a beat" if rest == PER_BEAT // 2 else "a quarter beat"
        return [Doubt("beats", f"beats may be {part} {'late' if late else 'early'}", cure)]
    if rest:
        return [Doubt("bar 1", "bar 1 is doubtful", cure)]
    beats = abs(start.rival_slots) // PER_BEAT
    return [Doubt("bar 1", f"bar 1 may be {beats} {'beat' if beats == 1 else 'beats'} off", cure)]


def _course_in_words(course: Course, pulse: _Pulse, grid: Grid) -> str:
    if not course.changes:
        return drift_in_words(course.beats_s)

    def bar_of(beat: float) -> float:
        return grid.beat_to_bar(grid.beat_at(float(pulse.time_of(np.array([beat]))[0])))

    return changes_in_words(course.changes, bar_of)
