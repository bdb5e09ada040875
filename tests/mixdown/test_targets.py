"""The loudness that a plan asks for: numbers, the name of a published document, or neither."""

from __future__ import annotations

import pytest

from mixrender.errors import PlanError
from mixrender.mixdown.master import target_of
from mixrender.plan.load import parse_plan


def target(words: str) -> tuple[float | None, float]:
    return target_of(parse_plan(f"{words}\ntracks: [a.flac]\n"))


@pytest.mark.parametrize(
    ("words", "integrated_lufs", "true_peak_dbtp"),
    [
        ("", None, -1.0),
        ("loudness: -14 LUFS", -14.0, -1.0),
        ("loudness: {true_peak: -2 dBTP}", None, -2.0),
        # EBU R 128 (2023): -23.0 LUFS, at most -1 dBTP in linear PCM, as EBU Tech 3343 (2023) quotes it.
        ("loudness: EBU R 128", -23.0, -1.0),
        ("loudness: ebu  r 128", -23.0, -1.0),
        ("loudness: EBUR128", -23.0, -1.0),
        # Where a document asks for a range, -20 to -16 LUFS, a mix is brought to its middle.
        ("loudness: AES TD1004", -18.0, -1.0),
    ],
)
def test_a_target_is_numbers_or_a_published_name(words, integrated_lufs, true_peak_dbtp):
    assert target(words) == (integrated_lufs, true_peak_dbtp)


def test_an_unknown_target_is_a_fault_of_the_plan_that_names_the_known_ones():
    with pytest.raises(PlanError, match=r"no published target is called `EBU R 12`.*`EBU R 128`") as caught:
        target("loudness: EBU R 12")

    assert (caught.value.problems[0].path, caught.value.problems[0].line) == ("loudness", 1)
