"""The facts of a track and its truth in, what of the analysis is right out.

The truth is a dictionary: `beats` and `downbeats` (seconds), `tempo` (`bpm`, `kind`: `constant` or another,
`also_felt_as`: another right tempo or null) and, where they are known, `key` (a name, or an object with
`name` and `clear`) or `key_from_score`, `sections` (`start`, `end`, `drums`), `downbeats_confirmed`, and
`package`, where music by an outside producer was published.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import mir_eval.beat
import mir_eval.key
import mir_eval.segment
import numpy as np

from mixrender.facts import SURE, Confidence, TrackFacts
from mixrender.keys import parse_key

PLACED_S = 0.020
BARS_S = 0.050
TEMPO_RELATIVE = 5e-5
FACTOR_RELATIVE = 0.02
MOST = 0.9
"""So many of the beats or of the bar lines must lie within the bound."""

_ROUNDING_S = 0.010


@dataclasses.dataclass(frozen=True)
class Borders:
    """Inner section borders: how many there are, and how many have one of the other side within half a bar.

    `precision` and `recall` are those of `mir_eval.segment.detection` with a window of half a bar, each
    border matched once, the ends of the track left out.
    """

    true: int
    found: int
    true_met: int
    found_met: int
    precision: float
    recall: float


@dataclasses.dataclass(frozen=True)
class Score:
    """What one track scored; None where the truth says nothing.

    `steady` is the truth, `kind` what was found. `tempo`: right up to a factor 2; `factor`: as people count
    it. `placed` and `bars` are true to the tempo as counted. `drums`: from and until which bar they play.
    """

    name: str
    outside: bool
    steady: bool
    kind: str
    confidence: Confidence
    sure: bool
    tempo: bool
    factor: bool
    placed: bool
    offset_ms: float | None
    bars: bool | None
    key: float | None
    f_measure: float
    borders: Borders | None = None
    drums: tuple[bool, bool] | None = None

    @property
    def right(self) -> bool:
        """Whether a mix may rely on its beats."""
        return self.placed and self.factor

    @property
    def bar_1_sure(self) -> bool:
        """Whether the beats and the bar lines are shown as sure."""
        return self.sure and self.confidence.bar_1 >= SURE


def score(facts: TrackFacts, truth: dict[str, Any], *, name: str) -> Score:
    """Compare the facts of one track with its truth."""
    grid, beats, bpm = facts.grid, np.array(truth["beats"]), truth["tempo"]["bpm"]
    felt = [bpm, truth["tempo"].get("also_felt_as") or bpm]
    found, lines = beats_of(facts)
    octaves = float(np.log2(grid.tempo_bpm / bpm)) if grid.tempo_bpm is not None else 9.5
    factor = any(abs((grid.tempo_bpm or 0.0) / tempo - 1.0) < FACTOR_RELATIVE for tempo in felt)
    outside = "package" in truth
    bars = None
    if truth.get("downbeats_confirmed", not outside):
        bars = near(lines, np.array(truth["downbeats"]), within_s=BARS_S, octaves=octaves)
    has_form = bool(truth.get("sections")) and bars is True
    return Score(
        name=name,
        outside=outside,
        steady=truth["tempo"]["kind"] == "constant",
        kind=grid.kind,
        confidence=facts.confidence,
        sure=facts.sure,
        tempo=abs(2.0 ** (octaves - round(octaves)) - 1.0) <= TEMPO_RELATIVE,
        factor=factor,
        placed=near(found, beats, within_s=PLACED_S, octaves=octaves),
        offset_ms=offset_ms(found, beats),
        bars=bars,
        key=key_score(truth, facts.key, outside=outside),
        f_measure=f_measure(beats, found, octaves=octaves if factor else 0.0),
        borders=borders(facts, truth) if has_form else None,
        drums=drums(facts, truth) if has_form else None,
    )


def beats_of(facts: TrackFacts) -> tuple[np.ndarray, np.ndarray]:
    """The beats within the file and the bar lines around it, seconds; none where there is no grid."""
    grid = facts.grid
    if grid.kind == "none":
        return np.zeros(0), np.zeros(0)
    beats = grid.beats_within(facts.duration_s)
    first, last = beats.start // grid.beats_per_bar, beats.stop // grid.beats_per_bar + 1
    lines = [grid.time_at(bar * grid.beats_per_bar) for bar in range(first, last + 1)]
    return np.array([grid.time_at(beat) for beat in beats]), np.array(lines)


def near(found: np.ndarray, truth: np.ndarray, *, within_s: float, octaves: float) -> bool:
    """Whether most of the true times (of every second one at half tempo) have a found one near by."""
    readings = _as_counted(truth, octaves)
    return any(np.mean(np.abs(apart(found, times)) <= within_s) >= MOST for times in readings)


def _as_counted(truth: np.ndarray, octaves: float) -> list[np.ndarray]:
    """The true times; at half tempo every second one, from the first on or from the second."""
    every = 2 if round(octaves) == -1 else 1
    return [truth[k::every] for k in range(every)]


def apart(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """How much later than each true time the nearest found one is, seconds."""
    if found.size == 0:
        return np.full(truth.size, np.inf)
    return found[np.argmin(np.abs(found[:, None] - truth[None, :]), axis=0)] - truth


def offset_ms(found: np.ndarray, beats: np.ndarray) -> float | None:
    """Median lateness of the beats that were found at all, milliseconds."""
    late = apart(found, beats)
    late_near = late[np.abs(late) < 0.05]
    return float(1e3 * np.median(late_near)) if late_near.size else None


def f_measure(beats: np.ndarray, found: np.ndarray, *, octaves: float = 0.0) -> float:
    """Share of beats within 70 ms, found of true and true of found, 0 to 1 (Dixon 2007, as in mir_eval).

    `octaves` -1: beats are rightly counted at half the tempo.
    """
    if found.size == 0:
        return 0.0
    return max(float(mir_eval.beat.f_measure(times, found)) for times in _as_counted(beats, octaves))


def key_score(truth: dict[str, Any], key: str | None, *, outside: bool) -> float | None:
    """Score of the MIREX audio key detection task (fifths count both ways); None without a clear truth."""
    told = truth.get("key_from_score") if outside else truth.get("key")
    if isinstance(told, dict):
        told = told["name"] if told.get("clear", True) else None
    if told is None:
        return None
    if key is None:
        return 0.0
    one, other = str(parse_key(told)), str(parse_key(key))
    return float(max(mir_eval.key.weighted_score(one, other), mir_eval.key.weighted_score(other, one)))


def bar_s(truth: dict[str, Any]) -> float:
    """The usual length of a true bar, seconds."""
    return float(np.median(np.diff(truth["downbeats"])))


def borders(facts: TrackFacts, truth: dict[str, Any]) -> Borders:
    """How the borders between sections agree, within half a bar."""
    window_s = bar_s(truth) / 2.0
    true = _edges([s["start"] for s in truth["sections"]], truth["sections"][-1]["end"])
    last_s = facts.sections[-1].end_s if facts.sections else None
    found = _edges([s.start_s for s in facts.sections], last_s or facts.duration_s)
    precision, recall, _ = mir_eval.segment.detection(
        np.column_stack([true[:-1], true[1:]]),
        np.column_stack([found[:-1], found[1:]]),
        window=window_s,
        trim=True,
    )
    return Borders(
        true=true.size - 2,
        found=found.size - 2,
        true_met=int(np.sum(np.abs(apart(found[1:-1], true[1:-1])) <= window_s)),
        found_met=int(np.sum(np.abs(apart(true[1:-1], found[1:-1])) <= window_s)),
        precision=float(precision),
        recall=float(recall),
    )


def _edges(starts_s: list[float], end_s: float) -> np.ndarray:
    first_s = max(starts_s[0], 0.0) if starts_s else 0.0  # bar 1 may begin a little before the file
    return np.array([first_s, *starts_s[1:], end_s])


def drums(facts: TrackFacts, truth: dict[str, Any]) -> tuple[bool, bool]:
    """Whether the drums come in, and stop for good, within a bar of where they truly do."""
    played = [section for section in truth["sections"] if section["drums"]]
    true = (played[0]["start"], played[-1]["end"]) if played else (None, None)
    first, last = (
        _same_line(facts, bar, time_s, within_s=bar_s(truth) + _ROUNDING_S)
        for bar, time_s in zip((facts.drums_from_bar, facts.drums_until_bar), true, strict=True)
    )
    return first, last


def _same_line(facts: TrackFacts, bar: int | None, time_s: float | None, *, within_s: float) -> bool:
    if bar is None or time_s is None:
        return bar is None and time_s is None
    return abs(facts.grid.time_at(facts.grid.bar_to_beat(bar)) - time_s) <= within_s
