"""One setting of the master goes in; the sound through its gain and limiter, and what they did, come out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from mixrender.dsp.limiter import PACES, Limiter, Pace
from mixrender.dsp.true_peak import Float32Array
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.mixdown.result import MasterFigures
from mixrender.progress import Progress
from mixrender.units import FloatArray, db_to_gain

Blocks = Callable[[], Iterable[FloatArray]]
"""Gives the whole mix before the master, block by block; may be called again for another pass."""


@dataclass(frozen=True)
class Setting:
    """A master that is decided: the constant gain, the limiter's ceiling (None: no limiter) and its pace."""

    gain_db: float
    ceiling_dbtp: float | None
    pace: Pace = PACES[0]


@dataclass(frozen=True, eq=False)
class Mastering:
    """A setting, and what came of it when the whole mix went through.

    `mean_reduction_db` is over all frames, `reductions_db` (tenths of a second,) the greatest in each,
    `mean_reductions_db` the mean in each.
    """

    setting: Setting
    loudness: Loudness
    max_reduction_db: float
    mean_reduction_db: float
    reductions_db: Float32Array = field(repr=False)
    mean_reductions_db: Float32Array = field(repr=False)
    warnings: tuple[str, ...] = ()

    def figures(self) -> MasterFigures:
        """The figures for the report."""
        return MasterFigures(
            gain_db=self.setting.gain_db,
            max_gain_reduction_db=self.max_reduction_db,
            mean_gain_reduction_db=self.mean_reduction_db,
            predicted=False,
            gain_reduction_db=self.reductions_db,
            mean_gain_reductions_db=self.mean_reductions_db,
        )


class MasterChain:
    """Gain and limiter of one setting: sound goes through block by block, the reduction is read after."""

    def __init__(self, setting: Setting, *, sample_rate_hz: int):
        self._gain = db_to_gain(setting.gain_db)
        self._limiter = (
            None
            if setting.ceiling_dbtp is None
            else Limiter(ceiling_dbtp=setting.ceiling_dbtp, sample_rate_hz=sample_rate_hz, pace=setting.pace)
        )

    def run(self, blocks: Iterable[FloatArray]) -> Iterator[FloatArray]:
        """The blocks with gain and limiter applied; their total length and their place in time stay."""
        limiter = self._limiter
        for block in blocks:
            scaled = block if self._gain == 1.0 else block * self._gain
            out = scaled if limiter is None else limiter.push(scaled)
            if len(out):
                yield out
        if limiter is not None:
            rest = limiter.flush()
            if len(rest):
                yield rest

    @property
    def max_reduction_db(self) -> float:
        """The most that the limiter has taken away so far, in dB; 0 without one."""
        return 0.0 if self._limiter is None else self._limiter.max_reduction_db

    @property
    def reductions_db(self) -> Float32Array:
        """The most that the limiter has taken away in each tenth of a second, in dB; empty without one."""
        return np.zeros(0, np.float32) if self._limiter is None else self._limiter.reductions_db()

    @property
    def mean_reductions_db(self) -> Float32Array:
        """What the limiter has taken away on average in each tenth of a second; empty without one."""
        return np.zeros(0, np.float32) if self._limiter is None else self._limiter.mean_reductions_db()

    @property
    def mean_reduction_db(self) -> float:
        """What the limiter has taken away on average over all frames, in dB."""
        return 0.0 if self._limiter is None else self._limiter.mean_reduction_db


def listen(
    blocks: Blocks, setting: Setting, *, frames: int, sample_rate_hz: int, progress: Progress, label: str
) -> Mastering:
    """Send a mix of `frames` frames through a setting and measure what comes out."""
    chain = MasterChain(setting, sample_rate_hz=sample_rate_hz)
    meter = Meter(sample_rate_hz=sample_rate_hz)
    with progress.task(label, total=frames) as advance:
        for block in chain.run(blocks()):
            meter.push(block)
            advance(len(block))
    return Mastering(
        setting,
        meter.result(),
        chain.max_reduction_db,
        chain.mean_reduction_db,
        chain.reductions_db,
        chain.mean_reductions_db,
    )
