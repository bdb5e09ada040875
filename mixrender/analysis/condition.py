"""Sound goes in, block by block, and its mono sum comes out; at the end the state it is in (Condition).

Everything is counted sample by sample in the order of time, so that no figure depends on how the sound is
cut into blocks.
"""

from __future__ import annotations

import math
from typing import Literal

import numba
import numpy as np
from numpy.typing import NDArray

from mixrender.facts import Condition
from mixrender.units import FloatArray, db_to_gain, gain_to_db

SOUND_DBFS = -60.0
"""What counts as sound; common practice, no source."""

FULL_SCALE = 0.999
"""A sample of this magnitude counts as full scale: 0.01 dB, so that dither hides no clipping."""

LEAST_RUN = 3
"""Equal samples in a row that make a flat top.

Meters that count overs in masters for CD take three or four at full scale (from memory; the number could be
set on the hardware meters that made it a custom).
"""

LEAST_CEILING = 0.25
"""Flat tops below full scale count only at the file's own maximum, and above -12 dBFS: below that, a few
equal samples are the steps of the numbers rather than a clipped wave. Common practice, no source."""

MOST_LOSS_DB = 100.0
"""Given for channels that cancel each other altogether, where the logarithm has no end."""

_USUAL_BITS = 16
_STEPS = 2.0  # equal within two steps of the numbers: dither and rounding move a clipped sample by one or so
_KINK = 4.0

# Places in the state of one channel's flat tops; the first five are levels, the others count frames.
_BEFORE, _ANCHOR, _EDGE, _CEILING, _GREATEST = range(5)
_LENGTH, _START, _RUNS, _LONGEST, _LONGEST_AT, _OVER = range(6)


class Examiner:
    """Looks at a stream of stereo sound for all that may spoil a mix; memory does not grow.

    `mono`: the file has one channel, which comes in twice. `bits`: those of a sample, None where the file
    does not say or is not made of them.
    """

    def __init__(self, *, sample_rate_hz: int, mono: bool = False, bits: int | None = None):
        self._rate_hz = sample_rate_hz
        self._mono = mono
        self._bits = bits
        self._tolerance = _STEPS * 2.0 ** (1 - min(bits or _USUAL_BITS, _USUAL_BITS))
        self._sums = np.zeros(5)
        self._peaks = np.zeros(2)
        self._sound = np.array([-1, 0, 0, 0])
        self._levels = np.zeros((2, 5))
        self._counts = np.zeros((2, 6), np.int64)
        self._frames = 0

    def push(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take a block of shape (n, 2); return the mean of its channels, shape (n,)."""
        block = np.ascontiguousarray(block)  # one layout, one compilation
        mono = np.empty(len(block), np.float32)
        _add_up(block, mono, self._sums, self._peaks)
        _find_sound(block, db_to_gain(SOUND_DBFS), self._frames, self._sound)
        for channel in range(1 if self._mono else 2):
            _find_flat_tops(
                block, channel, self._tolerance, self._frames, self._levels[channel], self._counts[channel]
            )
        self._frames += len(block)
        return mono

    @property
    def first_sound_s(self) -> float | None:
        """When the first sample above -60 dBFS comes; None in silence."""
        return None if self._sound[0] < 0 else float(self._sound[0]) / self._rate_hz

    @property
    def last_sound_s(self) -> float:
        """The end of the last sample above -60 dBFS; 0 in silence."""
        return float(self._sound[1]) / self._rate_hz

    def result(self) -> Condition:
        """The state of what was pushed so far; the stream may go on."""
        levels, counts = self._ended()
        if self._same:
            levels, counts = levels[:1], counts[:1]
        worst = int(np.argmax(counts[:, _LONGEST]))
        clipped = bool(counts[worst, _LONGEST])
        gap_frames, gap_start = int(self._sound[2]), int(self._sound[3])
        return Condition(
            clipped_runs=int(counts[:, _RUNS].sum()),
            clipped_longest=int(counts[worst, _LONGEST]),
            clipped_at_s=int(counts[worst, _LONGEST_AT]) / self._rate_hz if clipped else None,
            clipped_dbfs=round(gain_to_db(float(levels[worst, _CEILING])), 2) + 0.0 if clipped else None,
            samples_over=int(counts[:, _OVER].sum()),
            dc_offset=tuple(float(total) for total in self._means[: 1 if self._mono else 2]),
            silent_channel=self._silent_channel(),
            same_channels=not self._mono and self._same,
            gap_s=gap_frames / self._rate_hz,
            gap_at_s=gap_start / self._rate_hz if gap_frames else None,
            bits=self._bits,
            **self._stereo(),
        )

    @property
    def _same(self) -> bool:
        """Whether no sample differed between the channels."""
        return self._mono or float(self._sums[4]) == 0.0

    @property
    def _means(self) -> FloatArray:
        return self._sums[:2] / max(self._frames, 1)

    def _ended(self) -> tuple[FloatArray, NDArray[np.int64]]:
        """State of the flat tops as if the sound ended here, without those below the final maximum."""
        levels, counts = self._levels.copy(), self._counts.copy()
        for channel in range(2):
            _end_run(levels[channel], counts[channel], 0.0, self._tolerance)
            ceiling, greatest = levels[channel, _CEILING], levels[channel, _GREATEST]
            if ceiling < min(FULL_SCALE, greatest - self._tolerance):
                counts[channel, [_RUNS, _LONGEST]] = 0
        return levels, counts

    def _silent_channel(self) -> Literal["left", "right"] | None:
        silent = self._peaks <= db_to_gain(SOUND_DBFS)
        if self._mono or silent[0] == silent[1]:
            return None
        return "left" if silent[0] else "right"

    def _stereo(self) -> dict[str, float | None]:
        """Correlation, loss in mono and balance, from the channels without their offsets."""
        frames = max(self._frames, 1)
        left, right = (float(power) for power in self._sums[2:4] / frames - self._means**2)
        apart = float(self._sums[4]) / frames - float(self._means[0] - self._means[1]) ** 2
        product = (left + right - apart) / 2.0
        least = db_to_gain(SOUND_DBFS) ** 2 * 1e-3
        if left + right <= least:
            return {"correlation": None, "mono_loss_db": None, "balance_db": None}
        heard_of = max((left + right + 2.0 * product) / (2.0 * (left + right)), 0.0)
        loss_db = MOST_LOSS_DB if heard_of <= 0.0 else min(-10.0 * math.log10(heard_of), MOST_LOSS_DB)
        both = left > 0.0 and right > 0.0
        return {
            "correlation": max(min(product / math.sqrt(left * right), 1.0), -1.0) if both else None,
            "mono_loss_db": max(loss_db, 0.0),
            "balance_db": 10.0 * math.log10(right / left) if both else None,
        }


@numba.njit(cache=True, nogil=True)
def _add_up(block, mono, sums, peaks):  # type: ignore[no-untyped-def]
    """Fill `mono` (n,) with the means; raise `sums` (of l, r, l², r², (l - r)²) and `peaks` (2,)."""
    left, right, left_square, right_square, apart = sums[0], sums[1], sums[2], sums[3], sums[4]
    left_peak, right_peak = peaks[0], peaks[1]
    for i in range(len(block)):
        a, b = np.float64(block[i, 0]), np.float64(block[i, 1])
        mono[i] = 0.5 * (a + b)
        left += a
        right += b
        left_square += a * a
        right_square += b * b
        apart += (a - b) * (a - b)
        left_peak = max(left_peak, abs(a))
        right_peak = max(right_peak, abs(b))
    sums[0], sums[1], sums[2], sums[3], sums[4] = left, right, left_square, right_square, apart
    peaks[0], peaks[1] = left_peak, right_peak


@numba.njit(cache=True, nogil=True)
def _find_sound(block, threshold, start, sound):  # type: ignore[no-untyped-def]
    """Keep in `sound` the first frame with sound, the end of the last, the longest gap and its start."""
    end = sound[1]
    for i in range(len(block)):
        if abs(block[i, 0]) > threshold or abs(block[i, 1]) > threshold:
            frame = start + i
            if sound[0] < 0:
                sound[0] = frame
            elif frame - end > sound[2]:
                sound[2], sound[3] = frame - end, end
            end = frame + 1
    sound[1] = end


@numba.njit(cache=True, nogil=True)
def _find_flat_tops(block, channel, tolerance, start, levels, counts):  # type: ignore[no-untyped-def]
    """Follow the runs of equal samples near the greatest magnitude so far through one channel of a block."""
    before, greatest = levels[_BEFORE], levels[_GREATEST]
    high = min(FULL_SCALE, max(LEAST_CEILING, greatest - tolerance))
    for i in range(len(block)):
        x = np.float64(block[i, channel])
        magnitude = abs(x)
        if magnitude < high and counts[_LENGTH] == 0:
            before = x
            continue
        if magnitude > greatest:
            greatest = magnitude
            levels[_GREATEST] = greatest
            high = min(FULL_SCALE, max(LEAST_CEILING, greatest - tolerance))
        counts[_OVER] += magnitude > 1.0
        if counts[_LENGTH] and abs(x - levels[_ANCHOR]) <= tolerance:
            counts[_LENGTH] += 1
        else:
            levels[_BEFORE] = before
            _end_run(levels, counts, x, tolerance)
            if magnitude >= high:
                levels[_ANCHOR], levels[_EDGE] = x, abs(x - before)
                counts[_LENGTH], counts[_START] = 1, start + i
        before = x
    levels[_BEFORE] = before


@numba.njit(cache=True, nogil=True)
def _end_run(levels, counts, after, tolerance):  # type: ignore[no-untyped-def]
    """Count the run that ends before a sample `after`, if it is one, and none is under way any more.

    A flat top has a kink at one end at least. A low note that just touches the ceiling is as flat over a few
    samples, but its slope grows by less than twice the tolerance a sample there.
    """
    length, ceiling = counts[_LENGTH], abs(levels[_ANCHOR])
    counts[_LENGTH] = 0
    kink = max(levels[_EDGE], abs(after - levels[_BEFORE])) > _KINK * tolerance
    if length < LEAST_RUN or not kink:
        return
    if levels[_CEILING] < FULL_SCALE and ceiling > levels[_CEILING] + tolerance:
        levels[_CEILING] = ceiling
        counts[_RUNS] = counts[_LONGEST] = 0
    counts[_RUNS] += 1
    if length > counts[_LONGEST]:
        counts[_LONGEST], counts[_LONGEST_AT] = length, counts[_START]
