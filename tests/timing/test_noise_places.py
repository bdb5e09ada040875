"""Where noise sweeps lie, and what cannot be heard of them."""

from __future__ import annotations

import pytest

from mixrender.errors import PlanError
from mixrender.timing.timeline import Timeline
from tests.timing.timelines import steady, timeline


def swept(level: str) -> Timeline:
    text = f"""
tracks: {{a: a.wav, b: b.wav}}
transitions:
  - from: a
    to: b
    leave: 65
    enter: 1
    overlap: 16 bars
    noise_sweep: {{level: {level}, cutoff: 1 kHz}}
"""
    return timeline(text, steady(120.0), steady(120.0))


def noise_problems(found: Timeline) -> list[str]:
    return [problem.message for problem in found.problems if "noise_sweep" in problem.path]


def test_a_noise_lasts_from_the_first_to_the_last_point_of_its_level():
    found = swept("{8: silent, 16: -12 dB, 17: silent}")

    assert (found.noises[0].start_s, found.noises[0].end_s) == (144.0, 162.0)  # bars of 2 s, from bar 65 on
    assert noise_problems(found) == []


def test_a_noise_that_is_over_before_the_mix_begins_is_a_fault():
    with pytest.raises(PlanError, match=r"noise_sweep\.level: the noise is over before the mix begins"):
        swept("{-90: silent, -80: 0 dB, -70: silent}")


def test_a_noise_that_outlasts_the_last_track_is_warned_of():
    found = swept("{0: silent, 4: 0 dB, 200: silent}")

    assert noise_problems(found) == ["the noise goes on for 208.0 s after the last track has ended"]
