"""Onset curves in, candidate tempos with how well each fits out.

A tempo is found in two steps: the family (which tempos up to a factor 2 explain the music), then the octave
within it (which of them people count).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from mixrender.analysis.onsets import COARSE_RATE_HZ, OnsetCurves

FloatArray = NDArray[np.float64]

SLOWEST_BPM = 55.0
FASTEST_BPM = 220.0
_STEP = 0.002
"""Candidate tempos lie 0.2 % apart."""

_CENTRE_BPM = 126.0
_SPREAD_OCTAVES = 0.38
_USUAL_BPM = (78.0, 181.0)
_UNUSUAL_WEIGHT = 0.35
OCTAVE_WEIGHTS = {
    "usual": 1.6,
    "repetition": -10.0,
    "backbeat": 15.9,
    "alternation": -7.2,
    "half bars": -61.0,
}
"""Log-odds for one unit of each cue; fitted by `tests/benchmarks/fit_cues.py` to generated music.

A slower pulse repeats at least as well as its double, so that repetition speaks for the faster one."""

_TOP = 6
_METRES = (
    (1 / 4, 1 / 2, 1.0, 2.0, 4.0),
    (1 / 6, 1 / 3, 1.0, 2.0, 4.0),
)
"""Bars of four, bars of three: how often in a beat what repeats there should be heard."""

_RATIOS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75)


@dataclass(frozen=True)
class TempoChoice:
    """The chosen tempo, how probable its octave is (0 to 1), and its rival an octave away.

    `margin` is how clearly its family beats the next one (0 and more; 1 is clear), `strength` the share of
    the onset energy that repeats with the beat, 0 to 1: near 0 means that there is no beat.
    """

    tempo_bpm: float
    octave_probability: float
    rival_bpm: float | None
    margin: float
    strength: float


@dataclass(frozen=True)
class Rhythm:
    """What the tempo search reads: autocorrelations (lag in coarse frames, 1 at lag 0) and the spectrum."""

    total: FloatArray
    snare: FloatArray
    low: FloatArray
    spectrum: FloatArray
    spectrum_step_hz: float

    @classmethod
    def of(cls, curves: OnsetCurves) -> Rhythm:
        """Measure the curves of a whole track."""
        size = scipy.fft.next_fast_len(4 * curves.burst.size)
        bands = [_levelled(band) for band in curves.bands]
        total = np.sum([_autocorrelation(band) for band in bands], axis=0)
        total /= max(sum(bool(band.any()) for band in bands), 1)
        summed = np.abs(scipy.fft.rfft(np.sum(bands, axis=0), size))
        # A snare is a burst with a body, and not a kick; hats have no body.
        snare = np.sqrt(curves.burst * curves.bands[1]) / (1.0 + curves.bands[0])
        return cls(
            total=total,
            snare=_autocorrelation(_levelled(snare)),
            low=_autocorrelation(bands[0]),
            spectrum=summed,
            spectrum_step_hz=COARSE_RATE_HZ / size,
        )

    @staticmethod
    def autocorrelation_of(curve: NDArray[np.float32]) -> FloatArray:
        """Autocorrelation of one curve, 1 at lag 0, shape (n,)."""
        return _autocorrelation(_levelled(curve))


def prior(tempo_bpm: FloatArray) -> FloatArray:
    """How usual a tempo is in dance music, 0 to 1: log-normal about 126 BPM, less outside 78 to 181."""
    bell = np.exp(-0.5 * (np.log2(tempo_bpm / _CENTRE_BPM) / _SPREAD_OCTAVES) ** 2)
    usual = (tempo_bpm >= _USUAL_BPM[0]) & (tempo_bpm <= _USUAL_BPM[1])
    return np.asarray(bell * np.where(usual, 1.0, _UNUSUAL_WEIGHT))


def choose_tempo(rhythm: Rhythm) -> TempoChoice | None:
    """The tempo that fits best; None when nothing repeats."""
    tempi = SLOWEST_BPM * np.exp(np.arange(0.0, np.log(FASTEST_BPM / SLOWEST_BPM), _STEP))
    combs = comb(rhythm.total, tempi)
    if not np.any(combs > 0.0):
        return None
    candidates = _candidates(tempi, combs * (0.3 + 0.7 * prior(tempi)))
    refined = np.array([_refined(rhythm, tempo) for tempo in candidates])
    families = family_scores(rhythm, refined)
    best = int(np.argmax(families))
    others = [s for s, t in zip(families, refined, strict=True) if not _same_family(t, refined[best])]
    margin = float(families[best] - max(others)) if others else 3.0
    return _with_octave(rhythm, float(refined[best]), margin)


def comb(autocorrelation: FloatArray, tempi_bpm: FloatArray) -> FloatArray:
    """How well each tempo's beats repeat: at 1, 2, 4 and 8 beats, and not half-way between."""
    beat = 60.0 * COARSE_RATE_HZ / tempi_bpm
    yes = sum(_at(autocorrelation, n * beat) for n in (1, 2, 4, 8)) / 4.0
    no = sum(_at(autocorrelation, n * beat) for n in (1.5, 2.5)) / 2.0
    return np.asarray(yes - 0.5 * no)


def family_scores(rhythm: Rhythm, tempi_bpm: FloatArray) -> FloatArray:
    """How well each tempo's metre, from the bar to the quarter beat, is borne out; one unit is clear.

    A tempo in a ratio such as 3:2 to the true one shares some of its lines, but never all.
    """
    metre = np.max([_metre(rhythm, tempi_bpm, levels) for levels in _METRES], axis=0)
    return np.asarray(2.0 * comb(rhythm.total, tempi_bpm) + metre + 0.5 * np.log(prior(tempi_bpm) + 0.02))


def _metre(rhythm: Rhythm, tempi_bpm: FloatArray, levels: tuple[float, ...]) -> FloatArray:
    """How clear the lines of each tempo are in the spectrum, from two levels of bars to parts of a beat."""
    lines = np.stack([_line(rhythm, tempi_bpm / 60.0 * level) for level in levels])
    weights = np.array([0.5, 0.7, 1.0, 1.0, 0.6])
    return np.asarray(weights @ np.minimum(lines, 4.0) / weights.sum())


def backbeat(rhythm: Rhythm, tempo_bpm: float) -> float:
    """How clearly snares come on every second beat: -1 to 1; 0.3 and more is a snare on 2 and 4."""
    one, two, three, four = _at_beats(rhythm.snare, tempo_bpm)
    return (two + four - one - three) / 2.0


def alternation(rhythm: Rhythm, tempo_bpm: float) -> float:
    """How clearly kicks come on every second beat, 0 to 1: then the beat is rather twice as long."""
    one, two, _, _ = _at_beats(rhythm.low, tempo_bpm)
    return max(two - max(one, 0.0), 0.0)


def _with_octave(rhythm: Rhythm, tempo_bpm: float, margin: float) -> TempoChoice:
    octaves = np.array(
        [t for k in (-2, -1, 0, 1, 2) if SLOWEST_BPM <= (t := tempo_bpm * 2.0**k) <= FASTEST_BPM]
    )
    scores = np.array([octave_cues(rhythm, tempo) for tempo in octaves]) @ list(OCTAVE_WEIGHTS.values())
    odds = np.exp(scores - scores.max())
    odds /= odds.sum()
    order = np.argsort(-odds, kind="stable")
    beat = 60.0 * COARSE_RATE_HZ / octaves[order[0]]
    strength = float(np.mean([_at(rhythm.total, np.array([n * beat]))[0] for n in (1, 2, 4)]))
    return TempoChoice(
        tempo_bpm=float(octaves[order[0]]),
        octave_probability=float(odds[order[0]]),
        rival_bpm=float(octaves[order[1]]) if octaves.size > 1 else None,
        margin=margin,
        strength=strength,
    )


def half_bars(rhythm: Rhythm, tempo_bpm: float) -> float:
    """How clearly the music repeats every 1.5 beats, 0 to 1: bars of three, counted at half their tempo."""
    beats = 60.0 * COARSE_RATE_HZ / tempo_bpm * np.array([1.0, 1.5, 2.0, 3.0, 4.0])
    one, half, two, three, four = (float(value) for value in _at(rhythm.total, beats))
    return max(min(half, three) - max(one, two, four), 0.0)


def octave_cues(rhythm: Rhythm, tempo_bpm: float) -> FloatArray:
    """What speaks for a tempo among its doubles and halves, shape (5,), in the order of `OCTAVE_WEIGHTS`."""
    tempo = np.array([tempo_bpm])
    usual = float(np.log(prior(tempo) + 0.02)[0])
    repetition = float(comb(rhythm.total, tempo)[0])
    drums = backbeat(rhythm, tempo_bpm), alternation(rhythm, tempo_bpm)
    return np.array([usual, repetition, *drums, half_bars(rhythm, tempo_bpm)])


def _candidates(tempi: FloatArray, scores: FloatArray) -> FloatArray:
    """The best peaks and the tempos in simple ratios to them, no two within 2 %."""
    order = np.argsort(-scores, kind="stable")
    chosen: list[float] = []
    for tempo in tempi[order]:
        if all(abs(np.log(tempo / other)) > 0.04 for other in chosen):
            chosen.append(float(tempo))
        if len(chosen) == _TOP:
            break
    kept: list[float] = []
    for tempo in (t * ratio for t in chosen for ratio in _RATIOS):
        new = all(abs(np.log(tempo / other)) > 0.01 for other in kept)
        if new and SLOWEST_BPM <= tempo <= FASTEST_BPM:
            kept.append(tempo)
    return np.array(kept)


def _refined(rhythm: Rhythm, tempo_bpm: float) -> float:
    """The tempo within 1.2 % at which the whole track's spectrum has its strongest beat and subdivisions."""
    span_hz = 0.012 * tempo_bpm / 60.0
    steps = np.arange(-span_hz, span_hz, rhythm.spectrum_step_hz / 4.0)
    frequencies = tempo_bpm / 60.0 + steps
    places = frequencies / rhythm.spectrum_step_hz
    power = np.sum([_at(rhythm.spectrum, k * places) for k in (1, 2, 4)], axis=0)
    nearness = 1.0 - 0.3 * (steps / span_hz) ** 2
    return float(60.0 * frequencies[int(np.argmax(power * nearness))])


def _line(rhythm: Rhythm, frequencies_hz: FloatArray) -> FloatArray:
    """Natural logarithm of how far the spectrum rises above its surroundings at each frequency."""
    position = frequencies_hz / rhythm.spectrum_step_hz
    values = []
    for place in position:
        near, far = 3, max(int(0.12 * place), 40)
        low, high = max(int(place) - far, 1), min(int(place) + far, rhythm.spectrum.size)
        peak = rhythm.spectrum[max(int(place) - near, 1) : int(place) + near + 2].max(initial=1e-12)
        values.append(np.log(peak / (np.median(rhythm.spectrum[low:high]) + 1e-12) + 1e-6))
    return np.asarray(np.maximum(values, 0.0))


def _same_family(a_bpm: float, b_bpm: float) -> bool:
    octaves = float(np.log2(a_bpm / b_bpm))
    return abs(octaves - round(octaves)) < 0.02


def _at_beats(curve: FloatArray, tempo_bpm: float) -> tuple[float, float, float, float]:
    """The autocorrelation at one, two, three and four beats."""
    beat = 60.0 * COARSE_RATE_HZ / tempo_bpm
    one, two, three, four = (float(value) for value in _at(curve, beat * np.arange(1.0, 5.0)))
    return one, two, three, four


def _at(curve: FloatArray, positions: FloatArray) -> FloatArray:
    return np.asarray(np.interp(positions, np.arange(curve.size), curve, right=0.0))


def _levelled(curve: NDArray[np.float32]) -> FloatArray:
    """The curve less its moving mean over two seconds, so that loud parts do not look like a slow beat."""
    width = round(2.0 * COARSE_RATE_HZ) | 1
    padded = np.pad(curve.astype(np.float64), width // 2, mode="reflect" if curve.size > width else "edge")
    sums = np.cumsum(np.concatenate([[0.0], padded]))
    return np.asarray(curve - (sums[width:] - sums[:-width]) / width)


def _autocorrelation(curve: FloatArray) -> FloatArray:
    """Autocorrelation with 1 at lag 0, shape (n,), each lag divided by the number of frames that met."""
    size = scipy.fft.next_fast_len(2 * curve.size)
    power = np.abs(scipy.fft.rfft(curve, size)) ** 2
    raw = scipy.fft.irfft(power, size)[: curve.size]
    met = np.maximum(curve.size - np.arange(curve.size), curve.size / 4)
    scaled = raw / met
    return np.asarray(scaled / scaled[0]) if scaled[0] > 0.0 else np.zeros(curve.size)
