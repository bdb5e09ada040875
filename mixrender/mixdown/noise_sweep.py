"""A placed noise sweep to the sound that it adds to the mix: noise through a moving filter, at its level."""

from __future__ import annotations

import numpy as np

from mixrender.dsp.noise import noise
from mixrender.dsp.per_frame import per_frame
from mixrender.dsp.svf import BUTTERWORTH_Q, svf
from mixrender.mixdown.controls import compiled, value_of
from mixrender.plan.controls import NOISE_CUTOFF
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import NoisePlacement
from mixrender.units import FloatArray, seconds_to_frames

OCTAVE_Q = 2.0**0.5
"""A band-pass of this Q is an octave wide."""

SILENT = -np.inf


class NoiseSweep:
    """The noise of one transition: `read` gives any stretch of the mix, the same however it is cut.

    White noise of RMS 0.1 (-20 dB), independent on both sides, goes through a filter of 12 dB per octave, or
    a band-pass an octave wide of 0 dB in its middle, and is raised or lowered by its level. The seed is the
    number of the transition.
    """

    BLOCK = 65536

    def __init__(self, placed: NoisePlacement, *, tempo_map: TempoMap, sample_rate_hz: int):
        self.placed = placed
        self.start = seconds_to_frames(placed.start_s, sample_rate_hz)
        self.stop = self.sounds_until = seconds_to_frames(placed.end_s, sample_rate_hz)
        self._tempo_map = tempo_map
        self._rate_hz = sample_rate_hz
        self._level = compiled(
            placed.lanes["level"],
            "level",
            neutral=SILENT,
            tempo_map=tempo_map,
            sample_rate_hz=sample_rate_hz,
        )
        self._cutoff = compiled(
            placed.lanes["cutoff"],
            "frequency",
            neutral=NOISE_CUTOFF.neutral,
            tempo_map=tempo_map,
            sample_rate_hz=sample_rate_hz,
        )
        self._position = self.start
        self._state: FloatArray | None = None

    def read(self, start: int, stop: int) -> FloatArray:
        """What the noise adds to mix frames `start` to `stop`; float64, shape (stop - start, 2)."""
        out = np.zeros((stop - start, 2))
        first, last = max(start, self.start), min(stop, self.stop)
        if first >= last:
            return out
        if first != self._position:
            self._state = None
            for at in range(self.start, first, self.BLOCK):
                self._filtered(at, min(at + self.BLOCK, first))
        level = value_of(self._level, first, last, tempo_map=self._tempo_map, sample_rate_hz=self._rate_hz)
        sound = self._filtered(first, last)
        out[first - start : last - start] = sound * per_frame(level, last - first)[:, np.newaxis]
        return out

    def _filtered(self, start: int, stop: int) -> FloatArray:
        cutoff_hz = value_of(
            self._cutoff, start, stop, tempo_map=self._tempo_map, sample_rate_hz=self._rate_hz
        )
        sound, self._state = svf(
            noise(start, stop, seed=self.placed.transition),
            per_frame(cutoff_hz, stop - start),
            kind=self.placed.filter,
            sample_rate_hz=self._rate_hz,
            state=self._state,
            q=OCTAVE_Q if self.placed.filter == "bandpass" else BUTTERWORTH_Q,
        )
        self._position = stop
        return sound
