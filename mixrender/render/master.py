"""The mix before the master to the delivered sound: one constant gain, a limiter, and the figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from mixrender.dsp.limiter import Limiter
from mixrender.errors import InputError, PlanError
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.loudness.targets import TARGETS
from mixrender.plan.model import Plan
from mixrender.render.result import MasterFigures, TargetVerdict
from mixrender.units import FloatArray, db_to_gain

DEFAULT_CEILING_DBTP = -1.0
CLOSE_ENOUGH_LU = 0.05
TOLERANCE_LU = 0.1
"""The target is searched for to within the first, and missed beyond the second."""

MAX_PASSES = 6

REDUCTION_WARN_DB = 6.0
"""More reduction than this is done, and warned of: it changes how the mix sounds."""

Blocks = Callable[[], Iterable[FloatArray]]
"""Gives the whole mix before the master, block by block; may be called again for another pass."""


@dataclass(frozen=True)
class Setting:
    """A master that is decided: the constant gain, and the ceiling of the limiter (None: no limiter)."""

    gain_db: float
    ceiling_dbtp: float | None


@dataclass(frozen=True)
class Mastering:
    """What `find_setting` found: how to master, and what came of it."""

    setting: Setting
    loudness: Loudness
    max_reduction_db: float
    mean_reduction_db: float
    warnings: tuple[str, ...] = ()

    def figures(self) -> MasterFigures:
        """The figures for the report."""
        return MasterFigures(self.setting.gain_db, self.max_reduction_db, self.mean_reduction_db, False)


def find_setting(blocks: Blocks, plan: Plan, *, sample_rate_hz: int) -> Mastering:
    """Measure the mix and decide its master.

    Without a loudness target the gain only ever lowers: to bring the true peak to -1 dBTP, with no limiter.
    With one, the gain is searched for until the limited mix is as loud as asked. Raises InputError where the
    plan forbids the limiter and the target cannot be had without it.
    """
    before, _ = _pass(blocks, Setting(0.0, None), sample_rate_hz)
    target_lufs, ceiling_dbtp = target_of(plan)
    peak_dbtp = before.true_peak_dbtp
    if peak_dbtp is None:
        return Mastering(Setting(0.0, None), before, 0.0, 0.0, ("the mix is silent",))
    if target_lufs is None or before.integrated_lufs is None:
        setting = Setting(min(0.0, ceiling_dbtp - peak_dbtp), None)
        after, _ = _pass(blocks, setting, sample_rate_hz)
        return Mastering(setting, after, 0.0, 0.0)
    gain_db = target_lufs - before.integrated_lufs
    over_db = peak_dbtp + gain_db - ceiling_dbtp
    if over_db > 0 and not plan.limiter:
        message = (
            f"{target_lufs:g} LUFS would put the true peak {over_db:.1f} dB over {ceiling_dbtp:g} dBTP and "
            f"the plan says `limiter: false`; ask for {target_lufs - over_db:.1f} LUFS or less, or allow it"
        )
        raise InputError(message)
    return _search(blocks, target_lufs, gain_db, ceiling_dbtp, sample_rate_hz)


def _search(
    blocks: Blocks, target_lufs: float, gain_db: float, ceiling_dbtp: float, sample_rate_hz: int
) -> Mastering:
    """Limiting takes loudness away, so the gain is raised by what is missing until nothing is."""
    best: Mastering | None = None
    for _ in range(MAX_PASSES):
        setting = Setting(gain_db, ceiling_dbtp)
        loudness, limiter = _pass(blocks, setting, sample_rate_hz)
        assert loudness.integrated_lufs is not None and limiter is not None
        missing = target_lufs - loudness.integrated_lufs
        found = Mastering(setting, loudness, limiter.max_reduction_db, limiter.mean_reduction_db)
        if best is None or abs(missing) < abs(target_lufs - (best.loudness.integrated_lufs or -99.0)):
            best = found
        if abs(missing) <= CLOSE_ENOUGH_LU:
            break
        # Half as much again: each dB of gain brings less than a dB of loudness once the limiter works.
        gain_db += missing * (1.5 if missing > 0 and limiter.max_reduction_db > 0 else 1.0)
    assert best is not None
    if best.max_reduction_db > REDUCTION_WARN_DB:
        warning = (
            f"the limiter takes up to {best.max_reduction_db:.1f} dB away to reach {target_lufs:g} LUFS; "
            "a lower target would keep more of the punch"
        )
        return Mastering(
            best.setting, best.loudness, best.max_reduction_db, best.mean_reduction_db, (warning,)
        )
    return best


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
    published = TARGETS.get(" ".join(wanted.name.lower().split()))
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


def mastered(blocks: Iterable[FloatArray], setting: Setting, *, sample_rate_hz: int) -> Iterator[FloatArray]:
    """The blocks with gain and limiter applied; their total length and their place in time stay."""
    limiter = _limiter(setting, sample_rate_hz)
    gain = db_to_gain(setting.gain_db)
    yield from _through(blocks, gain, limiter)


def _limiter(setting: Setting, sample_rate_hz: int) -> Limiter | None:
    if setting.ceiling_dbtp is None:
        return None
    return Limiter(ceiling_dbtp=setting.ceiling_dbtp, sample_rate_hz=sample_rate_hz)


def _through(blocks: Iterable[FloatArray], gain: float, limiter: Limiter | None) -> Iterator[FloatArray]:
    for block in blocks:
        scaled = block if gain == 1.0 else block * gain
        out = scaled if limiter is None else limiter.push(scaled)
        if len(out):
            yield out
    if limiter is not None:
        rest = limiter.flush()
        if len(rest):
            yield rest


def _pass(blocks: Blocks, setting: Setting, sample_rate_hz: int) -> tuple[Loudness, Limiter | None]:
    """Master the whole mix without keeping it, and measure it."""
    meter = Meter(sample_rate_hz=sample_rate_hz)
    limiter = _limiter(setting, sample_rate_hz)
    for block in _through(blocks(), db_to_gain(setting.gain_db), limiter):
        meter.push(block)
    return meter.result(), limiter
