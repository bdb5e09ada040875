"""The mix before the master goes in; one constant gain, a limiter's setting and their figures come out."""

from __future__ import annotations

import math
from dataclasses import replace

from mixrender.dsp.dither import DITHER_PEAK_STEPS
from mixrender.errors import PlanError
from mixrender.formats import FORMATS
from mixrender.mixdown.chain import Blocks, Mastering, Setting, listen
from mixrender.mixdown.search import CLOSE_ENOUGH_LU, SQUEEZED_DB, Search, missing_lu
from mixrender.mixdown.target import target_of
from mixrender.plan.model import Output, Plan
from mixrender.progress import Progress
from mixrender.units import db_to_gain, gain_to_db

TOLERANCE_LU = 0.1
"""A target is missed beyond this."""

REDUCTION_WARN_DB = 6.0
MEAN_REDUCTION_WARN_DB = SQUEEZED_DB
"""More reduction than this, at its greatest or on average over the whole mix, is done, and warned of: it
changes how the mix sounds. Common practice, no source."""


class MasterFinder:
    """Decides the master of a mix of `frames` frames, for one plan after another; remembers what it heard."""

    def __init__(self, blocks: Blocks, *, frames: int, sample_rate_hz: int, progress: Progress):
        self._blocks = blocks
        self._frames = frames
        self._sample_rate_hz = sample_rate_hz
        self._progress = progress
        self._before: Mastering | None = None
        self._search: Search | None = None
        self.passes = 0

    def find(self, plan: Plan) -> Mastering:
        """The master that a plan asks for.

        Without a loudness target the gain only ever lowers: to bring the true peak to the ceiling, with no
        limiter. With one, the gain is searched for until the limited mix is as loud as asked. Raises
        PlanError where the plan forbids the limiter and the target cannot be had without it.
        """
        target_lufs, wanted_dbtp = target_of(plan)
        ceiling_dbtp = _with_room_for_dither(wanted_dbtp, plan.output)
        if self._before is None:
            self._before = self._listen(Setting(0.0, None), "Measuring the mix")
        before = self._before
        loudness_lufs, peak_dbtp = before.loudness.integrated_lufs, before.loudness.true_peak_dbtp
        if peak_dbtp is None:
            return replace(before, warnings=("the mix is silent",))
        if target_lufs is None or loudness_lufs is None:
            setting = Setting(min(0.0, ceiling_dbtp - peak_dbtp), None)
            return before if setting == before.setting else self._listen(setting, "Mastering")
        if not plan.limiter:
            gain_db = target_lufs - loudness_lufs
            over_db = peak_dbtp + gain_db - ceiling_dbtp
            if over_db > CLOSE_ENOUGH_LU:
                raise _over_without_limiter(plan, target_lufs, wanted_dbtp, over_db)
            return self._listen(Setting(gain_db - max(over_db, 0.0), None), "Mastering")
        if self._search is None:
            self._search = Search(self._next_pass, loudness_lufs=loudness_lufs, peak_dbtp=peak_dbtp)
        found = self._search.find(target_lufs=target_lufs, ceiling_dbtp=ceiling_dbtp)
        return found

    def _next_pass(self, setting: Setting) -> Mastering:
        self.passes += 1
        return self._listen(setting, f"Mastering, pass {self.passes}")

    def _listen(self, setting: Setting, label: str) -> Mastering:
        return listen(
            self._blocks,
            setting,
            frames=self._frames,
            sample_rate_hz=self._sample_rate_hz,
            progress=self._progress,
            label=label,
        )


def _over_without_limiter(plan: Plan, target_lufs: float, ceiling_dbtp: float, over_db: float) -> PlanError:
    """What to say where a target needs the limiter that the plan forbids; what it offers can be had."""
    within_lufs = math.floor(10.0 * (target_lufs - over_db)) / 10.0
    message = (
        f"{target_lufs:g} LUFS would put the true peak {over_db:.1f} dB over {ceiling_dbtp:g} dBTP and the "
        f"plan says `limiter: false`; ask for {within_lufs:.1f} LUFS or less, or allow it"
    )
    return PlanError([plan.problem(("limiter",), message)])


def limiter_warning(found: Mastering, *, searched_lufs: float, asked_lufs: float, reached_lufs: float) -> str:
    """That the limiter takes much away, or that what is asked for cannot be had, and what can; else empty.

    `searched_lufs` is what the master was searched for, `asked_lufs` what the plan asks for, which a codec
    may make another, and `reached_lufs` what the finished file has.
    """
    most_db, mean_db = found.max_reduction_db, found.mean_reduction_db
    takes = f"the limiter takes up to {most_db:.1f} dB away, {mean_db:.1f} dB on average"
    # To one decimal, as verdicts count.
    is_missed = round(asked_lufs - reached_lufs, 1) > TOLERANCE_LU
    if (
        found.setting.ceiling_dbtp is not None
        and is_missed
        and missing_lu(found, searched_lufs) > TOLERANCE_LU
    ):
        within_lufs = math.floor(10.0 * (reached_lufs + TOLERANCE_LU / 2)) / 10.0
        return (
            f"{takes}, on the way to {asked_lufs:.4g} LUFS, and reaches {reached_lufs:.1f}; "
            f"ask for {within_lufs:.1f} LUFS or less"
        )
    if most_db <= REDUCTION_WARN_DB and mean_db <= MEAN_REDUCTION_WARN_DB:
        return ""
    return f"{takes}, to reach {asked_lufs:.4g} LUFS; a lower target would keep more of the punch"


def _with_room_for_dither(ceiling_dbtp: float, output: Output) -> float:
    """The ceiling for sound that will be made whole numbers: a little lower, as dither may lift a peak."""
    if output.bits == "float" or FORMATS[output.format].is_lossy:
        return ceiling_dbtp
    return gain_to_db(db_to_gain(ceiling_dbtp) - DITHER_PEAK_STEPS / 2 ** (int(output.bits) - 1))
