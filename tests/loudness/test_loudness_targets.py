"""Targets by name and by figures, and the verdicts on what was measured."""

from __future__ import annotations

import numpy as np
import pytest
from loudness_cases import tone

from mixrender.facts import Loudness
from mixrender.loudness.judge import Judgement, judge, judge_all
from mixrender.loudness.meter import measure
from mixrender.loudness.targets import TARGETS, find_target, read_target

RATE_HZ = 48_000


def loudness(
    integrated_lufs: float | None = -14.0,
    *,
    true_peak_dbtp: float | None = -1.0,
    max_short_term_lufs: float | None = -12.0,
) -> Loudness:
    return Loudness(
        duration_s=100.0,
        integrated_lufs=integrated_lufs,
        true_peak_dbtp=true_peak_dbtp,
        max_short_term_lufs=max_short_term_lufs,
    )


def distances(judgement: Judgement) -> dict[str, float | None]:
    return {criterion.name: criterion.distance for criterion in judgement.criteria}


# --- targets ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "bounds_lufs", "true_peak_dbtp", "max_short_term_lufs"),
    [
        # EBU R 128 (2023) and its supplement 1, as EBU Tech 3343 (2023), 9.1 and 11.2, quotes them.
        ("EBU R 128", (-23.2, -22.8), -1.0, None),
        ("EBU R 128 s1", (-23.2, -22.8), -1.0, -18.0),
        # The others are second-hand, from the trade press. Two readings of AES77: 2 LU either way, or never
        # louder; the bounds keep to both.
        ("EBU R 128 s2", (-20.2, -15.8), -1.0, None),
        ("AES TD1004", (-20.0, -16.0), -1.0, None),
        ("AES77 music track", (-18.0, -16.0), -1.0, None),
        ("AES77 music album", (-16.0, -14.0), -1.0, None),
        ("ATSC A/85", (-26.0, -22.0), -2.0, None),
    ],
)
def test_a_published_target_has_the_figures_of_its_document(
    name, bounds_lufs, true_peak_dbtp, max_short_term_lufs
):
    target = read_target(name)

    assert (target.lowest_lufs, target.highest_lufs) == pytest.approx(bounds_lufs, abs=1e-9)
    assert (target.true_peak_dbtp, target.max_short_term_lufs) == (true_peak_dbtp, max_short_term_lufs)


def test_every_published_target_names_its_document_and_how_its_figures_are_known():
    assert all(target.document and target.source for target in TARGETS.values())
    assert all(TARGETS[target.name.lower()] is target for target in TARGETS.values())


@pytest.mark.parametrize("text", ["EBU R 128", "ebu r128", "EBUR128", "  Ebu  R 1 28 "])
def test_a_name_is_found_whatever_its_capitals_and_spaces(text):
    found = find_target(text)

    assert found is not None and found.name == "EBU R 128"


def test_an_unknown_name_is_refused_with_the_nearest_and_all_that_are_known():
    with pytest.raises(ValueError, match=r"`EBU R 127` \(did you mean `EBU R 128`\?\).*`ATSC A/85`"):
        read_target("EBU R 127")


@pytest.mark.parametrize(
    ("text", "integrated_lufs", "true_peak_dbtp", "name"),
    [
        ("-14 LUFS, -1 dBTP", -14.0, -1.0, "-14 LUFS, -1 dBTP"),
        ("-1.5dbtp,−9.5 lufs", -9.5, -1.5, "-9.5 LUFS, -1.5 dBTP"),
        ("-14 LUFS", -14.0, -1.0, "-14 LUFS, -1 dBTP"),
        ("-2 dBTP", None, -2.0, "-2 dBTP"),
        ("{integrated: -14 LUFS, true_peak: -1 dBTP}", -14.0, -1.0, "-14 LUFS, -1 dBTP"),
        ("true_peak: 0 dBTP", None, 0.0, "0 dBTP"),
        ("ebu r128, -2 dBTP", -23.0, -2.0, "EBU R 128, -2 dBTP"),
        ("{name: EBU R 128, integrated: -20 LUFS}", -20.0, -1.0, "EBU R 128, -20 LUFS"),
    ],
)
def test_figures_are_read_in_the_words_of_a_plan(text, integrated_lufs, true_peak_dbtp, name):
    target = read_target(text)

    assert (target.integrated_lufs, target.true_peak_dbtp, target.name) == (
        integrated_lufs,
        true_peak_dbtp,
        name,
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("-14", "without a unit; write `-14 LUFS`"),
        ("-14 LUFS, -1", "without a unit; write `-1 dBTP`"),
        ("-14 dB", "write an integrated loudness such as `-14 LUFS`"),
        ("-14 LUFS, +1 dBTP", "a true peak lies from -30 to 0 dBTP"),
        ("-14 LUFS, -9 LUFS", "write one figure in LUFS"),
        ("-1 dBTP, -2 dBTP", "write one figure in dBTP"),
        ("-14 LUFS, range: 5 LU", "write `integrated` or `true_peak` before a colon"),
        ("-14 LUFS,", "found ``"),
        ("", "nothing is written; write figures, `-14 LUFS, -1 dBTP`, or the name of a published target"),
        (" ", "nothing is written"),
        ("-14,5 LUFS", "found `-14,5 LUFS`; write numbers with a point, as in `-14.5 LUFS`"),
        ("-14 LUFS, -1,5 dBTP", "as in `-14 LUFS, -1.5 dBTP`"),
        ("R128", "(did you mean `EBU R 128`, `EBU R 128 s1` or `EBU R 128 s2`?)"),
        ("EBU", "did you mean `EBU R 128`, "),
        ("aes77", "(did you mean `AES77 music track` or `AES77 music album`?)"),
        ("AES77 track", "(did you mean `AES77 music track`?)"),
        ("EBU R 128, loud", "write a true peak such as `-1 dBTP`"),
        ("EBU R 128 s9, -1 dBTP", "did you mean `EBU R 128"),
    ],
)
def test_figures_that_cannot_be_read_are_refused_with_what_to_write(text, message):
    with pytest.raises(ValueError) as caught:
        read_target(text)

    assert message in str(caught.value)


# --- verdicts --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("integrated_lufs", "distance"),
    [(-23.0, 0.0), (-23.2, 0.0), (-22.8, 0.0), (-22.7, 0.1), (-23.3, -0.1), (-9.0, 13.8), (-30.0, -6.8)],
)
def test_the_distance_is_to_the_nearest_loudness_that_is_allowed(integrated_lufs, distance):
    judgement = judge(loudness(integrated_lufs), read_target("EBU R 128"))

    assert distances(judgement)["integrated"] == distance
    assert judgement.passed is (distance == 0.0)


@pytest.mark.parametrize(
    ("true_peak_dbtp", "distance"),
    # EBU Tech 3341, 2.8: a figure is shown with one decimal. So it is judged.
    [(-1.0, 0.0), (-0.96, 0.0), (-0.94, 0.1), (0.4, 1.4), (-20.0, 0.0)],
)
def test_the_true_peak_is_judged_as_it_is_shown(true_peak_dbtp, distance):
    judgement = judge(loudness(true_peak_dbtp=true_peak_dbtp), read_target("-14 LUFS"))

    assert distances(judgement) == {"integrated": 0.0, "true peak": distance}
    assert judgement.passed is (distance == 0.0)


@pytest.mark.parametrize(("true_peak_dbtp", "distance"), [(-1.25, 0.0), (-1.21, 0.0), (-1.15, 0.1)])
def test_a_bound_of_two_decimals_is_met_by_a_figure_that_equals_it(true_peak_dbtp, distance):
    judgement = judge(loudness(true_peak_dbtp=true_peak_dbtp), read_target("-14 LUFS, -1.25 dBTP"))

    assert distances(judgement) == {"integrated": 0.0, "true peak": distance}


def test_the_short_term_maximum_counts_where_the_target_bounds_it():
    measured = loudness(-23.0, true_peak_dbtp=-6.0, max_short_term_lufs=-16.5)

    assert judge(measured, read_target("EBU R 128")).passed is True
    assert distances(judge(measured, read_target("EBU R 128 s1")))["short-term maximum"] == 1.5


@pytest.mark.parametrize(
    ("text", "integrated_lufs", "gain_db"),
    [
        ("-14 LUFS", -17.2, 3.2),
        ("-14 LUFS", -9.0, -5.0),
        ("EBU R 128", -22.9, -0.1),
        # Of a range, the nearest end.
        ("AES TD1004", -14.0, -2.0),
        ("AES TD1004", -23.0, 3.0),
        ("AES TD1004", -17.0, 0.0),
        # A tolerance is no aim.
        ("AES77 music track", -22.0, 6.0),
    ],
)
def test_the_gain_leads_to_the_nearest_loudness_that_is_asked_for(text, integrated_lufs, gain_db):
    judgement = judge(loudness(integrated_lufs, true_peak_dbtp=-2.8), read_target(text))

    assert judgement.gain_db == pytest.approx(gain_db, abs=1e-9)
    assert judgement.true_peak_after_dbtp == pytest.approx(gain_db - 2.8, abs=1e-9)


@pytest.mark.parametrize("level_dbfs", [-35.0, -3.0])
def test_sound_with_the_gain_applied_has_the_loudness_and_the_true_peak_that_were_told(level_dbfs):
    """Bounds 0.001 LU and dB: a gain of x dB lifts both by x (arithmetic)."""
    sound = tone([(4.0, level_dbfs), (4.0, level_dbfs - 6.0)], rate_hz=RATE_HZ, frequency_hz=7_350.0)
    judgement = judge(measure(sound, sample_rate_hz=RATE_HZ), read_target("-14 LUFS"))
    assert judgement.gain_db is not None and judgement.true_peak_after_dbtp is not None

    after = measure(sound * 10 ** (judgement.gain_db / 20), sample_rate_hz=RATE_HZ)

    assert after.integrated_lufs is not None and after.true_peak_dbtp is not None
    off = abs(after.integrated_lufs + 14.0), abs(after.true_peak_dbtp - judgement.true_peak_after_dbtp)
    print(f"{off[0]:.6f} LU, {off[1]:.6f} dB")
    assert max(off) < 0.001


def test_what_would_lie_over_the_ceiling_after_the_gain_is_told():
    judgement = judge(loudness(-17.2, true_peak_dbtp=-2.8), read_target("-14 LUFS, -1 dBTP"))

    assert judgement.over_after_db == 1.4


def test_of_silence_nothing_is_measurable_and_there_is_no_verdict():
    silence = measure(np.zeros((RATE_HZ * 4, 2)), sample_rate_hz=RATE_HZ)

    judgement = judge(silence, read_target("EBU R 128 s1"))

    assert set(distances(judgement).values()) == {None}
    assert (judgement.passed, judgement.gain_db, judgement.true_peak_after_dbtp) == (None, None, None)


def test_a_loud_click_too_short_to_have_a_loudness_fails_by_its_true_peak():
    judgement = judge(loudness(None, true_peak_dbtp=0.0), read_target("-14 LUFS"))

    assert distances(judgement) == {"integrated": None, "true peak": 1.0}
    assert judgement.passed is False


def test_an_album_is_judged_by_its_loudest_track_and_all_get_its_gain():
    album = [loudness(-20.0, true_peak_dbtp=-6.0), loudness(-17.0, true_peak_dbtp=-3.0), loudness(None)]

    judgements = judge_all(album, read_target("AES77 music album"))

    assert [distances(judgement)["integrated"] for judgement in judgements] == [0.0, -1.0, None]
    assert [judgement.gain_db for judgement in judgements] == [3.0, 3.0, 3.0]
    assert [judgement.true_peak_after_dbtp for judgement in judgements] == [-3.0, 0.0, 2.0]


def test_an_album_of_silence_has_no_verdict():
    judgements = judge_all([loudness(None, true_peak_dbtp=None)], read_target("AES77 music album"))

    assert [judgement.passed for judgement in judgements] == [None]
