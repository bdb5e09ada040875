"""Sound goes in, block by block; its K-weighted power in steps of 5 ms comes out.

ITU-R BS.1770-5, Annex 1: each channel is K-weighted, squared, weighted by its place and summed. Every window
of the meter (0.1, 0.4 and 3 s) is a whole number of the 5 ms steps; a step begins on the nearest sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from mixrender.errors import InputError
from mixrender.loudness.blocks import GREATEST_SAMPLE, as_block, unusable_sample
from mixrender.loudness.kfilter import k_weighting
from mixrender.units import FloatArray

STEPS_PER_S = 200

CHANNEL_WEIGHTS: dict[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, 1.41, 1.41),
    5: (1.0, 1.0, 1.0, 1.41, 1.41),
    6: (1.0, 1.0, 1.0, 0.0, 1.41, 1.41),
}
"""Weights for mono, stereo, L R C, L R Ls Rs, L R C Ls Rs and L R C LFE Ls Rs (BS.1770-5, table 3)."""

CHANNEL_NAMES: dict[int, tuple[str, ...]] = {
    1: ("mono",),
    2: ("left", "right"),
    3: ("left", "right", "centre"),
    4: ("left", "right", "left surround", "right surround"),
    5: ("left", "right", "centre", "left surround", "right surround"),
    6: ("left", "right", "centre", "LFE", "left surround", "right surround"),
}
"""What to call the channels, in the same order."""

_INAUDIBLE = 1e-30  # a filter state below this is set to zero at the next step: denormals cost much time


@dataclass(frozen=True)
class PowerSeries:
    """The K-weighted energy of a whole piece of sound in steps of 5 ms, shape (steps,).

    It is all that the loudness of any part of the sound asks for: 6 MB an hour.
    """

    energies: FloatArray
    sample_rate_hz: int


class PowerSteps:
    """Accumulates the weighted energy of a stream of sound in steps of 5 ms.

    Memory: 8 bytes per step and up to a quarter more, that is 6 to 7 MB an hour. Neither it nor the figures
    depend on how the stream is cut.
    """

    def __init__(self, *, sample_rate_hz: int, channels: int):
        if not isinstance(channels, int) or channels not in CHANNEL_WEIGHTS:
            raise InputError(f"Loudness cannot be measured of {channels} channels; it can of 1 to 6.")
        self._sample_rate_hz = sample_rate_hz
        self._filter = k_weighting(sample_rate_hz)
        self._weights = np.array(CHANNEL_WEIGHTS[channels])
        self._state = np.zeros((channels, 5))  # four delays, and the energy of the step that is under way
        self._greatest = np.zeros(1)
        self._kept = np.zeros(STEPS_PER_S)
        self._steps = 0
        self._frames = 0

    @property
    def frames(self) -> int:
        """Frames taken so far."""
        return self._frames

    @property
    def sample_peak(self) -> float:
        """The greatest magnitude of a sample so far."""
        return float(self._greatest[0])

    def push(self, block: NDArray[np.floating]) -> None:
        """Take a block of shape (n, channels), float32 or float64.

        Raises ValueError if it is not that, or names the first sample that is not a finite number; nothing of
        such a block counts, but the filter has heard it: the stream cannot go on.
        """
        block = as_block(block, channels=len(self._weights))
        rate_hz, start, end = self._sample_rate_hz, self._frames, self._frames + len(block)
        steps = np.arange(_complete_steps(start, rate_hz) + 1, _complete_steps(end, rate_hz) + 1)
        edges = np.append(step_edge(steps, sample_rate_hz=rate_hz) - start, len(block))
        energies = np.zeros(len(edges) - 1)
        block = np.ascontiguousarray(block)  # one layout, one compilation
        _accumulate(block, self._filter, self._weights, edges, self._state, self._greatest, energies)
        if not (np.isfinite(self._state).all() and self._greatest[0] <= GREATEST_SAMPLE):
            fault = unusable_sample(block, start_frame=start)
            raise ValueError(fault or "a sample of an earlier block could not be measured: begin anew")
        self._frames = end
        self._keep(energies)

    def _keep(self, energies: FloatArray) -> None:
        begin, self._steps = self._steps, self._steps + len(energies)
        if self._steps > len(self._kept):
            # A quarter more than is needed, so that it is seldom copied.
            self._kept = np.pad(self._kept, (0, self._steps + self._steps // 4 - len(self._kept)))
        self._kept[begin : self._steps] = energies

    def energies(self) -> FloatArray:
        """Sum of the weighted squares in each complete step, in the order of time; not to be written to."""
        energies = self._kept[: self._steps]
        energies.flags.writeable = False
        return energies

    def series(self) -> PowerSeries:
        """What was taken so far, to be kept."""
        return PowerSeries(self.energies().copy(), self._sample_rate_hz)


def step_edge(step: NDArray[np.int64], *, sample_rate_hz: int) -> NDArray[np.int64]:
    """The frame on which each step begins: the nearest to that multiple of 5 ms."""
    return (2 * step * sample_rate_hz + STEPS_PER_S) // (2 * STEPS_PER_S)


def _complete_steps(frame: int, sample_rate_hz: int) -> int:
    """Number of steps that end at or before a frame: the inverse of `step_edge`."""
    return (2 * STEPS_PER_S * frame + STEPS_PER_S - 1) // (2 * sample_rate_hz)


@numba.njit(cache=True, nogil=True)
def _accumulate(block, sections, weights, edges, state, greatest, energies):  # type: ignore[no-untyped-def]
    """Run the filter over a block; the last of `edges` is the end of the block, the others end a step."""
    b0, b1, b2, a1, a2 = sections[0, 0], sections[0, 1], sections[0, 2], sections[0, 3], sections[0, 4]
    c0, c1, c2, d1, d2 = sections[1, 0], sections[1, 1], sections[1, 2], sections[1, 3], sections[1, 4]
    for channel in range(block.shape[1]):
        s1, s2, t1, t2 = state[channel, 0], state[channel, 1], state[channel, 2], state[channel, 3]
        energy = state[channel, 4]
        peak = greatest[0]
        start = 0
        for step in range(len(edges)):
            for i in range(start, edges[step]):
                x = np.float64(block[i, channel])
                peak = max(peak, abs(x))
                y = b0 * x + s1
                s1 = b1 * x - a1 * y + s2
                s2 = b2 * x - a2 * y
                z = c0 * y + t1
                t1 = c1 * y - d1 * z + t2
                t2 = c2 * y - d2 * z
                energy += z * z
            start = edges[step]
            if step < len(energies):
                energies[step] += weights[channel] * energy
                energy = 0.0
                if max(max(abs(s1), abs(s2)), max(abs(t1), abs(t2))) < _INAUDIBLE:
                    s1 = s2 = t1 = t2 = 0.0
        state[channel, 0], state[channel, 1], state[channel, 2], state[channel, 3] = s1, s2, t1, t2
        state[channel, 4] = energy
        greatest[0] = peak
