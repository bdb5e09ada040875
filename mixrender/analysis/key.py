"""A mono signal in, its most likely key with a rival, how sure that is, and the tuning out.

Three kinds of evidence are added up for each of the 24 keys. How well the tones of the whole track fit the
key; how well those of the first chord fit its tonic chord; how well those of the bars that begin four-bar
phrases do. The last two decide between relative keys, which share all their notes and, in loops of four
chords, their chords as well: music tends to begin its phrases at home.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from mixrender.analysis.chroma import FRAME_RATE_HZ, Tones, tones_of
from mixrender.analysis.key_change import find_key_change
from mixrender.analysis.onsets import RATE_HZ
from mixrender.facts import Doubt, Grid
from mixrender.keys import Key, Mode, relation
from mixrender.units import format_time

FloatArray = NDArray[np.float64]

_MODES: tuple[Mode, Mode] = ("major", "minor")
# "bgate" of Faraldo, "Tonality estimation in electronic dance music", PhD thesis, UPF 2017: means of the
# chroma of dance tracks in each key, from the tonic up, small values set to 0.
_DANCE = (
    (1.00, 0.00, 0.42, 0.00, 0.53, 0.37, 0.00, 0.77, 0.00, 0.38, 0.21, 0.30),
    (1.00, 0.00, 0.36, 0.39, 0.00, 0.38, 0.00, 0.74, 0.27, 0.00, 0.42, 0.23),
)
# Krumhansl and Kessler, "Tracing the dynamic changes in perceived tonal organization in a spatial
# representation of musical keys", Psychological Review 1982: how well each tone fits a key, as people judge.
_JUDGED = (
    (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
    (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
)
_TRIADS = ((1, 0, 0, 0, 1, 0, 0, 1, 0, 0, 0, 0), (1, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0))

_LEAST_SIGNAL = 1e-4
_LEAST_TONAL = 0.045
"""Tonal part of the most tonal tenth of the track, times the fit of the best key: drums alone stay below."""
_FIRST_CHORD_S = 2.0
_PHRASE_BARS = 4
_FEWEST_PHRASES = 2
_SHARPNESS = 6.0
"""Log odds of one unit of evidence."""
_DOUBTFUL = 0.7


@dataclass(frozen=True)
class KeyFound:
    """The best key and its rival (None: nothing tonal).

    `confidence` is how probably the key is right, 0 to 1; `tuning_cents` is None where nothing has a pitch.
    Where the music moves to another key, all that is said of the part before `change_s`; from there on it
    is in `later_key`.
    """

    key: Key | None
    rival: Key | None
    confidence: float
    tuning_cents: float | None
    change_s: float | None = None
    later_key: Key | None = None


def find_key(
    signal: NDArray[np.float32], *, grid: Grid | None = None, bars_confidence: float = 1.0
) -> KeyFound:
    """The key of a mono signal, shape (n,) at RATE_HZ; None for noise, drums alone and silence.

    With a `grid`, the chords that begin its phrases count too, as much as its bars are sure (0 to 1).
    """
    if signal.size < RATE_HZ or max(float(signal.max()), -float(signal.min())) <= _LEAST_SIGNAL:
        return KeyFound(None, None, 0.0, None)
    tones = tones_of(signal)
    if float(np.percentile(tones.tonal, 90)) * float(fits_of(tones.mean).max()) < _LEAST_TONAL:
        return KeyFound(None, None, 0.0, tones.tuning_cents)
    change = find_key_change(tones, fits_of)
    first = tones if change is None else tones.until(change.time_s)
    odds = scipy.special.softmax(_SHARPNESS * _evidence(first, grid, bars_confidence))
    best, second = (int(index) for index in np.argsort(-odds, axis=None, kind="stable")[:2])
    key = _key(best)
    return KeyFound(
        key,
        _key(second),
        float(odds.flat[best]),
        tones.tuning_cents,
        change_s=None if change is None else change.time_s,
        later_key=None if change is None else key.transposed(semitones=change.semitones),
    )


def key_doubts(found: KeyFound) -> tuple[Doubt, ...]:
    """The rival where the key is not sure beyond 0.7, and the move to another key if there is one."""
    doubts = []
    if found.key is not None and found.rival is not None and found.confidence < _DOUBTFUL:
        words = relation(found.key, found.rival)
        words = f"its {words}" if words in ("relative", "parallel") else words
        doubts.append(Doubt("key", f"the key may also be {found.rival}, {words}"))
    if found.later_key is not None and found.change_s is not None:
        # Its bar would be another one as soon as the user moves bar 1.
        doubts.append(Doubt("key", f"the key changes to {found.later_key} at {format_time(found.change_s)}"))
    return tuple(doubts)


def _evidence(tones: Tones, grid: Grid | None, bars_confidence: float) -> FloatArray:
    """What speaks for each key, shape (2, 12)."""
    evidence = fits_of(tones.mean) + tonic_fits_of(_first_chord(tones))
    if grid is None or grid.kind == "none":
        return evidence
    return evidence + bars_confidence * tonic_fits_of(_phrase_starts(tones, grid))


def _key(index: int) -> Key:
    mode, tonic = divmod(index, 12)
    return Key(tonic, _MODES[mode])


def fits_of(tones: FloatArray) -> FloatArray:
    """How well the mean of twelve tones, shape (12,), C first, fits each key: -1 to 1, shape (2, 12).

    Rows are major and minor, columns tonics from C up; the mean correlation with both profiles of a key.
    """
    return 0.5 * (_correlations(tones, _DANCE) + _correlations(tones, _JUDGED))


def tonic_fits_of(tones: FloatArray) -> FloatArray:
    """How well twelve tones, shape (12,), C first, fit the tonic chords: -1 to 1, shape (2, 12)."""
    return _correlations(tones, _TRIADS)


def _correlations(tones: FloatArray, profiles: tuple[tuple[float, ...], ...]) -> FloatArray:
    if float(tones.std()) < 1e-9:
        return np.zeros((2, 12))
    rotated = np.array([[np.roll(profile, tonic) for tonic in range(12)] for profile in profiles])
    centred = rotated - rotated.mean(axis=2, keepdims=True)
    level = tones - tones.mean()
    return np.asarray(centred @ level / (np.linalg.norm(centred, axis=2) * np.linalg.norm(level)))


def _first_chord(tones: Tones) -> FloatArray:
    """Mean tones of the first two seconds in which the harmony sounds, shape (12,)."""
    level = np.convolve(tones.frames.sum(axis=0), np.ones(11) / 11.0, "same")
    sounding = level > 0.02 * level.max()
    start = int(np.argmax(level > 0.25 * np.median(level[sounding]))) if sounding.any() else 0
    return np.asarray(tones.frames[:, start : start + round(_FIRST_CHORD_S * FRAME_RATE_HZ)].mean(axis=1))


def _phrase_starts(tones: Tones, grid: Grid) -> FloatArray:
    """Mean tones of every fourth bar from bar 1 on, shape (12,); each bar counts alike, however loud."""
    totals = tones.frames.sum(axis=0)
    levelled = tones.frames / (totals + 0.1 * totals.mean() + 1e-12)
    last_bar = int(grid.beat_to_bar(grid.beat_at(totals.size / FRAME_RATE_HZ)))
    bars = range(1, last_bar, _PHRASE_BARS)
    if len(bars) < _FEWEST_PHRASES:
        return np.zeros(12)
    spans = [(_frame(grid, bar, totals.size), _frame(grid, bar + 1, totals.size)) for bar in bars]
    starts = [levelled[:, start:stop].mean(axis=1) for start, stop in spans if stop > start]
    return np.asarray(np.mean(starts, axis=0)) if starts else np.zeros(12)


def _frame(grid: Grid, bar: int, frames: int) -> int:
    return min(max(round(grid.time_at(grid.bar_to_beat(bar)) * FRAME_RATE_HZ), 0), frames)
