"""The loudness that a plan asks for: numbers, the name of a published document, or neither."""

from __future__ import annotations

import pytest

from mixrender.errors import PlanError
from mixrender.facts import Loudness
from mixrender.mixdown.target import target_of, verdict
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
        # The texts of `loudness --target` are those of a plan.
        ("loudness: -14 LUFS, -2 dBTP", -14.0, -2.0),
        ("loudness: -2 dBTP", None, -2.0),
        ("loudness: EBU R 128, -2 dBTP", -23.0, -2.0),
        ("loudness: EBU R 128, -20 LUFS", -20.0, -1.0),
        ("loudness: 'integrated: -14 LUFS, true_peak: -2 dBTP'", -14.0, -2.0),
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


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("-14 LUFS, -9 LUFS", "write one figure in LUFS"),
        ("-14,5 LUFS", "write numbers with a point, as in `-14.5 LUFS`"),
        ("-14 LUFS, -1", "without a unit; write `-1 dBTP`"),
        ("-14 dB", "write an integrated loudness such as `-14 LUFS`"),
        ("R128", "did you mean `EBU R 128`, "),
        ("''", "nothing is written"),
    ],
)
def test_a_target_that_cannot_be_read_is_a_fault_of_the_plan_at_its_place(text, message):
    with pytest.raises(PlanError) as caught:
        target(f"loudness: {text}")

    assert message in str(caught.value)
    assert [problem.line for problem in caught.value.problems] == [1]


def judged(words: str, **figures: float | None):
    return verdict(parse_plan(f"{words}\ntracks: [a.flac]\n"), Loudness(duration_s=60.0, **figures))


@pytest.mark.parametrize(
    ("words", "figures", "reason"),
    [
        ("loudness: -14 LUFS", {"integrated_lufs": -14.1, "true_peak_dbtp": -0.96}, ""),
        ("loudness: -14 LUFS", {"integrated_lufs": -16.3}, "-16.3 LUFS instead of -14, 2.3 LU too quiet"),
        ("loudness: -14 LUFS", {"integrated_lufs": -13.5}, "-13.5 LUFS instead of -14, 0.5 LU too loud"),
        (
            "loudness: {true_peak: -2 dBTP}",
            {"integrated_lufs": -3.0, "true_peak_dbtp": -1.9},
            "its true peak of -1.9 dBTP lies 0.1 dB above the -2 dBTP allowed",
        ),
        # What the published document allows: 0.2 LU, and a range as it stands.
        ("loudness: EBU R 128", {"integrated_lufs": -23.2, "true_peak_dbtp": -3.0}, ""),
        ("loudness: AES TD1004", {"integrated_lufs": -19.9}, ""),
        (
            "loudness: AES TD1004",
            {"integrated_lufs": -21.0},
            "-21.0 LUFS instead of -20 to -16, 1.0 LU too quiet",
        ),
        # EBU R 128 s1: short-term loudness of at most -18 LUFS (EBU Tech 3343, 9.1).
        (
            "loudness: EBU R 128 s1",
            {"integrated_lufs": -23.0, "max_short_term_lufs": -16.2},
            "short-term maximum -16.2 LUFS, 1.8 LU above the -18 allowed",
        ),
        ("loudness: -14 LUFS", {}, "its loudness is not measurable"),
        ("loudness: {true_peak: -2 dBTP}", {}, ""),
    ],
)
def test_a_mix_is_judged_by_every_criterion_of_its_target(words, figures, reason):
    told = judged(words, **figures)

    assert (told.passed, told.reason) == (not reason, reason)
    assert {one.name for one in told.criteria} >= {"true peak"}


def test_a_number_takes_the_place_of_the_target_s_own_and_leaves_its_other_bounds():
    told = judged(
        "loudness: {name: EBU R 128 s1, integrated: -20 LUFS}",
        integrated_lufs=-20.2,
        max_short_term_lufs=-17.0,
        true_peak_dbtp=-1.0,
    )

    assert told.reason == "short-term maximum -17.0 LUFS, 1.0 LU above the -18 allowed"
    assert [(one.name, one.distance) for one in told.criteria] == [
        ("integrated", 0.0),
        ("true peak", 0.0),
        ("short-term maximum", 1.0),
    ]


def test_without_a_target_there_is_no_verdict():
    assert judged("", integrated_lufs=-9.0) is None
