"""What people are told of files that miss a target, beyond what the command's own tests show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from mixrender.facts import Loudness
from mixrender.loudness.survey import survey_of
from mixrender.loudness.targets import Target, read_target
from mixrender.report.loudness_report import advice, survey_csv, survey_tables

S1 = read_target("EBU R 128 s1")


def told(target: Target, **figures: float | None) -> list[str]:
    return advice(survey_of([(Path("a.wav"), Loudness(duration_s=30.0, **figures))], target=target))


def test_the_loudest_3_s_are_told_where_the_gain_would_leave_them_over():
    assert told(S1, integrated_lufs=-29.0, true_peak_dbtp=-9.0, max_short_term_lufs=-20.0) == [
        "a.wav: integrated 5.8 LU under; +6.0 dB gain reaches -23.0 LUFS; its true peak would be -3.0 dBTP; "
        "its loudest 3 s would be 4.0 LU over, so it needs compression"
    ]


def test_the_loudest_3_s_alone_over_are_told():
    assert told(S1, integrated_lufs=-23.0, true_peak_dbtp=-9.0, max_short_term_lufs=-17.0) == [
        "a.wav: short-term maximum 1.0 LU over; -1.0 dB gain brings it down, which leaves -24.0 LUFS; "
        "limiting keeps the loudness"
    ]


def test_a_range_that_is_too_wide_is_told_without_a_gain():
    target = replace(read_target("-23 LUFS"), max_range_lu=10.0)

    assert told(target, integrated_lufs=-23.0, true_peak_dbtp=-9.0, loudness_range_lu=12.5) == [
        "a.wav: loudness range 2.5 LU over; no gain changes that"
    ]


def test_a_true_peak_over_is_told_where_the_loudness_is_not_measurable():
    assert told(read_target("-14 LUFS"), true_peak_dbtp=0.5) == [
        "a.wav: true peak 1.5 dB over; -1.5 dB gain brings it down; limiting keeps the loudness"
    ]


def test_an_album_that_is_too_loud_is_turned_down_with_its_quieter_files():
    loud = Loudness(duration_s=60.0, integrated_lufs=-8.0, true_peak_dbtp=-2.0)
    quiet = Loudness(duration_s=60.0, integrated_lufs=-15.0, true_peak_dbtp=0.5)
    album = [(Path("a.wav"), loud), (Path("b.wav"), quiet)]

    assert advice(survey_of(album, target=read_target("AES77 music album")))[1] == (
        "b.wav: true peak 1.5 dB over; -6.0 dB gain reaches -21.0 LUFS; its true peak would be -5.5 dBTP"
    )


def test_what_is_met_or_not_measurable_needs_no_advice():
    assert told(S1, integrated_lufs=-23.0, true_peak_dbtp=-9.0, max_short_term_lufs=-19.0) == []
    assert told(S1) == []


def test_of_no_files_there_are_no_tables_and_csv_has_its_names_alone():
    survey = survey_of([], target=S1)

    assert survey_tables(survey) == []
    assert survey_csv(survey).startswith("file,duration_s,integrated_lufs,")
    assert survey_csv(survey).count("\r\n") == 1
