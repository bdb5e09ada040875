"""Two tracks' own sound in an overlap to how far apart their beats are, measured attack by attack."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from mixrender.units import FloatArray, seconds_to_frames

REACH_S = 0.030
"""An attack is looked for this far either side of its beat: well under half a sixteenth note at 180 BPM."""

HOP_S = 0.00025
SMOOTH_S = 0.0015
PEAK_WITHIN_S = 0.012
BEFORE_S = 0.020
MIN_RISE = 3.0
"""An attack has at least this many times (9.5 dB) the RMS amplitude of the 20 ms before it."""

MIN_BEATS = 8

NUDGE_WORTH_MS = 3.0
STEADY_MS = 3.0
"""A steady offset above the first is worth a nudge; steady is what stays within the second of its median."""


@dataclass(frozen=True)
class BeatOffset:
    """How far the incoming track's beats lie from the outgoing one's, in ms; + is late.

    `spread` is the distance from the median within which 90 % of the beats lie.
    """

    median: float
    p95_abs: float
    worst_abs: float
    beats: int
    spread: float

    @property
    def suggested_nudge_ms(self) -> int | None:
        """The whole milliseconds that would bring steady beats together; None where there is no need."""
        steady = self.spread <= STEADY_MS
        return -round(self.median) if steady and abs(self.median) > NUDGE_WORTH_MS else None


Read = Callable[[int, int], FloatArray]


def beat_offset(
    outgoing: Read, incoming: Read, beats_s: Sequence[float], *, sample_rate_hz: int
) -> BeatOffset | None:
    """Offset of the incoming track's attacks from the outgoing track's on the given beats.

    `outgoing` and `incoming` give frames of the two tracks on the mix's time line, float64 (n, 2), after
    stretching and before gain and moves. None where fewer than 8 beats have a clear attack in both.
    """
    pairs = [
        (
            attack_s(outgoing, beat_s, sample_rate_hz=sample_rate_hz),
            attack_s(incoming, beat_s, sample_rate_hz=sample_rate_hz),
        )
        for beat_s in beats_s
    ]
    offsets_ms = np.array([(b - a) * 1000.0 for a, b in pairs if a is not None and b is not None])
    if offsets_ms.size < MIN_BEATS:
        return None
    distances = np.abs(offsets_ms)
    return BeatOffset(
        median=float(np.median(offsets_ms)),
        p95_abs=float(np.percentile(distances, 95)),
        worst_abs=float(distances.max()),
        beats=int(offsets_ms.size),
        spread=float(np.percentile(np.abs(offsets_ms - np.median(offsets_ms)), 90)),
    )


def attack_s(read: Read, beat_s: float, *, sample_rate_hz: int) -> float | None:
    """Time in seconds of the clearest attack near a beat, or None where the sound does not rise there.

    The attack is where the envelope, on its steepest rise, has done a fifth of it. The sound is
    differentiated before: a steady bass, whose own waves rise and fall, weighs little against a drum.
    """
    margin_s = REACH_S + BEFORE_S + 2 * SMOOTH_S
    start = seconds_to_frames(beat_s - margin_s, sample_rate_hz)
    stop = seconds_to_frames(beat_s + margin_s, sample_rate_hz)
    envelope, times_s = _envelope(read(start, stop), start, sample_rate_hz)
    lag = round(2 * SMOOTH_S / HOP_S)
    rise = envelope[lag:] - envelope[:-lag]
    inside = np.abs(times_s[lag // 2 : lag // 2 + rise.size] - beat_s) <= REACH_S
    if not inside.any():
        return None
    steepest = int(np.argmax(np.where(inside, rise, -np.inf)))
    before = _amplitude_before(envelope, steepest)
    peak_at = steepest + int(np.argmax(envelope[steepest : steepest + lag + round(PEAK_WITHIN_S / HOP_S)]))
    peak = float(envelope[peak_at])
    if peak <= 1e-6 or peak < MIN_RISE * before:
        return None
    floor = float(envelope[max(steepest - lag, 0) : steepest + 1].min())
    threshold = floor + 0.2 * (peak - floor)
    at = peak_at
    while at > 0 and envelope[at - 1] > threshold:
        at -= 1
    if at == 0:
        return None
    low, high = float(envelope[at - 1]), float(envelope[at])
    return float(times_s[at - 1] + (threshold - low) / (high - low) * HOP_S)


def _amplitude_before(envelope: FloatArray, at: int) -> float:
    """RMS amplitude in the time before a rise."""
    ahead = envelope[max(at - round(BEFORE_S / HOP_S), 0) : at + 1]
    return float(np.sqrt(np.mean(ahead**2)))


def _envelope(sound: FloatArray, start: int, sample_rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """RMS amplitude of the differentiated sound in short windows, and the windows' middle times in s."""
    edges = np.diff(sound, axis=0, prepend=sound[:1])
    power = np.concatenate(([0.0], np.cumsum((edges**2).mean(axis=1))))
    half = SMOOTH_S / 2 * sample_rate_hz
    centres = np.arange(half, sound.shape[0] - half, HOP_S * sample_rate_hz)
    frames = np.arange(power.size)
    energy = np.interp(centres + half, frames, power) - np.interp(centres - half, frames, power)
    return np.sqrt(np.maximum(energy, 0.0) / (2 * half)), (start + centres) / sample_rate_hz
