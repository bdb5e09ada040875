"""A sound file in, all that one pass over it gives out: a mono signal, its bounds, loudness and condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from mixrender.analysis.condition import Examiner
from mixrender.analysis.onsets import RATE_HZ
from mixrender.audio.read import AudioInfo, read_blocks
from mixrender.errors import AudioError
from mixrender.facts import Condition, Loudness
from mixrender.loudness.kfilter import MAX_RATE_HZ, MIN_RATE_HZ
from mixrender.loudness.meter import Meter
from mixrender.loudness.power import PowerSeries
from mixrender.progress import Advance

LONGEST_TRACK_S = 1800.0
"""Beats, bars and key are not looked for in what lasts longer: that is a mix or a programme, which has no
one tempo, and its signal would take 5 MB of memory a minute. No source."""

_BLOCK_FRAMES = 65536


@dataclass(frozen=True)
class Heard:
    """One pass over a file.

    `signal` is the mono sound at RATE_HZ, shape (n,); None where the file is longer than LONGEST_TRACK_S.
    `first_sound_s` and `last_sound_s` bound what lies above -60 dBFS, in seconds; None and 0 in silence.
    """

    signal: NDArray[np.float32] | None
    duration_s: float
    first_sound_s: float | None
    last_sound_s: float
    loudness: Loudness
    power: PowerSeries
    condition: Condition


def listen(info: AudioInfo, *, advance: Advance = lambda amount: None) -> Heard:
    """Decode a file once, block by block, and keep of it what the analysis asks for.

    Raises AudioError if the file cannot be used, or has a sample rate outside 8 to 192 kHz.
    """
    rate_hz = info.sample_rate_hz
    _require_rate(info)
    meter = Meter(sample_rate_hz=rate_hz, channels=2)
    examiner = Examiner(sample_rate_hz=rate_hz, mono=info.channels == 1, bits=info.bits)
    signal = _Signal(rate_hz, expected_s=info.expected_s)
    frames, expected = 0, max(info.expected_s * rate_hz, 1.0)
    for block in read_blocks(info.path, block_frames=_BLOCK_FRAMES):
        meter.push(block)
        signal.push(examiner.push(block))
        frames += len(block)
        advance(0.5 * len(block) / expected)
    return Heard(
        signal=signal.result(),
        duration_s=frames / rate_hz,
        first_sound_s=examiner.first_sound_s,
        last_sound_s=examiner.last_sound_s,
        loudness=meter.result(),
        power=meter.power(),
        condition=examiner.result(),
    )


def _require_rate(info: AudioInfo) -> None:
    if not MIN_RATE_HZ <= info.sample_rate_hz <= MAX_RATE_HZ:
        raise AudioError(
            info.path,
            f"its sample rate is {info.sample_rate_hz} Hz; what can be analysed lies from {MIN_RATE_HZ} to "
            f"{MAX_RATE_HZ} Hz. Convert it to 44100 or 48000 Hz.",
        )


class _Signal:
    """Collects a mono stream at RATE_HZ, and lets go of it when it grows too long.

    It has room for the expected length from the start, which costs memory only as it is filled: parts that
    are joined in the end would be held twice.
    """

    def __init__(self, sample_rate_hz: int, *, expected_s: float):
        self._resampler = soxr.ResampleStream(sample_rate_hz, RATE_HZ, 1, dtype="float32", quality="HQ")
        self._most_frames = LONGEST_TRACK_S * sample_rate_hz
        self._frames = 0
        self._kept = np.empty(round(min(expected_s + 1.0, LONGEST_TRACK_S) * RATE_HZ), np.float32)
        self._size = 0

    def push(self, block: NDArray[np.float32]) -> None:
        self._frames += len(block)
        if self._frames > self._most_frames:
            self._kept, self._size = np.empty(0, np.float32), 0
            return
        self._keep(self._resampler.resample_chunk(block))

    def result(self) -> NDArray[np.float32] | None:
        """The whole signal; None if it was too long."""
        if self._frames > self._most_frames:
            return None
        self._keep(self._resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True))
        return self._kept[: self._size]

    def _keep(self, part: NDArray[np.float32]) -> None:
        end = self._size + part.size
        if end > self._kept.size:
            grown = np.empty(max(end, 2 * self._kept.size), np.float32)
            grown[: self._size] = self._kept[: self._size]
            self._kept = grown
        self._kept[self._size : end] = part
        self._size = end
