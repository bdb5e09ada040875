"""The mix before the master to the delivered sound: one constant gain, a limiter, and the figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from mixrender.dsp.dither import DITHER_PEAK_STEPS
from mixrender.dsp.limiter import Limiter
from mixrender.dsp.true_peak import Float32Array
from mixrender.errors import PlanError
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.loudness.targets import TARGETS, find_target
from mixrender.mixdown.result import MasterFigures, TargetVerdict
from mixrender.plan.model import Plan
from mixrender.progress import Progress
from mixrender.units import FloatArray, db_to_gain, gain_to_db

DEFAULT_CEILING_DBTP = -1.0
CLOSE_ENOUGH_LU = 0.05
TOLERANCE_LU = 0.1
"""The target is searched for to within the first, and missed beyond the second."""

MAX_PASSES = 6

NOTHING_GAINED_LU = 0.05
"""Where more than a dB of gain brings less than this, the limiter takes all of it: more only flattens."""

REDUCTION_WARN_DB = 6.0
"""More reduction than this is done, and warned of: it changes how the mix sounds."""

Blocks = Callable[[], Iterable[FloatArray]]
"""Gives the whole mix before the master, block by block; may be called again for another pass."""


@dataclass(frozen=True)
class Setting:
    """A master that is decided: the constant gain, and the ceiling of the limiter (None: no limiter)."""

    gain_db: float
    ceiling_dbtp: float | None


@dataclass(frozen=True, eq=False)
class Mastering:
    """What `find_setting` found: how to master, and what came of it.

    `mean_reduction_db` is over all frames, `reductions_db` (tenths of a second,) the greatest in each.
    """

    setting: Setting
    loudness: Loudness
    max_reduction_db: float
    mean_reduction_db: float
    reductions_db: Float32Array = field(repr=False)
    warnings: tuple[str, ...] = ()

    def figures(self) -> MasterFigures:
        """The figures for the report."""
        return MasterFigures(
            gain_db=self.setting.gain_db,
            max_gain_reduction_db=self.max_reduction_db,
            mean_gain_reduction_db=self.mean_reduction_db,
            predicted=False,
            gain_reduction_db=self.reductions_db,
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
            setting, meter.result(), chain.max_reduction_db, chain.mean_reduction_db, chain.reductions_db
        )

    target_lufs, ceiling_dbtp = target_of(plan)
    ceiling_dbtp = _with_room_for_dither(ceiling_dbtp, plan.output.bits)
    before = listen(Setting(0.0, None), "Measuring the mix")
    peak_dbtp = before.loudness.true_peak_dbtp
    if peak_dbtp is None:
        return replace(before, warnings=("the mix is silent",))
    if target_lufs is None or before.loudness.integrated_lufs is None:
        setting = Setting(min(0.0, ceiling_dbtp - peak_dbtp), None)
        return before if setting == before.setting else listen(setting, "Mastering")
    gain_db = target_lufs - before.loudness.integrated_lufs
    over_db = peak_dbtp + gain_db - ceiling_dbtp
    if over_db > 0 and not plan.limiter:
        message = (
            f"{target_lufs:g} LUFS would put the true peak {over_db:.1f} dB over {ceiling_dbtp:g} dBTP and "
            f"the plan says `limiter: false`; ask for {target_lufs - over_db:.1f} LUFS or less, or allow it"
        )
        raise PlanError([plan.problem(("limiter",), message)])
    found = _search(listen, target_lufs, gain_db, ceiling_dbtp)
    if found.max_reduction_db > REDUCTION_WARN_DB:
        warning = (
            f"the limiter takes up to {found.max_reduction_db:.1f} dB away to reach {target_lufs:g} LUFS; "
            "a lower target would keep more of the punch"
        )
        return replace(found, warnings=(warning,))
    return found


def _with_room_for_dither(ceiling_dbtp: float, bits: str) -> float:
    """The ceiling for sound that will be dithered to 16 bits: a little lower, as dither may lift a peak."""
    if bits != "16":
        return ceiling_dbtp
    return gain_to_db(db_to_gain(ceiling_dbtp) - DITHER_PEAK_STEPS / 2**15)


def _search(
    listen: Callable[[Setting, str], Mastering], target_lufs: float, gain_db: float, ceiling_dbtp: float
) -> Mastering:
    """Limiting takes loudness away: raise the gain by what is missing, along the slope seen so far."""
    tried: list[tuple[float, float, Mastering]] = []
    slope = 0.8
    for number in range(1, MAX_PASSES + 1):
        found = listen(Setting(gain_db, ceiling_dbtp), f"Mastering, pass {number}")
        assert found.loudness.integrated_lufs is not None
        missing = target_lufs - found.loudness.integrated_lufs
        tried.append((abs(missing), gain_db, found))
        if abs(missing) <= CLOSE_ENOUGH_LU:
            break
        if len(tried) > 1:
            (_, gain_before_db, before), (_, gain_now_db, now) = tried[-2:]
            assert before.loudness.integrated_lufs is not None and now.loudness.integrated_lufs is not None
            gained = now.loudness.integrated_lufs - before.loudness.integrated_lufs
            if gain_now_db - gain_before_db > 1.0 and gained < NOTHING_GAINED_LU:
                tried.pop()  # the sound is as loud as this ceiling lets it be
                break
            # The harder the limiter works, the less a dB brings; the bound keeps one step from running away.
            slope = min(max(gained / (gain_now_db - gain_before_db), 0.15), 1.0)
        gain_db += missing / slope
    return min(tried, key=lambda attempt: attempt[0])[2]


def target_of(plan: Plan) -> tuple[float | None, float]:
    """The plan's target as (integrated LUFS or None, ceiling in dBTP).

    Numbers that the plan writes beside the name of a published target take its place. Raises PlanError where
    no target has that name.
    """
    wanted = plan.loudness
    if wanted is None:
        return None, DEFAULT_CEILING_DBTP
    if wanted.name is None:
        return wanted.integrated_lufs, wanted.true_peak_dbtp
    published = find_target(wanted.name)
    if published is None:
        known = ", ".join(f"`{target.name}`" for target in TARGETS.values())
        message = (
            f"no published target is called `{wanted.name}`; write numbers, `-14 LUFS`, or one of {known}"
        )
        raise PlanError([plan.problem(("loudness",), message)])
    written = wanted.model_fields_set
    return (
        wanted.integrated_lufs if "integrated_lufs" in written else published.integrated_lufs,
        wanted.true_peak_dbtp if "true_peak_dbtp" in written else published.true_peak_dbtp,
    )


def verdict(plan: Plan, loudness: Loudness) -> TargetVerdict | None:
    """Whether a mastered mix meets the plan's target; None where the plan names none."""
    if plan.loudness is None:
        return None
    target_lufs, ceiling_dbtp = target_of(plan)
    reasons = []
    if target_lufs is not None:
        if loudness.integrated_lufs is None:
            reasons.append("its loudness is not measurable")
        elif abs(loudness.integrated_lufs - target_lufs) > TOLERANCE_LU:
            reasons.append(f"{loudness.integrated_lufs:.1f} LUFS instead of {target_lufs:g}")
    # The limiter's detector and the meter may differ by this much on sound above 20 kHz.
    if loudness.true_peak_dbtp is not None and loudness.true_peak_dbtp > ceiling_dbtp + 0.1:
        reasons.append(f"true peak {loudness.true_peak_dbtp:.1f} dBTP above {ceiling_dbtp:g}")
    return TargetVerdict(target_lufs, ceiling_dbtp, not reasons, "; ".join(reasons))


class MasterChain:
    """Gain and limiter of one setting: sound goes through block by block, the reduction is read after."""

    def __init__(self, setting: Setting, *, sample_rate_hz: int):
        self._gain = db_to_gain(setting.gain_db)
        self._limiter = (
            None
            if setting.ceiling_dbtp is None
            else Limiter(ceiling_dbtp=setting.ceiling_dbtp, sample_rate_hz=sample_rate_hz)
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
    def mean_reduction_db(self) -> float:
        """What the limiter has taken away on average over all frames, in dB."""
        return 0.0 if self._limiter is None else self._limiter.mean_reduction_db
