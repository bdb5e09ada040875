"""EBU Tech 3341: a loudness range of the first 60 s is not stable, and has to be marked."""

from pathlib import Path

import pytest

from mixrender.facts import Loudness
from mixrender.loudness.survey import survey_of
from mixrender.report.loudness_report import survey_document, survey_tables


def survey(*loudness):
    return survey_of([(Path(f"{number}.wav"), one) for number, one in enumerate(loudness)])


@pytest.mark.parametrize(
    ("duration_s", "range_lu", "printed", "is_marked"),
    [(59.9, 4.2, "4.2*", True), (60.0, 4.2, "4.2", False), (2.0, None, "-", False)],
)
def test_the_range_of_less_than_a_minute_is_marked_in_the_table(duration_s, range_lu, printed, is_marked):
    table = survey_tables(survey(Loudness(duration_s=duration_s, loudness_range_lu=range_lu)))[0]
    (cells,) = ([*column.cells] for column in table.columns if column.header == "range LU")

    assert [cell.replace("–", "-") for cell in cells] == [printed]
    assert ("not stable" in str(table.caption)) == is_marked


def test_the_range_of_less_than_a_minute_is_marked_in_json():
    figures = [Loudness(duration_s=s, loudness_range_lu=4.2) for s in (59.9, 60.0)]

    assert [file["loudness_range_unstable"] for file in survey_document(survey(*figures))["files"]] == [
        True,
        False,
    ]
