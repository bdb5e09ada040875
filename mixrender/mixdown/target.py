"""What a plan says of loudness goes in; the target it means, and the verdict on a finished mix, come out."""

from __future__ import annotations

from dataclasses import replace

from mixrender.errors import PlanError
from mixrender.facts import Loudness
from mixrender.loudness.judge import INTEGRATED, TRUE_PEAK, Criterion, Judgement, judge
from mixrender.loudness.targets import FREE_TRUE_PEAK_DBTP, Target, published_target
from mixrender.mixdown.result import TargetVerdict
from mixrender.plan.model import Plan


def plan_target(plan: Plan) -> Target | None:
    """The target that the plan names or writes; None where it does neither.

    Numbers that the plan writes beside the name of a published target take its place. Raises PlanError where
    no target has that name.
    """
    wanted = plan.loudness
    if wanted is None:
        return None
    lufs = wanted.integrated_lufs
    aims_lufs = None if lufs is None else (lufs, lufs)
    if wanted.name is None:
        return Target("", None, "as asked for", aims_lufs, wanted.true_peak_dbtp)
    try:
        published = published_target(wanted.name)
    except ValueError as error:
        raise PlanError([plan.problem(("loudness",), str(error))]) from None
    written = wanted.model_fields_set
    return replace(
        published,
        aims_lufs=aims_lufs if "integrated_lufs" in written else published.aims_lufs,
        true_peak_dbtp=wanted.true_peak_dbtp if "true_peak_dbtp" in written else published.true_peak_dbtp,
    )


def target_of(plan: Plan) -> tuple[float | None, float]:
    """What to aim at: integrated loudness in LUFS or None, and the ceiling in dBTP. Raises PlanError."""
    target = plan_target(plan)
    return (None, FREE_TRUE_PEAK_DBTP) if target is None else (target.integrated_lufs, target.true_peak_dbtp)


def verdict(plan: Plan, loudness: Loudness) -> TargetVerdict | None:
    """Whether a finished mix meets every criterion of the plan's target; None where the plan names none.

    A mix whose loudness is not measurable does not: it was asked to have one.
    """
    target = plan_target(plan)
    if target is None or plan.loudness is None:
        return None
    judgement = judge(loudness, target)
    reasons = [_reason(one, judgement) for one in judgement.criteria if _is_missed(one)]
    return TargetVerdict(
        target.integrated_lufs,
        target.true_peak_dbtp,
        not reasons,
        "; ".join(reasons),
        plan.loudness.name,
        judgement.criteria,
    )


def _is_missed(criterion: Criterion) -> bool:
    return criterion.passed is False or (criterion.name == INTEGRATED and criterion.passed is None)


def _reason(missed: Criterion, judgement: Judgement) -> str:
    """By how much a criterion is missed, in words."""
    if missed.value is None:
        return "its loudness is not measurable"
    if missed.name == INTEGRATED:
        assert judgement.gain_db is not None and judgement.target.aims_lufs is not None
        aims = " to ".join(f"{lufs:g}" for lufs in dict.fromkeys(judgement.target.aims_lufs))
        way = "quiet" if judgement.gain_db > 0.0 else "loud"
        return f"{missed.value:.1f} LUFS instead of {aims}, {abs(judgement.gain_db):.1f} LU too {way}"
    if missed.name == TRUE_PEAK:
        assert missed.highest is not None
        return over_words(missed.value, ceiling_dbtp=missed.highest)
    over = f"{missed.distance or 0.0:.1f} LU above the {missed.highest:g} allowed"
    return f"{missed.name} {missed.value:.1f} {missed.unit}, {over}"


def over_words(peak_dbtp: float, *, ceiling_dbtp: float) -> str:
    """That a true peak lies over its ceiling, and by how much, in words."""
    over_db = round(peak_dbtp - ceiling_dbtp, 1)
    return (
        f"its true peak of {peak_dbtp:.1f} dBTP lies {over_db:.1f} dB above the {ceiling_dbtp:g} dBTP allowed"
    )
