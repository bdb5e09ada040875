"""The report of a mix: what the JSON, the CSV and the tables say of it, of its tracks and transitions."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import pytest
import soundfile
from rich.cells import cell_len
from small_mixes import BPM, LIMITED, UNMATCHED, render_small, repeated, uneven_tracks

from mixrender.facts import Loudness
from mixrender.loudness.meter import measure
from mixrender.mixdown.result import MasterFigures, TargetVerdict
from mixrender.report.document import loudness_details, mix_document, suggested_gains_db, to_json
from mixrender.report.mix_csv import mix_csv
from mixrender.report.mix_tables import clips_tables, levelling_lines, mix_tables, target_lines
from mixrender.terminal import aligned

FIGURES = {
    "integrated_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "max_momentary_s",
    "max_short_term_lufs",
    "max_short_term_s",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "true_peak_s",
    "true_peak_channel",
    "plr_lu",
}
REDUCTION = {"max_gain_reduction_db", "mean_gain_reduction_db"}


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mix")
    return render_small(LIMITED, uneven_tracks(folder), folder)


@pytest.fixture(scope="module")
def report(result):
    return json.loads(to_json(mix_document(result)))


@pytest.fixture(scope="module")
def unmeasured(result):
    """The same as a preview would have it: nothing is known of the mix."""
    return replace(
        result,
        loudness=None,
        transitions=(None, replace(result.transitions[1], overlap=None)),
        master=MasterFigures(0.0, 0.0, 0.0, True),
        target=None,
        sound=None,
        tracks=(),
        levelling=None,
    )


# --- JSON ------------------------------------------------------------------------------------------------


def test_mix_tracks_and_transitions_have_every_figure(report):
    assert set(report["mix"]) >= FIGURES and set(report["master"]) >= REDUCTION | {"gain_db"}
    for part in [track["in_mix"] for track in report["tracks"]] + [
        t["overlap"] for t in report["transitions"]
    ]:
        assert set(part) >= FIGURES | REDUCTION | {"start_s", "end_s"}
        assert part["true_peak_channel"] in ("left", "right")
        assert part["plr_lu"] == part["true_peak_dbtp"] - part["integrated_lufs"]
        assert part["sample_peak_dbfs"] <= part["true_peak_dbtp"]
        assert part["start_s"] <= part["max_momentary_s"] <= part["end_s"]
    for track in report["tracks"]:
        assert set(track["alone"]) >= FIGURES | REDUCTION
    first, second = (transition["loudness_step_lu"] for transition in report["transitions"])
    # 8 bars lie before and after the second overlap alone.
    assert first is None and isinstance(second, float)


def step_in_file_lu(mix):
    """The 8 bars after the second overlap less the 8 before it, cut from the file and measured alone."""
    delivered, rate_hz = soundfile.read(mix.files[0])
    transition, bars_s = mix.timeline.transitions[1], 8 * 4 * 60.0 / BPM
    edges_s = (transition.start_s - bars_s, transition.start_s, transition.end_s, transition.end_s + bars_s)
    frames = [round(edge_s * rate_hz) for edge_s in edges_s]
    before, after = (
        measure(delivered[a:b], sample_rate_hz=rate_hz).integrated_lufs for a, b in (frames[:2], frames[2:])
    )
    return after - before


def test_the_step_across_a_transition_is_that_of_the_delivered_file(result):
    found_lu, expected_lu = result.transitions[1].loudness_step_lu, step_in_file_lu(result)

    print(f"step {found_lu:.4f} LU, of the file {expected_lu:.4f}, within 0.005")
    # LU: the weighting filters of what is measured alone start anew
    assert abs(found_lu - expected_lu) <= 0.005


@pytest.mark.accuracy
def test_the_step_tells_what_the_limiter_leaves_of_it(tmp_path):
    tracks = uneven_tracks(tmp_path, gains=(0.5, 0.1, 0.6))
    limited = render_small("loudness: -9 LUFS\n" + UNMATCHED, tracks, tmp_path / "limited")
    untouched = render_small(UNMATCHED, tracks, tmp_path / "untouched")

    found_lu, before_lu = (mix.transitions[1].loudness_step_lu for mix in (limited, untouched))
    print(f"step {found_lu:.4f} LU, in front of the limiter {before_lu:.4f}, at least 0.5 greater")
    assert abs(found_lu - step_in_file_lu(limited)) <= 0.005
    assert before_lu - found_lu >= 0.5  # LU: a hundred times the bound above


def test_a_track_keeps_the_figures_of_its_source_beside_those_in_the_mix(result, report):
    for track, placed in zip(report["tracks"], result.timeline.tracks, strict=True):
        assert track["integrated_lufs"] == placed.facts.loudness.integrated_lufs
        assert track["in_mix"]["integrated_lufs"] != track["integrated_lufs"]


def test_the_spread_and_what_would_even_it_out_are_told(result, report):
    levelling = report["levelling"]
    alone = {track["name"]: track["alone"]["integrated_lufs"] for track in report["tracks"]}

    assert levelling["spread_lu"] == max(alone.values()) - min(alone.values())
    assert levelling["loudest"] == max(alone, key=alone.get) == "a"
    assert levelling["quietest"] == min(alone, key=alone.get) == "b"
    assert [track["suggested_gain_db"] for track in report["tracks"]] == suggested_gains_db(result)
    assert levelling["advice"].startswith("To even it out: a -")


def test_what_was_not_measured_is_null(unmeasured):
    report = json.loads(to_json(mix_document(unmeasured)))

    assert {report["mix"][name] for name in FIGURES} == {None}
    assert report["levelling"] is None
    for track in report["tracks"]:
        assert track["in_mix"] is track["alone"] is track["suggested_gain_db"] is None
    assert [transition["overlap"] for transition in report["transitions"]] == [None]


def test_silence_has_figures_that_are_null():
    assert set(loudness_details(Loudness(duration_s=5.0)).values()) == {None}


# --- CSV -------------------------------------------------------------------------------------------------


def rows_of(result):
    return list(csv.DictReader(io.StringIO(mix_csv(result), newline="")))


def test_csv_has_a_line_for_the_mix_each_track_and_each_transition(result, report):
    rows = rows_of(result)

    assert [(row["kind"], row["index"], row["name"]) for row in rows] == [
        ("mix", "1", "mix.flac"),
        ("track", "1", "a"),
        ("track", "2", "b"),
        ("track", "3", "c"),
        ("transition", "1", "a > b"),
        ("transition", "2", "b > c"),
    ]
    parts = [report["mix"]] + [track["in_mix"] for track in report["tracks"]]
    parts += [transition["overlap"] for transition in report["transitions"]]
    for row, part in zip(rows, parts, strict=True):
        for name in FIGURES:
            assert row[name] == ("" if part[name] is None else str(part[name])), name
    assert mix_csv(result).count("\r\n") == 7


def test_csv_leaves_empty_what_does_not_belong_to_a_kind(result):
    mix, track, *_, transition = rows_of(result)

    assert mix["alone_lufs"] == mix["loudness_step_lu"] == ""
    assert track["alone_lufs"] and track["source_lufs"] and track["gain_db"] and not track["loudness_step_lu"]
    assert transition["gain_db"] == transition["alone_lufs"] == ""
    assert all(None not in row.values() and None not in row for row in rows_of(result))


def test_csv_of_a_mix_without_figures_has_its_names(unmeasured):
    blank = replace(unmeasured, transitions=(None, None))

    assert [row["kind"] for row in rows_of(blank)] == ["mix", *["track"] * 3, *["transition"] * 2]
    assert rows_of(blank)[0]["integrated_lufs"] == ""


def test_a_name_cannot_break_a_line_of_csv(result):
    hostile = repeated(result, 1, names=['a,"b\nc', "d"])
    rows = rows_of(hostile)

    assert len(rows) == 6 and rows[1]["name"] == 'a,"b\nc'


# --- tables ----------------------------------------------------------------------------------------------


def lines_of(tables):
    return [line for table in tables for line in aligned(table)]


def test_tables_tell_of_the_mix_its_tracks_and_its_overlaps(result):
    lines = lines_of(mix_tables(result))

    for name in ("the mix", "a", "b", "c", "a → b", "b → c"):
        of_it = [line for line in lines if re.match(rf" (\d +)?{name}  ", line)]
        assert len(of_it) == 2, name
    loudness = result.loudness
    assert loudness is not None and any(
        line.split()[:3] == ["the", "mix", f"{loudness.integrated_lufs:.1f}"] for line in lines
    )


def test_tables_are_narrow(result):
    named = repeated(result, 1, names=["longer-name-1", "longer-name-2", "longer-name-3"])
    widest = max(map(cell_len, lines_of(mix_tables(named))))

    print(f"widest line {widest}, at most 100 columns with names of 13 letters")
    assert widest <= 100


def test_a_lossy_mix_has_a_row_for_the_sound_before_encoding(result):
    lossy = replace(result, before_encoding=result.loudness)
    lines = lines_of(mix_tables(lossy))

    assert sum("before encoding" in line for line in lines) == 2
    assert sum("the mix, as delivered" in line for line in lines) == 2


def test_the_lines_on_levelling_name_the_tracks_and_the_gains(result):
    apart, advice = levelling_lines(result)

    assert apart.endswith("LU apart: a is the loudest, b the quietest.")
    assert advice.startswith("To even it out: a -") and "(as `gain:` of the track)" in advice
    assert "`match_loudness: true` matches loud parts of tracks, `regions` what meets" in advice


@pytest.mark.parametrize("setting", ["tracks", "regions", "off"])
def test_the_advice_on_levelling_never_recommends_what_the_plan_has(result, setting):
    plan_words = {"tracks": "true", "regions": "regions", "off": "false"}
    advice = levelling_lines(replace(result, match_loudness=setting))[1]
    recommended = set(re.findall(r"`match_loudness: (\w+)` matches", advice))

    assert plan_words[setting] not in recommended
    assert recommended or "will then step" in advice
    assert mix_document(replace(result, match_loudness=setting))["levelling"]["advice"] == advice


def test_tracks_that_are_equally_loud_are_said_to_be(result):
    assert result.levelling is not None
    even = replace(result.levelling, spread_lu=0.04, changes_db=(0.0, 0.0, 0.0))

    assert levelling_lines(replace(result, levelling=even)) == [
        "Between the overlaps the tracks are equally loud."
    ]


@pytest.mark.parametrize(
    ("target", "line"),
    [
        (
            TargetVerdict(-11.0, -1.0, True),
            "Target: -11 LUFS, at most -1 dBTP: met, with -9.9 LUFS and -1.2 dBTP.",
        ),
        (TargetVerdict(None, -2.0, True), "Target: at most -2 dBTP: met, with -9.9 LUFS and -1.2 dBTP."),
        (
            TargetVerdict(-23.0, -1.0, False, "it is 13.1 LU too loud", "EBU R 128"),
            "Target: EBU R 128, -23 LUFS, at most -1 dBTP: missed: it is 13.1 LU too loud.",
        ),
    ],
)
def test_one_line_says_whether_the_target_is_met_or_by_how_much_it_is_missed(result, target, line):
    loudness = replace(result.loudness, integrated_lufs=-9.9, true_peak_dbtp=-1.2)

    assert target_lines(replace(result, loudness=loudness, target=target)) == [line]
    assert target_lines(replace(result, target=None)) == []


def test_the_overlaps_have_their_loudest_0_4_s(result):
    (head, *_) = [line for line in lines_of(mix_tables(result)) if "step LU" in line]
    (row,) = [line for line in lines_of(mix_tables(result)[-1:]) if "b → c" in line]
    momentary_lufs = result.transitions[1].overlap.loudness.max_momentary_lufs

    assert "  M LUFS  " in head
    assert row.split()[5] == f"{momentary_lufs:.1f}"


def test_nothing_is_said_of_levelling_where_it_was_not_measured(unmeasured):
    assert levelling_lines(unmeasured) == []
    assert mix_tables(unmeasured)
    assert clips_tables(unmeasured)
