"""Good plans become the objects that the rest of the program works with; places lead back to the text."""

import math
from pathlib import Path

import pytest
from pydantic import ValidationError

from mixrender.plan.check import check_plan
from mixrender.plan.load import parse_plan
from mixrender.plan.model import (
    InPosition,
    LanePoint,
    Length,
    LoudnessTarget,
    Output,
    Plan,
    Position,
    TempoRamp,
    Track,
    Transition,
)

GOOD = Path(__file__).parent / "data" / "good"
IN, AT = InPosition, Position


def read(name):
    file = GOOD / f"{name}.yaml"
    return parse_plan(file.read_text(encoding="utf-8"), file=file)


def test_two_lines_make_a_plan_with_all_defaults():
    plan = read("two_lines")

    assert [track.name for track in plan.tracks] == ["ferry", "02-The-Lantern-2"]
    assert plan.tracks[1].path == GOOD / "audio/02 The Lantern #2.mp3"
    assert plan.transitions == ()
    assert (None, True, Output(), (250.0, 2500.0), "tracks") == (
        plan.loudness,
        plan.limiter,
        plan.output,
        plan.bands_hz,
        plan.match_loudness,
    )
    assert (plan.output.format, plan.output.bits, plan.output.rate_hz) == ("flac", "24", None)


def test_full_plan_is_read_field_by_field():
    plan = read("full")
    lantern = plan.tracks[1]

    assert (
        plan.title,
        plan.date,
        plan.note,
    ) == ("Night Ferry", "2026-11-21", "for the boat: bring both sticks")
    assert plan.length_s == 3510.0
    assert LoudnessTarget(integrated_lufs=-14.0, true_peak_dbtp=-1.0) == plan.loudness
    assert (plan.output.rate_hz, plan.tempo_bpm, plan.match_loudness) == (44100, 124.0, "regions")
    assert (AT(bars=1), 0.0, AT(bars=129), 8.0) == (
        plan.start.at,
        plan.start.fade_bars,
        plan.end.at,
        plan.end.fade_bars,
    )
    assert (lantern.grid.tempo_bpm, lantern.grid.bar_1_s, lantern.grid.beats_per_bar) == (126.0, 0.231, 4)
    assert (
        lantern.key,
        lantern.gain_db,
        lantern.key_lock,
        lantern.shift_semitones,
    ) == ("F minor", -1.5, False, 1.0)
    assert lantern.cues == {"break": 49.0, "drop": 65.0}
    assert [str(point.position) for point in lantern.moves["highpass"]] == ["drop - 8", "drop", "75"]
    assert Length(bars=1.0) == lantern.moves["highpass"][2].move
    assert math.isnan(lantern.moves["highpass"][2].value)


def test_full_transition_is_read_field_by_field():
    (transition,) = read("full").transitions

    assert (transition.from_track, transition.to_track) == ("ferry", "lantern")
    assert (AT(bars=97), AT(cue="drop", bars=-16), Length(bars=16)) == (
        transition.leave,
        transition.enter,
        transition.overlap,
    )
    assert (TempoRamp(to_bpm=126.0, start=IN(), over_bars=16.0),) == transition.tempo
    assert (
        transition.recipe,
        transition.curve,
        transition.count,
        transition.beatmatch,
        transition.nudge_s,
    ) == ("bass-swap", "sharp", "plain", True, 0.004)
    ferry, lantern = transition.moves["ferry"], transition.moves["lantern"]
    assert (
        LanePoint(position=IN(bars=12), value=0.0),
        LanePoint(position=IN(bars=16), value=-math.inf),
    ) == ferry["level"]
    assert (LanePoint(position=IN(bars=8), value=-math.inf, move=Length(beats=2)),) == ferry["low"]
    assert IN(from_end=True, bars=-0.5) == ferry["highpass"][1].position
    assert lantern["level"][1].move == "at once"


def test_short_and_mixed_ways_to_write_tracks_and_ramps():
    plan = read("ramps")

    assert [track.name for track in plan.tracks] == ["night", "day", "c"]
    assert ("off", LoudnessTarget(integrated_lufs=-16.0)) == (plan.match_loudness, plan.loudness)
    assert ("hold", Length(beats=2.0)) == (plan.transitions[0].tempo, plan.transitions[0].gap)
    assert (
        TempoRamp(to_bpm=120.0, start=IN(bars=-4), over_bars=4.0),
        TempoRamp(to_bpm=None, start=IN(from_end=True, bars=-2), over_bars=0.0),
    ) == plan.transitions[1].tempo


def test_anchors_aliases_and_merged_maps_are_written_out():
    plan = read("anchors")

    assert [str(track.file) for track in plan.tracks] == ["a.wav", "b.wav", "a.wav"]
    assert (
        plan.tracks[1].cues,
        plan.tracks[1].gain_db,
        plan.tracks[2].key,
    ) == ({"in": 9.0}, -2.0, "Bb major")
    assert plan.transitions[0].moves["one"] == plan.transitions[1].moves["two"]


def test_places_lead_back_to_the_text():
    plan = read("full")

    assert plan.where(("transitions", 0, "overlap")) == (36, 14)
    assert plan.line_text(36)[13:] == "16 bars"
    assert plan.where(("transitions", 0, "moves", "ferry", "level", "16")) == (46, 34)
    assert plan.line_text(46)[33:] == "silent}"
    assert plan.where(("tracks", "lantern", "file")) == (18, 11)
    assert plan.where(("tracks", "lantern")) == (17, 3)
    assert plan.where(("transitions", 0, "overlap", "nothing", 3)) == (36, 14)
    assert plan.where(()) == (1, 1)


def test_problem_counts_from_one_and_carries_file_and_place():
    plan = read("full")
    problem = plan.problem(("transitions", 0, "overlap"), "too long", "warning")

    assert f"{GOOD / 'full.yaml'}:36:14: transitions[1].overlap: warning: too long" == str(problem)


def test_tracks_in_a_list_are_found_by_their_names():
    assert read("ramps").where(("tracks", "night")) == (4, 12)
    assert read("ramps").where(("tracks", "c", "file")) == (6, 11)


def test_relative_paths_start_from_the_folder_of_the_plan_and_absolute_ones_do_not():
    plan = parse_plan("tracks: [x/a.wav, /b/c.wav]", file=Path("/some/mix.yaml"))

    assert [Path("/some/x/a.wav"), Path("/b/c.wav")] == [track.path for track in plan.tracks]


def test_same_file_name_in_two_folders_gets_two_names():
    plan = parse_plan("tracks: [a/x.wav, b/x.wav, x-2: c.wav]")

    assert [track.name for track in plan.tracks] == ["x", "x-3", "x-2"]


def test_plan_made_in_python_takes_numbers_and_has_no_places():
    plan = Plan(
        tempo_bpm=124,
        tracks=(Track(name="a", file="a.wav", gain_db=-2), Track(name="b", file="b.wav")),
        transitions=(Transition(from_track="a", to_track="b", leave=97, overlap="16 bars", tempo="hold"),),
    )

    assert (124.0, -2.0, AT(bars=97)) == (plan.tempo_bpm, plan.tracks[0].gain_db, plan.transitions[0].leave)
    assert None is plan.where(("transitions", 0))
    assert [str(p.message) for p in check_plan(plan)] == ["`a.wav` does not exist", "`b.wav` does not exist"]


def test_plan_cannot_be_changed():
    with pytest.raises(ValidationError, match="frozen"):
        read("two_lines").title = "x"


def test_names_of_python_are_not_words_of_the_language():
    with pytest.raises(Exception, match="unknown field `tempo_bpm`; did you mean `tempo`"):
        parse_plan("tempo_bpm: 126 BPM\ntracks: [a.wav]")


@pytest.mark.parametrize("text", ["5", "true", "2026-11-21", "'true'", "0x1F", "1_000", "off"])
def test_titles_stay_as_they_are_written(text):
    assert text.strip("'") == parse_plan(f"title: {text}\ntracks: [a.wav]").title


def test_published_target_is_kept_by_its_name_with_what_overrides_it():
    named = parse_plan("loudness: some target\ntracks: [a.wav]").loudness
    changed = parse_plan("loudness: {name: some target, true_peak: -2 dBTP}\ntracks: [a.wav]").loudness

    assert (named.name, named.integrated_lufs) == ("some target", None)
    assert "true_peak_dbtp" not in named.model_fields_set
    assert (changed.name, changed.true_peak_dbtp) == ("some target", -2.0)
