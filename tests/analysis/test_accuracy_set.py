"""The analysis of a fixed set of made-up tracks is as right as the benchmark wants it.

Scores are those of `mir_eval` (Raffel et al., "mir_eval: a transparent implementation of common MIR metrics",
ISMIR 2014) where they have a name there: beat F-measure, boundary detection, the weighted key score of MIREX.
The others and all bounds are our own: no source.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))
from analysis_scores import Score, score
from analysis_set import RATE_HZ, made_tracks
from analysis_totals import OWN, Figure, figures, reliability

from mixrender.analysis.track import measure
from mixrender.audio.read import probe

pytestmark = pytest.mark.accuracy

BEATS_F_MEASURE = 0.97
"""Of 1: the first and last beats of a track may be missed, before the music and after it."""


@pytest.fixture(scope="module")
def scores(tmp_path_factory) -> list[Score]:
    """What every track of the set scored."""
    folder = tmp_path_factory.mktemp("made")
    found = []
    for name, track, truth in made_tracks():
        path = folder / f"{name}.wav"
        soundfile.write(path, track.sound, RATE_HZ)
        found.append(score(measure(probe(path)), truth, name=name))
    return found


@pytest.fixture(scope="module")
def totals(scores) -> dict[str, Figure]:
    """The totals by name, with the aims for patterns of our own."""
    return {figure.name: figure for figure in figures(scores, group=OWN)}


@pytest.mark.parametrize(
    "name",
    [
        "tempo within 0.005 % up to a factor 2",
        "factor right",
        "beats placed (90 % within 20 ms)",
        "median offset where placed, 95th percentile",
        "bars right",
        "called sure",
        "sure and right",
        "varying tempo called sure",
        "key, weighted as MIREX does",
        "section borders found, within half a bar",
        "section borders true, within half a bar",
    ],
)
def test_the_set_is_analysed_as_well_as_the_benchmark_aims(totals, name):
    figure = totals[name]

    print(figure)
    assert figure.value is not None
    assert figure.aim is not None
    assert figure.is_met


def test_beats_agree_with_the_truth_by_the_published_measure(totals):
    found = totals["beats F within 70 ms"].value

    print(f"beat F-measure {found:.3f} (bound {BEATS_F_MEASURE})")
    assert found >= BEATS_F_MEASURE


def test_borders_agree_with_the_truth_by_the_published_measure(totals):
    recall, precision = (totals[f"the same, mir_eval {name}"].value for name in ("recall", "precision"))

    print(f"mir_eval.segment.detection: recall {recall:.3f} (bound 0.78), precision {precision:.3f} (0.75)")
    assert recall >= 0.78
    assert precision >= 0.75


def test_steady_tracks_are_not_said_to_drift(scores):
    drifting = [found.name for found in scores if found.steady and found.kind == "drifting"]

    print(f"{drifting} (bound: none)")
    assert drifting == []


def test_what_is_called_probable_is_right_that_often(scores):
    for line in reliability(scores):
        print(line)
    sure = [found for found in scores if found.steady and found.bar_1_sure]

    right = sum(found.right and bool(found.bars) for found in sure)
    print(f"beats and bar lines sure: {right} right of {len(sure)} (bound 90 %, what sure means)")
    assert len(sure) >= 5
    assert right >= 0.9 * len(sure)
