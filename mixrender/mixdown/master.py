"""The mix before the master to the delivered sound: one constant gain, a limiter, and the figures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from mixrender.dsp.dither import DITHER_PEAK_STEPS
from mixrender.dsp.limiter import PACES, Limiter, Pace
from mixrender.dsp.true_peak import Float32Array
from mixrender.errors import PlanError
from mixrender.facts import Loudness
from mixrender.formats import FORMATS
from mixrender.loudness.meter import Meter
from mixrender.mixdown.result import MasterFigures
from mixrender.mixdown.target import target_of
from mixrender.plan.model import Output, Plan
from mixrender.progress import Progress
from mixrender.units import FloatArray, db_to_gain, gain_to_db

CLOSE_ENOUGH_LU = 0.05
TOLERANCE_LU = 0.1
"""The target is searched for to within the first, and missed beyond the second."""

MAX_PASSES = 6

FIRST_SLOPE = 0.8
LEAST_SLOPE = 0.15
"""LU that a dB of gain brings: at first supposed, and the least. Below it the limiter takes nearly all of the
gain, and more only flattens the sound."""

MOST_REDUCTION_DB = 20.0
"""No target is worth more than this: what would need it is missed, and said."""

REDUCTION_WARN_DB = 6.0
MEAN_REDUCTION_WARN_DB = 2.0
"""More reduction than this, at its greatest or on average over the whole mix, is done, and warned of: it
changes how the mix sounds. Common practice, no source."""

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
    """What `find_setting` found: how to master, and what came of it.

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


def find_setting(
    blocks: Blocks, plan: Plan, *, frames: int, sample_rate_hz: int, progress: Progress
) -> Mastering:
    """Measure the mix of `frames` frames and decide its master.

    Without a loudness target the gain only ever lowers: to bring the true peak to the ceiling, with no
    limiter. With one, the gain is searched for until the limited mix is as loud as asked. Raises PlanError
    where the plan forbids the limiter and the target cannot be had without it.
    """

    def listen(setting: Setting, label: str) -> Mastering:
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

    target_lufs, wanted_dbtp = target_of(plan)
    ceiling_dbtp = _with_room_for_dither(wanted_dbtp, plan.output)
    before = listen(Setting(0.0, None), "Measuring the mix")
    peak_dbtp = before.loudness.true_peak_dbtp
    if peak_dbtp is None:
        return replace(before, warnings=("the mix is silent",))
    if target_lufs is None or before.loudness.integrated_lufs is None:
        setting = Setting(min(0.0, ceiling_dbtp - peak_dbtp), None)
        return before if setting == before.setting else listen(setting, "Mastering")
    gain_db = target_lufs - before.loudness.integrated_lufs
    over_db = peak_dbtp + gain_db - ceiling_dbtp
    if not plan.limiter:
        if over_db > CLOSE_ENOUGH_LU:
            raise _over_without_limiter(plan, target_lufs, wanted_dbtp, over_db)
        return listen(Setting(gain_db - max(over_db, 0.0), None), "Mastering")
    found = _search(listen, target_lufs, gain_db, ceiling_dbtp)
    return replace(found, warnings=_warnings(found, target_lufs))


def _over_without_limiter(plan: Plan, target_lufs: float, ceiling_dbtp: float, over_db: float) -> PlanError:
    """What to say where a target needs the limiter that the plan forbids; what it offers can be had."""
    within_lufs = math.floor(10.0 * (target_lufs - over_db)) / 10.0
    message = (
        f"{target_lufs:g} LUFS would put the true peak {over_db:.1f} dB over {ceiling_dbtp:g} dBTP and the "
        f"plan says `limiter: false`; ask for {within_lufs:.1f} LUFS or less, or allow it"
    )
    return PlanError([plan.problem(("limiter",), message)])


def _warnings(found: Mastering, target_lufs: float) -> tuple[str, ...]:
    most_db, mean_db = found.max_reduction_db, found.mean_reduction_db
    if most_db <= REDUCTION_WARN_DB and mean_db <= MEAN_REDUCTION_WARN_DB:
        return ()
    missed = _missing_lu(found, target_lufs) > TOLERANCE_LU
    return (
        f"the limiter takes up to {most_db:.1f} dB away, {mean_db:.1f} dB on average, "
        f"{'on the way to' if missed else 'to reach'} {target_lufs:g} LUFS; "
        "a lower target would keep more of the punch",
    )


def _with_room_for_dither(ceiling_dbtp: float, output: Output) -> float:
    """The ceiling for sound that will be made whole numbers: a little lower, as dither may lift a peak."""
    if output.bits == "float" or FORMATS[output.format].is_lossy:
        return ceiling_dbtp
    return gain_to_db(db_to_gain(ceiling_dbtp) - DITHER_PEAK_STEPS / 2 ** (int(output.bits) - 1))


def _search(
    listen: Callable[[Setting, str], Mastering], target_lufs: float, gain_db: float, ceiling_dbtp: float
) -> Mastering:
    """The master at the slowest pace of the limiter at which it is loud enough and not taken away too much.

    Where there is none, that at the fastest pace which comes nearest to the target.
    """
    number = 0

    def at(setting: Setting) -> Mastering:
        nonlocal number
        number += 1
        return listen(setting, f"Mastering, pass {number}")

    for pace in PACES:
        tried = _climb(at, Setting(gain_db, ceiling_dbtp, pace), target_lufs)
        found = min(tried, key=lambda attempt: abs(_missing_lu(attempt, target_lufs)))
        if abs(_missing_lu(found, target_lufs)) <= CLOSE_ENOUGH_LU and not _is_squeezed(found):
            break
        gain_db = tried[-1].setting.gain_db
    return found


def _climb(at: Callable[[Setting], Mastering], setting: Setting, target_lufs: float) -> list[Mastering]:
    """Masters with more and more gain, as limiting takes loudness away, until one is as loud as asked.

    What is missing is added along the slope seen so far. At all paces but the fastest the first master that
    is squeezed and still too quiet is the last.
    """
    tried: list[Mastering] = []
    slope = FIRST_SLOPE
    for _ in range(MAX_PASSES):
        tried.append(at(setting))
        missing_lu = _missing_lu(tried[-1], target_lufs)
        given_up = _is_squeezed(tried[-1]) and missing_lu > 0.0 and setting.pace != PACES[-1]
        if abs(missing_lu) <= CLOSE_ENOUGH_LU or given_up:
            break
        if len(tried) > 1:
            added_db = setting.gain_db - tried[-2].setting.gain_db
            gained_lu = _missing_lu(tried[-2], target_lufs) - missing_lu
            if added_db > 1.0 and gained_lu / added_db < LEAST_SLOPE:
                tried.pop()
                break
            slope = min(max(gained_lu / added_db, LEAST_SLOPE), 1.0)
        room_db = MOST_REDUCTION_DB - tried[-1].max_reduction_db
        if room_db <= CLOSE_ENOUGH_LU and missing_lu > 0.0:
            break
        setting = replace(setting, gain_db=setting.gain_db + min(missing_lu / slope, room_db))
    return tried


def _missing_lu(found: Mastering, target_lufs: float) -> float:
    """How much louder a master should be; minus: quieter."""
    assert found.loudness.integrated_lufs is not None
    return target_lufs - found.loudness.integrated_lufs


def _is_squeezed(found: Mastering) -> bool:
    return found.mean_reduction_db > MEAN_REDUCTION_WARN_DB


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
