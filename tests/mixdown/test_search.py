"""The search for a master: how many passes it takes, and what it keeps from one target to the next."""

from __future__ import annotations

import numpy as np
import pytest

from mixrender.dsp.limiter import PACES
from mixrender.facts import Loudness
from mixrender.mixdown.chain import Mastering, Setting
from mixrender.mixdown.search import (
    CLOSE_ENOUGH_LU,
    LEAST_SLOPE,
    MOST_REDUCTION_DB,
    SQUEEZED_DB,
    STEP_DB,
    Search,
)

MIX_LUFS, PEAK_DBTP = -14.0, -1.0
NONE = np.zeros(0, np.float32)


class Limited:
    """A made-up mix: of `x` dB that its peak is driven over the ceiling, a pace lets through ever less.

    What comes out rises by `most_lu` × (1 - exp(-x / most_lu)), the faster the pace the higher; it takes
    `share` of what is missing away on average.
    """

    def __init__(self, *, most_lu: float, share: float):
        self._most_lu, self._share = most_lu, share
        self.settings: list[Setting] = []

    def __call__(self, setting: Setting) -> Mastering:
        self.settings.append(setting)
        assert setting.ceiling_dbtp is not None
        over_db = PEAK_DBTP + setting.gain_db - setting.ceiling_dbtp
        most_lu = self._most_lu * (1.0 + 0.25 * PACES.index(setting.pace))
        risen_lu = most_lu * -np.expm1(-over_db / most_lu) if over_db > 0.0 else over_db
        lufs = MIX_LUFS - PEAK_DBTP + setting.ceiling_dbtp + risen_lu
        loudness = Loudness(60.0, integrated_lufs=float(lufs), true_peak_dbtp=setting.ceiling_dbtp)
        mean_db = self._share * max(over_db - risen_lu, 0.0)
        return Mastering(setting, loudness, max(over_db, 0.0), float(mean_db), NONE, NONE)

    def search(self) -> Search:
        return Search(self, loudness_lufs=MIX_LUFS, peak_dbtp=PEAK_DBTP)


@pytest.mark.parametrize("most_lu", [4.0, 6.0, 12.0, 30.0])
@pytest.mark.parametrize("target_lufs", [-16.0, -13.0, -11.0, -9.5])
def test_a_loudness_that_can_be_had_is_found_in_few_passes(most_lu: float, target_lufs: float) -> None:
    # Bound: 10 passes, where each of four paces has 6.
    mix = Limited(most_lu=most_lu, share=0.6)
    found = mix.search().find(target_lufs=target_lufs, ceiling_dbtp=-1.0)

    missing_lu = abs(target_lufs - (found.loudness.integrated_lufs or 0.0))
    print(f"{len(mix.settings)} passes, bound 10; {missing_lu:.3f} LU off, bound {CLOSE_ENOUGH_LU}")
    can_be_had = target_lufs + 14.0 < 0.95 * most_lu * 1.75
    assert len(mix.settings) <= 10
    assert (missing_lu <= CLOSE_ENOUGH_LU) == can_be_had


def test_the_slowest_pace_that_is_not_squeezed_is_taken() -> None:
    mix = Limited(most_lu=6.0, share=1.0)
    found = mix.search().find(target_lufs=-10.0, ceiling_dbtp=-1.0)
    pace = PACES.index(found.setting.pace)

    assert pace > 0 and found.mean_reduction_db <= SQUEEZED_DB
    slower = [made for made in map(mix, list(mix.settings)) if made.setting.pace == PACES[pace - 1]]
    assert any(made.mean_reduction_db > SQUEEZED_DB for made in slower)


@pytest.mark.parametrize("most_lu", [2.0, 4.0, 6.0])
def test_of_a_loudness_out_of_reach_the_loudest_that_was_tried_is_taken(most_lu: float) -> None:
    mix = Limited(most_lu=most_lu, share=0.6)
    found = mix.search().find(target_lufs=-1.0, ceiling_dbtp=-1.0)
    tried = [mix(setting).loudness.integrated_lufs or 0.0 for setting in list(mix.settings)]

    print(f"{found.loudness.integrated_lufs:.2f} LUFS; reduction {found.max_reduction_db:.1f} dB, bound 20")
    assert found.loudness.integrated_lufs == max(tried)
    assert found.max_reduction_db <= MOST_REDUCTION_DB


@pytest.mark.parametrize("most_lu", [2.0, 4.0, 6.0])
def test_the_search_goes_no_further_than_one_step_into_where_nothing_more_comes(most_lu: float) -> None:
    mix = Limited(most_lu=most_lu, share=0.6)
    found = mix.search().find(target_lufs=-1.0, ceiling_dbtp=-1.0)
    gains_db = (found.setting.gain_db - STEP_DB - 1.0, found.setting.gain_db - STEP_DB)
    less, more = (mix(Setting(gain_db, -1.0, PACES[-1])) for gain_db in gains_db)
    slope = (more.loudness.integrated_lufs or 0.0) - (less.loudness.integrated_lufs or 0.0)

    print(f"a step before the last a dB brings {slope:.2f} LU, bound {LEAST_SLOPE * 0.5:.3f}")
    assert found.setting.pace == PACES[-1]
    assert slope >= LEAST_SLOPE * 0.5


def test_a_target_that_only_just_cannot_be_had_gets_the_same_loudest() -> None:
    """Of -4 and of -7 LUFS the pass at which the curve goes flat is the nearest, and is not thrown away."""
    found = [
        Limited(most_lu=3.0, share=0.6).search().find(target_lufs=lufs, ceiling_dbtp=-1.0)
        for lufs in (-4.0, -7.0)
    ]
    levels = [one.loudness.integrated_lufs or 0.0 for one in found]
    print(f"{levels[0]:.2f} and {levels[1]:.2f} LUFS, bound 0.2 LU apart; at most {-14 + 3.0 * 1.75:.2f}")
    assert abs(levels[0] - levels[1]) <= 0.2


@pytest.mark.parametrize("most_lu", [1.5, 2.0, 3.0, 4.0, 5.0])
def test_the_loudest_that_can_be_had_is_found_when_it_is_asked_for(most_lu: float) -> None:
    def level(target_lufs: float) -> float:
        found = Limited(most_lu=most_lu, share=0.6).search().find(target_lufs=target_lufs, ceiling_dbtp=-1.0)
        return found.loudness.integrated_lufs or 0.0

    most_lufs = level(-1.0)
    missed_lu = [wanted - level(wanted) for wanted in most_lufs - np.array([0.05, 0.1, 0.3])]
    print(f"at most {most_lufs:.2f} LUFS; less of it misses by {np.round(missed_lu, 3)}, bound 0.05 LU")
    assert max(np.abs(missed_lu)) <= CLOSE_ENOUGH_LU


def test_the_nearest_known_pass_serves_where_a_later_search_need_not_climb() -> None:
    mix = Limited(most_lu=2.0, share=0.6)
    search = mix.search()
    first = search.find(target_lufs=-4.0, ceiling_dbtp=-1.0)
    before = len(mix.settings)
    again = search.find(target_lufs=-5.0, ceiling_dbtp=-2.0)

    print(f"{len(mix.settings) - before} more passes, bound 1")
    assert len(mix.settings) - before == 1
    assert search.find(target_lufs=-5.3, ceiling_dbtp=-2.1).setting.pace == first.setting.pace
    assert again.loudness.integrated_lufs == pytest.approx((first.loudness.integrated_lufs or 0.0) - 1.0)


@pytest.mark.parametrize("ceiling_dbtp", [-1.0, -2.0, -3.5])
def test_what_was_heard_serves_for_another_ceiling(ceiling_dbtp: float) -> None:
    # The same loudness above the ceiling is one pass away, whatever the ceiling.
    mix = Limited(most_lu=6.0, share=0.6)
    search = mix.search()
    first = search.find(target_lufs=-10.0, ceiling_dbtp=-1.0)
    before = len(mix.settings)
    again = search.find(target_lufs=-9.0 + ceiling_dbtp, ceiling_dbtp=ceiling_dbtp)

    print(f"{before} passes, then {len(mix.settings) - before}, bound 1")
    assert before > 1 and len(mix.settings) - before == 1
    assert again.setting.pace == first.setting.pace
    assert again.loudness.integrated_lufs == pytest.approx(-9.0 + ceiling_dbtp, abs=CLOSE_ENOUGH_LU)
