"""Sound goes in, block by block; its loudness and peaks by BS.1770-5 and EBU Tech 3341 and 3342 come out.

Momentary and short-term loudness slide in steps of 5 ms, so that no burst falls between two readings; the
gating blocks of the integrated loudness are the standard's own (0.4 s, one every 0.1 s).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from mixrender.facts import Loudness
from mixrender.loudness.blocks import as_block, as_whole_sound
from mixrender.loudness.peaks import Peak, SamplePeaks, TruePeaks
from mixrender.loudness.power import STEPS_PER_S, PowerSeries, PowerSteps, step_edge
from mixrender.units import FloatArray, gain_to_db

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENTILES = (10, 95)
MOMENTARY_STEPS = 80
SHORT_TERM_STEPS = 600
HOP_STEPS = STEPS_PER_S // 10
"""One gating block, and one value of a series, every 0.1 s."""

TAIL_STEPS = 300
"""Silence of 1.5 s is taken to follow the sound when its range is measured (Tech 3342).

So the last windows have their middle at the end, and the end counts for as much as the rest: a track played
twice changes its range by 0.10 LU on average (49 tracks), without this silence by 0.13.
"""

_OFFSET_LUFS = -0.691  # BS.1770-5, Annex 1, equation 2
_PIECE_STEPS = 1_000 * HOP_STEPS
_ROUNDING = 1e-4  # of a hop: times in seconds may miss a block by their rounding


class Meter:
    """Measures a stream of sound; memory grows by 8 bytes per 5 ms, whatever the number of channels.

    Channels are those of `power.CHANNEL_WEIGHTS`. One channel alone reads 3 LU lower than two equal ones.
    `peak_edges` are frames, rising, at which the sound is parted for `part_peaks` and `part_sample_peaks`.
    """

    def __init__(self, *, sample_rate_hz: int, channels: int = 2, peak_edges: Sequence[int] = ()):
        self._sample_rate_hz = sample_rate_hz
        self._channels = channels
        self._power = PowerSteps(sample_rate_hz=sample_rate_hz, channels=channels)
        self._peaks = TruePeaks(sample_rate_hz=sample_rate_hz, channels=channels, edges=peak_edges)
        self._sample_peaks = SamplePeaks(edges=peak_edges) if peak_edges else None

    def push(self, block: NDArray[np.floating]) -> None:
        """Take a block of shape (n, channels), float32 or float64, nominal range [-1, 1].

        Raises ValueError if the shape or the kind of numbers differs, or a sample is not a finite number.
        """
        block = as_block(block, channels=self._channels)
        if len(block):
            self._power.push(block)
            self._peaks.push(block)
            if self._sample_peaks is not None:
                self._sample_peaks.push(block)

    def power(self) -> PowerSeries:
        """The power of what was pushed so far, of which `integrated_between` measures any part."""
        return self._power.series()

    def part_peaks(self) -> tuple[Peak, ...]:
        """The greatest true peak of each part of what was pushed so far: one more than there are edges."""
        return self._peaks.result()

    def part_sample_peaks(self) -> tuple[float, ...]:
        """The greatest magnitude of a sample in each of the same parts."""
        return self._sample_peaks.result() if self._sample_peaks else (self._power.sample_peak,)

    def result(self) -> Loudness:
        """All measures of what was pushed so far, None where one is not measurable.

        The time of a window is its middle, the time of the true peak that of the sample at or before it; the
        channel of the true peak counts from 0, the first where several are equal.
        """
        rate_hz = self._sample_rate_hz
        energies = self._power.energies()
        momentary = _loudest(energies, MOMENTARY_STEPS, rate_hz)
        short_term = _loudest(energies, SHORT_TERM_STEPS, rate_hz)
        quiet_lufs, loud_lufs = _range_edges(energies, rate_hz)
        peak, peak_frame, peak_channel = max(self._peaks.result(), key=lambda part: part.level)
        sounding = self._power.sample_peak > 0.0
        return Loudness(
            duration_s=self._power.frames / rate_hz,
            integrated_lufs=_integrated(energies, rate_hz),
            loudness_range_lu=None if loud_lufs is None or quiet_lufs is None else loud_lufs - quiet_lufs,
            max_momentary_lufs=momentary[0],
            max_momentary_s=momentary[1],
            max_short_term_lufs=short_term[0],
            max_short_term_s=short_term[1],
            true_peak_dbtp=gain_to_db(max(peak, self._power.sample_peak)) if sounding else None,
            true_peak_s=peak_frame / rate_hz if sounding else None,
            sample_peak_dbfs=gain_to_db(self._power.sample_peak) if sounding else None,
            loud_lufs=loud_lufs,
            true_peak_channel=peak_channel if sounding else None,
            channels=self._channels if sounding else None,
        )


def measure(x: NDArray[np.floating], *, sample_rate_hz: int) -> Loudness:
    """All measures of a whole piece of sound, shape (n, channels) or, for one channel, (n,)."""
    x = as_whole_sound(x)
    meter = Meter(sample_rate_hz=sample_rate_hz, channels=x.shape[1])
    meter.push(x)
    return meter.result()


def integrated(x: NDArray[np.floating], *, sample_rate_hz: int) -> float | None:
    """Integrated loudness in LUFS of a piece of sound, shape (n, channels) or (n,); None: not measurable.

    It costs a tenth of `measure`, which looks for true peaks too.
    """
    x = as_whole_sound(x)
    power = PowerSteps(sample_rate_hz=sample_rate_hz, channels=x.shape[1])
    power.push(x)
    return _integrated(power.energies(), sample_rate_hz)


def integrated_between(power: PowerSeries, *, start_s: float, end_s: float) -> float | None:
    """Integrated loudness in LUFS of a part of a sound, gated by itself; None: not measurable.

    The gating blocks begin with the part; one that begins or ends within a step of 5 ms has its share of it.
    It is what the meter says of the part alone, but for the first moments of the weighting filter, which here
    has heard what came before.
    """
    first, last = (min(max(edge_s * STEPS_PER_S, 0.0), len(power.energies)) for edge_s in (start_s, end_s))
    count = int((last - first - MOMENTARY_STEPS) / HOP_STEPS + 1.0 + _ROUNDING)
    if count < 1:
        return None
    whole = power.energies[int(first) : math.ceil(last)]
    so_far = np.concatenate(([0.0], np.cumsum(whole)))
    starts = first - int(first) + HOP_STEPS * np.arange(count)
    ends = np.minimum(starts + MOMENTARY_STEPS, len(whole))
    at = np.arange(len(so_far))
    energies = np.interp(ends, at, so_far) - np.interp(starts, at, so_far)
    return _gated(energies / (MOMENTARY_STEPS * power.sample_rate_hz / STEPS_PER_S))


def integrated_together(parts: Sequence[PowerSeries]) -> float | None:
    """Integrated loudness in LUFS of several sounds as one programme; None: not measurable.

    The gating blocks of all are gated together, so that it is the meter's reading of the sounds one after
    another, in any order, but for the blocks that would lie across their borders.
    """
    blocks = [
        window_powers(part.energies, MOMENTARY_STEPS, part.sample_rate_hz, hop=HOP_STEPS) for part in parts
    ]
    return _gated(np.concatenate(blocks)) if blocks else None


def range_edges_together(parts: Sequence[PowerSeries]) -> tuple[float | None, float | None]:
    """10th and 95th percentiles in LUFS of the short-term loudness of several sounds, gated together."""
    return _edges([_short_terms(part.energies, part.sample_rate_hz) for part in parts])


def level_lufs(powers: FloatArray) -> FloatArray:
    """Loudness in LUFS of K-weighted mean powers above 0, without a gate (BS.1770-5, Annex 1, eq. 2)."""
    return _OFFSET_LUFS + 10.0 * np.log10(powers)


def _sliding_sums(values: FloatArray, width: int) -> FloatArray:
    """Sums of each `width` neighbours. Sums of powers of two are added: nothing cancels, nothing drifts."""
    total = np.zeros(max(len(values) - width + 1, 0))
    doubled, span, offset = values, 1, 0
    while span <= width:
        if width & span:
            total += doubled[offset : offset + len(total)]
            offset += span
        doubled = doubled[:-span] + doubled[span:]
        span *= 2
    return total


def window_powers(energies: FloatArray, width: int, rate_hz: int, *, hop: int = 1) -> FloatArray:
    """Mean power in each complete window of `width` steps of 5 ms, one window every `hop` steps."""
    return np.concatenate([np.zeros(0), *_window_pieces(energies, width, rate_hz, hop=hop)])


def _window_pieces(energies: FloatArray, width: int, rate_hz: int, *, hop: int) -> Iterator[FloatArray]:
    """The same, piece by piece: what is needed on the way does not grow with the length of the sound."""
    for begin in range(0, len(energies) - width + 1, _PIECE_STEPS):
        sums = _sliding_sums(energies[begin : begin + _PIECE_STEPS + width - 1], width)[::hop]
        first = begin + np.arange(0, len(sums) * hop, hop)
        frames = step_edge(first + width, sample_rate_hz=rate_hz) - step_edge(first, sample_rate_hz=rate_hz)
        yield sums / frames


def _power_of(loudness_lufs: float) -> float:
    return float(10.0 ** ((loudness_lufs - _OFFSET_LUFS) / 10.0))


def _loudest(energies: FloatArray, width: int, rate_hz: int) -> tuple[float | None, float | None]:
    """The greatest loudness of a sliding window, and the time of its middle; None if there is no sound."""
    greatest, loudest = 0.0, 0
    for number, powers in enumerate(_window_pieces(energies, width, rate_hz, hop=1)):
        if powers.max() > greatest:
            greatest, loudest = float(powers.max()), number * _PIECE_STEPS + int(np.argmax(powers))
    if greatest <= 0.0:
        return None, None
    return float(level_lufs(np.array([greatest]))[0]), (loudest + width / 2) / STEPS_PER_S


def _integrated(energies: FloatArray, rate_hz: int) -> float | None:
    """Gated loudness, BS.1770-5, Annex 1, equations 5 to 7: blocks over -70 LUFS, then over mean - 10 LU."""
    return _gated(window_powers(energies, MOMENTARY_STEPS, rate_hz, hop=HOP_STEPS))


def _gated(blocks: FloatArray) -> float | None:
    """The loudness of gating blocks, given their mean powers; None if none is above the absolute gate."""
    blocks = blocks[blocks > _power_of(ABSOLUTE_GATE_LUFS)]
    if not len(blocks):
        return None
    blocks = blocks[blocks > blocks.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
    return float(level_lufs(np.array([blocks.mean()]))[0])


def _range_edges(energies: FloatArray, rate_hz: int) -> tuple[float | None, float | None]:
    """10th and 95th percentiles of the gated short-term loudness at 10 Hz, as Tech 3342 takes them."""
    return _edges([_short_terms(energies, rate_hz)])


def _short_terms(energies: FloatArray, rate_hz: int) -> FloatArray:
    """Mean powers of the windows of 3 s that count for the loudness range; none of what is shorter."""
    if len(energies) < SHORT_TERM_STEPS:
        return np.zeros(0)
    followed = np.concatenate((energies, np.zeros(TAIL_STEPS)))
    return window_powers(followed, SHORT_TERM_STEPS, rate_hz, hop=HOP_STEPS)


def _edges(short_terms: Sequence[FloatArray]) -> tuple[float | None, float | None]:
    powers = np.concatenate([np.zeros(0), *short_terms])
    powers = powers[powers >= _power_of(ABSOLUTE_GATE_LUFS)]
    if not len(powers):
        return None, None
    powers = np.sort(powers[powers >= powers.mean() * 10.0 ** (RANGE_GATE_LU / 10.0)])
    low, high = (int((len(powers) - 1) * p / 100 + 0.5) for p in RANGE_PERCENTILES)
    quiet_lufs, loud_lufs = level_lufs(powers[[low, high]])
    return float(quiet_lufs), float(loud_lufs)
