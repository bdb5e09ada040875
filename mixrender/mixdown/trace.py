"""A clip's sound while it is mixed to what a picture of it shows: envelopes, low ends, loudness over time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mixrender.dsp.columns import Columns as ColumnMeter
from mixrender.loudness.meter import (
    ABSOLUTE_GATE_LUFS,
    MOMENTARY_STEPS,
    SHORT_TERM_STEPS,
    level_lufs,
    window_powers,
)
from mixrender.loudness.power import STEPS_PER_S, PowerSeries
from mixrender.mixdown.mix import BLOCK_FRAMES, Mix
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import FloatArray

COLUMNS = 1200
"""A clip has about so many columns: more than a picture has pixels on most screens."""

Columns = NDArray[np.float32]
"""One figure for each column of a picture, from the clip's start on."""

Side = Literal["from", "to", "layer"]


@dataclass(frozen=True, eq=False)
class StripTrace:
    """One track or layer in a clip; `index` is its place in the timeline's `sounding`.

    Per column: `source` is the peak of its sound in front of all moves, with its constant gain, and `heard`
    that of what it adds to the mix, both linear; `low_db` the RMS level of the latter below the first band
    edge, in dBFS, -inf where it is silent.
    """

    index: int
    side: Side
    source: Columns
    heard: Columns
    low_db: Columns


@dataclass(frozen=True, eq=False)
class ClipTrace:
    """A clip over time, in columns of `column_s` seconds from its start on.

    `strips` are the outgoing track, the incoming one, then layers. `momentary_lufs` and `short_term_lufs` are
    those of the clip as written, at the end of each column; NaN where there is nothing to measure.
    """

    column_s: float
    strips: tuple[StripTrace, ...]
    momentary_lufs: Columns
    short_term_lufs: Columns


def traced_strips(
    timeline: Timeline, transition: TransitionPlacement, *, start_s: float, end_s: float
) -> list[tuple[int, Side]]:
    """The strips of a clip that have a trace, by their places in `sounding`: both tracks, then its layers."""
    tracks: list[tuple[int, Side]] = [(transition.outgoing, "from"), (transition.incoming, "to")]
    layers = [layer.index for layer in timeline.layers if layer.start_s < end_s and start_s < layer.end_s]
    return [*tracks, *((index, "layer") for index in layers)]


class Tracer:
    """Reads frames `start` to `stop` of a mix block by block and measures its strips on the way.

    `blocks` gives what `mix.blocks` gives, to the bit; it is to be read once, to its end.
    """

    def __init__(
        self, mix: Mix, strips: list[tuple[int, Side]], start: int, stop: int, *, low_edge_hz: float
    ):
        self._mix, self._start, self._stop = mix, start, stop
        self._column_frames = max(-(-(stop - start) // COLUMNS), 1)
        self._strips = strips
        form = {"column_frames": self._column_frames, "sample_rate_hz": mix.sample_rate_hz}
        frames = stop - start
        self._source = [ColumnMeter(frames, **form) for _ in strips]
        self._heard = [ColumnMeter(frames, **form, low_edge_hz=low_edge_hz) for _ in strips]

    def blocks(self) -> Iterator[FloatArray]:
        """The mix before the master, in blocks of at most `BLOCK_FRAMES`."""
        for begin in range(self._start, self._stop, BLOCK_FRAMES):
            end = min(begin + BLOCK_FRAMES, self._stop)
            parts = self._mix.parts(begin, end)
            yield self._mix.together(parts, begin, end)
            for (index, _), source, heard in zip(self._strips, self._source, self._heard, strict=True):
                part, strip = parts[index], self._mix.strips[index]
                # Outside of where a track lies its source has a run-in and a run-out that nobody hears.
                first, last = max(begin, strip.start), min(end, strip.stop)
                if first < last:
                    source.skip(first - begin)
                    source.push(strip.gained(first, last))
                    source.skip(end - last)
                else:
                    source.skip(end - begin)
                if part is None:
                    heard.skip(end - begin)
                else:
                    heard.push(part)

    def trace(self, power: PowerSeries) -> ClipTrace:
        """What was measured, with the loudness of the clip as written, of which `power` is the power."""
        rate_hz = self._mix.sample_rate_hz
        frames = self._stop - self._start
        ends = np.minimum(np.arange(1, -(-frames // self._column_frames) + 1) * self._column_frames, frames)
        return ClipTrace(
            column_s=self._column_frames / rate_hz,
            strips=tuple(
                StripTrace(index, side, source.peaks(), heard.peaks(), heard.low_db())
                for (index, side), source, heard in zip(self._strips, self._source, self._heard, strict=True)
            ),
            momentary_lufs=_loudness_at(power, ends / rate_hz, MOMENTARY_STEPS),
            short_term_lufs=_loudness_at(power, ends / rate_hz, SHORT_TERM_STEPS),
        )


def _loudness_at(power: PowerSeries, ends_s: FloatArray, width: int) -> Columns:
    """Loudness in LUFS of the windows of `width` steps of 5 ms that end at these times, or just before."""
    powers = window_powers(power.energies, width, power.sample_rate_hz)
    at = np.minimum(np.floor(ends_s * STEPS_PER_S + 1e-6).astype(np.int64) - width, len(powers) - 1)
    found = np.full(len(ends_s), np.nan)
    inside = at >= 0
    found[inside] = powers[at[inside]]
    lufs = np.full(len(ends_s), np.nan)
    sounding = found > 0.0
    lufs[sounding] = level_lufs(found[sounding])
    lufs[~(lufs > ABSOLUTE_GATE_LUFS)] = np.nan
    return lufs.astype(np.float32)
