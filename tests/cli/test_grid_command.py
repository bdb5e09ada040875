"""The command `grid`: shows a track's grid, corrects it by hand for every plan, takes corrections back."""

from __future__ import annotations

import json
import shlex
import shutil

import mutagen.flac
import numpy as np
import pytest
import soundfile
import typer.main
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from mixrender import api
from mixrender.analysis import library
from mixrender.audio.cache import Cache
from mixrender.cli import app
from mixrender.errors import InputError
from mixrender.facts import Doubt, Grid
from mixrender.plan.load import parse_plan
from mixrender.plan.places import Shift
from mixrender.timing.corrections import grid_command

RATE_HZ = 44100
BPM = 125.0
BEAT_S = 60.0 / BPM
EXACT_S = 1e-9
"""Bound of times after a correction: it is arithmetic on what was found, in double precision."""


def drums(bars: int) -> np.ndarray:
    """A kick on each beat, louder on the first of a bar, and a hat between: shape (n, 2), from 0.25 s on."""
    rng = np.random.default_rng(3)
    sound = np.zeros(round((0.25 + bars * 4 * BEAT_S) * RATE_HZ))
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    kick = np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-t * 40)))) * np.exp(-t * 25)
    hat = 0.2 * rng.normal(size=2000) * np.exp(-np.arange(2000) / 300)
    for beat in range(bars * 4):
        for place_s, hit in ((beat, kick * (0.7 if beat % 4 == 0 else 0.4)), (beat + 0.5, hat)):
            start = round((0.25 + place_s * BEAT_S) * RATE_HZ)
            sound[start : start + len(hit)] += hit[: len(sound) - start]
    return np.column_stack([sound, sound])


@pytest.fixture(scope="session")
def music(tmp_path_factory):
    folder = tmp_path_factory.mktemp("grid-music")
    soundfile.write(folder / "ferry.flac", drums(16), RATE_HZ)
    noise = 0.1 * np.random.default_rng(5).normal(size=(6 * RATE_HZ, 2))
    soundfile.write(folder / "sea noise.flac", noise, RATE_HZ)
    return folder


@pytest.fixture(scope="session")
def analysed(music, tmp_path_factory):
    """A cache in which both files are analysed and nothing is corrected."""
    cache = Cache(tmp_path_factory.mktemp("grid-cache"))
    for file in music.iterdir():
        api.analyze(file, cache=cache)
    return cache


@pytest.fixture
def cache(analysed, tmp_path):
    shutil.copytree(analysed.root, tmp_path / "cache")
    return Cache(tmp_path / "cache")


@pytest.fixture
def ferry(music):
    return music / "ferry.flac"


@pytest.fixture
def run(cache, monkeypatch):
    monkeypatch.setenv("MIXRENDER_CACHE", str(cache.root))
    # A file of its own would outlive the test.
    monkeypatch.delenv("MIXRENDER_LIBRARY", raising=False)

    def run(*args):
        return CliRunner().invoke(app, [str(arg) for arg in args])

    return run


@pytest.fixture
def grid(run, ferry):
    """Run `grid` on the drums and give its JSON."""

    def grid(*options, file=ferry):
        done = run("grid", file, *options, "--json")
        assert done.exit_code == 0, done.stderr
        return json.loads(done.stdout)

    return grid


def bar_1_and_tempo(document):
    return document["first_downbeat_s"], document["tempo_bpm"]


# --- showing ---------------------------------------------------------------------------------------------


def test_without_options_the_grid_is_shown_and_left_as_it_is(run, ferry, grid):
    found = grid()
    done = run("grid", ferry)

    assert done.exit_code == 0
    for words in (
        "Grid of ferry.flac",
        "125.00 BPM",
        "steady",
        f"at {found['first_downbeat_s']:.3f} s",
        "sure",
    ):
        assert words in done.stdout
    assert "by hand" not in done.stdout and "locked" not in done.stdout
    assert (found["corrections"], found["locked"], found["changes"]) == ([], False, [])
    assert grid() == found


def test_a_track_without_a_beat_says_so(run, music):
    done = run("grid", music / "sea noise.flac")

    assert done.exit_code == 0
    assert "none found" in done.stdout


def test_a_doubt_is_shown_with_the_command_that_cures_it(run, music, cache, monkeypatch):
    file = music / "ferry.flac"
    facts = api.analyze(file, cache=cache)
    doubts = (Doubt("tempo", "62 or 125 BPM?", "--half"), Doubt("key", "the key may also be C major"))
    monkeypatch.setattr("mixrender.api.grids.analyze", lambda *a, **b: _with_doubts(facts, doubts))

    done = run("grid", file)

    assert f"tempo: 62 or 125 BPM? (to change it: `mixrender grid {file} --half`)" in done.stdout
    assert "C major" not in done.stdout


def _with_doubts(facts, doubts):
    return type(facts)(**{**vars(facts), "doubts": doubts})


# --- correcting ------------------------------------------------------------------------------------------

EDITS = [
    (["--double"], 0.0, 2.0, "tempo doubled"),
    (["--half"], 0.0, 0.5, "tempo halved"),
    (["--shift", "1 beat"], BEAT_S, 1.0, "beats and bars 1 beat later"),
    (["--shift", "-1 beat"], 3 * BEAT_S, 1.0, "beats and bars 1 beat earlier"),
    (["--shift", "-1/2 beat"], 3.5 * BEAT_S, 1.0, "beats and bars 0.5 beats earlier"),
    (["--shift", "1 bar"], 4 * BEAT_S, 1.0, "beats and bars 1 bar later"),
    (["--shift", "-12 ms"], -0.012, 1.0, "beats and bars 12 ms earlier"),
    (["--shift", "0.4 s"], 0.4, 1.0, "beats and bars 400 ms later"),
    (["--tempo", "126"], 0.0, 126 / BPM, "tempo 126 BPM"),
    (["--tempo", "126.5 BPM"], 0.0, 126.5 / BPM, "tempo 126.5 BPM"),
    (["--beats-per-bar", "3"], 0.0, 1.0, "3 beats per bar"),
]


@pytest.mark.parametrize(
    ("options", "later_s", "faster", "words"), EDITS, ids=[" ".join(e[0]) for e in EDITS]
)
def test_a_correction_is_exact_and_kept(grid, options, later_s, faster, words):
    bar_1_s, bpm = bar_1_and_tempo(grid())

    done = grid(*options)

    print(f"bar 1 {done['first_downbeat_s']:.9f} s, wanted {bar_1_s + later_s:.9f} s, bound {EXACT_S} s")
    assert done["first_downbeat_s"] == pytest.approx(bar_1_s + later_s, abs=EXACT_S)
    assert done["tempo_bpm"] == pytest.approx(bpm * faster, rel=1e-12)
    assert done["corrections"] == [words]
    assert [doubt for doubt in done["doubts"] if doubt["part"] != "key"] == []
    assert grid() == {**done, "changes": []}


def test_the_bar_that_begins_at_a_time_is_bar_1(grid):
    bar_1_s = grid()["first_downbeat_s"]

    assert grid("--bar-1", "12.345 s")["first_downbeat_s"] == 12.345
    assert grid("--bar-1", "0 min 2.5 s")["first_downbeat_s"] == 2.5
    assert grid("--bar-line", f"{bar_1_s + 9 * BEAT_S:.9f} s")["first_downbeat_s"] == pytest.approx(
        bar_1_s + BEAT_S, abs=1e-8
    )


def test_several_corrections_are_kept_one_by_one_and_each_is_printed_before_and_after(run, ferry, grid):
    found = grid()

    done = run("grid", ferry, "--beats-per-bar", "3", "--bar-1", "1 s", "--double")

    lines = [line.split() for line in done.stdout.splitlines()]
    before = ["125.00", f"{found['first_downbeat_s']:.3f}", "4", "steady"]
    assert ["before", *before] in lines
    assert ["tempo", "doubled", "250.00", before[1], "4", "steady"] in lines
    assert ["bar", "1", "at", "1", "s", "250.00", "1.000", "4", "steady"] in lines
    assert ["3", "beats", "per", "bar", "250.00", "1.000", "3", "steady"] in lines
    assert "corrected by hand: tempo doubled; bar 1 at 1 s; 3 beats per bar" in done.stdout
    assert len(grid()["corrections"]) == 3


def test_the_json_of_a_change_holds_the_grid_before_and_after_it(grid):
    before = grid()

    (change,) = grid("--double")["changes"]

    assert change["words"] == "tempo doubled"
    assert change["before"] == {name: before[name] for name in change["before"]}
    assert change["after"] == {**change["before"], "tempo_bpm": 2 * before["tempo_bpm"]}


def test_tempo_and_bar_1_give_a_grid_to_a_track_without_a_beat(grid, music):
    file = music / "sea noise.flac"

    done = grid("--tempo", "90", "--bar-1", "0.5 s", file=file)

    assert (done["grid"], *bar_1_and_tempo(done)) == ("steady", 0.5, 90.0)
    assert done["corrections"] == ["tempo 90 BPM, bar 1 at 0.5 s"]
    assert grid("--undo", file=file)["grid"] == "none"


# --- taking back, locking --------------------------------------------------------------------------------


def test_undo_gives_back_the_identical_grid_step_by_step(grid):
    steps = [grid(), grid("--double"), grid("--shift", "0.3 beats"), grid("--bar-1", "3 s")]

    for before in reversed(steps[:-1]):
        assert {**grid("--undo"), "changes": []} == {**before, "changes": []}


def test_reset_takes_everything_back(grid):
    found = grid()
    grid("--double", "--shift", "1 beat")
    grid("--lock")

    assert {**grid("--reset", "--unlock"), "changes": []} == found
    assert grid("--reset") == found


def test_a_locked_grid_refuses_every_change_until_it_is_unlocked(run, ferry, grid):
    grid("--half")
    locked = grid("--lock")
    assert locked["locked"] and locked["corrections"] == ["tempo halved"]

    for options in (["--double"], ["--shift", "1 beat"], ["--undo"], ["--reset"]):
        done = run("grid", ferry, *options)
        assert done.exit_code == 2
        assert f"{ferry}: the grid is locked; `mixrender grid {ferry} --unlock`" in done.stderr
    assert grid() == locked

    assert not grid("--unlock")["locked"]
    assert grid("--double")["tempo_bpm"] == pytest.approx(BPM, rel=1e-4)


def test_one_command_unlocks_changes_and_locks_again(grid):
    grid("--lock")
    done = grid("--unlock", "--half")
    assert (done["locked"], done["corrections"]) == (False, ["tempo halved"])

    done = grid("--double", "--lock")
    assert (done["locked"], done["corrections"]) == (True, ["tempo halved", "tempo doubled"])
    assert grid("--unlock", "--undo")["corrections"] == ["tempo halved"]


def test_locking_and_unlocking_alone_leaves_no_trace(grid):
    found = grid()

    assert grid("--lock")["corrections"] == []
    assert grid("--unlock") == found
    assert grid("--unlock") == found


# --- what cannot be --------------------------------------------------------------------------------------

REFUSED = [
    (["--tempo", "500"], "--tempo: found `500`; a tempo lies from 20 to 400 BPM"),
    (["--tempo", "fast"], "--tempo: found `fast`; write a tempo such as `126 BPM`"),
    (["--bar-1", "12"], "--bar-1: found `12` without a unit; write `12 s`"),
    (["--bar-1", "900 s"], "ferry.flac: --bar-1: bar 1 cannot lie at 900 s: the file ends at 31.0 s"),
    (["--bar-line", "1:20"], "--bar-line: found `1:20`; write `1 min 20 s`, with its units"),
    (["--shift", "1"], "--shift: found `1` without a unit; write `1 beat`"),
    (
        ["--shift", "400 beats"],
        "--shift: found `400 beats`; a shift is not greater than 256 beats either way",
    ),
    (["--shift", "40 bars"], "ferry.flac: --shift: bar 1 cannot lie at 77.05"),
    (["--beats-per-bar", "0"], "--beats-per-bar: found `0`; write the beats per bar, a whole number from 1"),
    (["--double", "--half"], "--double and --half undo each other; give one of them"),
    (["--bar-1", "1 s", "--bar-line", "2 s"], "--bar-1 and --bar-line both say where a bar begins"),
    (["--undo", "--double"], "--undo and --reset stand alone"),
    (["--undo"], "ferry.flac: there is nothing to undo: the grid was not corrected by hand"),
]


@pytest.mark.parametrize(("options", "message"), REFUSED, ids=[" ".join(options) for options, _ in REFUSED])
def test_what_cannot_be_is_refused_with_status_2_and_keeps_nothing(run, ferry, grid, options, message):
    found = grid()

    done = run("grid", ferry, *options)

    assert done.exit_code == 2
    assert message in done.stderr
    assert grid() == found


def test_of_several_corrections_with_a_fault_none_is_kept(run, ferry, grid):
    found = grid()

    done = run("grid", ferry, "--double", "--shift", "63 bars")

    assert done.exit_code == 2
    assert grid() == found


def test_a_track_without_a_beat_is_told_what_it_needs(run, music):
    done = run("grid", music / "sea noise.flac", "--tempo", "126")

    assert done.exit_code == 2
    command = grid_command(music / "sea noise.flac", "--tempo 126 --bar-1 '0.231 s'")
    assert "no beat was found; say both what the tempo is and where bar 1 begins" in done.stderr
    assert command in done.stderr


def test_a_file_that_is_not_there_is_a_fault(run, tmp_path):
    done = run("grid", tmp_path / "gone.flac", "--double")

    assert done.exit_code == 2
    assert "gone.flac" in done.stderr


# --- it holds --------------------------------------------------------------------------------------------


def test_a_correction_holds_for_the_file_moved_renamed_and_retagged(grid, ferry, tmp_path):
    corrected = grid("--shift", "1 beat")
    moved = tmp_path / "other" / "name.flac"
    moved.parent.mkdir()
    shutil.copy(ferry, moved)
    tags = mutagen.flac.FLAC(moved)
    tags["title"] = "Night Ferry"
    tags.save()

    found = grid(file=moved)

    assert found["corrections"] == corrected["corrections"]
    assert bar_1_and_tempo(found) == bar_1_and_tempo(corrected)


def test_a_correction_outlives_the_analysis(grid, ferry, cache, monkeypatch):
    corrected = grid("--shift", "0.25 beats")
    monkeypatch.setattr(library, "ANALYSIS_VERSION", "a-newer-one")

    facts = api.analyze(ferry, cache=cache)

    assert facts.analysis_version.startswith("a-newer-one")
    assert (facts.grid.bar_1_s, facts.grid.tempo_bpm) == bar_1_and_tempo(corrected)
    assert facts.corrections == ("beats and bars 0.25 beats later",)


def test_a_correction_holds_in_every_plan(grid, ferry, cache):
    grid("--half", "--bar-1", "1.5 s")

    timeline = api.resolve(parse_plan(f"tracks: [{ferry}]"), cache=cache)

    (track,) = timeline.tracks
    assert track.grid == Grid("steady", BPM / 2, 1.5, 4)
    assert timeline.problems == ()


def test_the_plan_has_the_last_word_and_starts_from_the_correction(grid, ferry, cache):
    grid("--half", "--bar-1", "1.5 s")
    text = "tracks: [{{ferry: {{file: {}, grid: {{count: double, shift: 10 ms}}}}}}]"

    timeline = api.resolve(parse_plan(text.format(ferry)), cache=cache)

    assert timeline.tracks[0].grid == Grid("steady", BPM, 1.51, 4)


def test_analyze_and_check_say_that_a_grid_was_corrected_by_hand(run, grid, ferry, tmp_path):
    plan = tmp_path / "night.yaml"
    plan.write_text(f"tracks: [{ferry}]\n", encoding="utf-8")
    assert "by hand" not in run("analyze", ferry).stdout + run("check", plan).stdout

    grid("--double")

    assert ", corrected" in run("analyze", ferry).stdout
    assert "corrected by hand" in run("check", plan).stdout
    assert json.loads(run("check", plan, "--json").stdout)["tracks"][0]["corrections"] == ["tempo doubled"]


def test_check_says_where_the_plan_replaces_a_grid(run, ferry, tmp_path):
    plan = tmp_path / "night.yaml"
    plan.write_text(f"tracks: [{{ferry: {{file: {ferry}, grid: {{count: half}}}}}}]\n", encoding="utf-8")

    assert "as the plan says" in run("check", plan).stdout


# --- cures -----------------------------------------------------------------------------------------------

CURES = [
    "--double",
    "--half",
    *(f"--shift '{Shift(beats=sixteenths / 4)}'" for sixteenths in (-8, -4, -1, 1, 2, 3, 4, 6, 8, 12, 14)),
    *(f"--shift '{beats} beats'" for beats in ("1", "-1", "+2", "0.5")),
    "--tempo 87.5 --bar-1 '0.231 s'",
    "--half --shift '1 beat'",
]
"""What a doubt of the analysis may name as its cure."""


@pytest.mark.parametrize("cure", CURES)
def test_the_command_takes_a_cure_as_it_is_printed(grid, ferry, cure):
    words = shlex.split(grid_command(ferry, cure))
    assert words[:3] == ["mixrender", "grid", str(ferry)]

    assert grid(*words[3:])["corrections"]


@given(st.one_of(st.text(max_size=12), st.from_regex(r"[-+−]?[0-9]{1,4}(/|\.)?[0-9]{0,3} ?[a-zA-Z]{0,5}")))
def test_any_text_is_read_or_refused_in_words(text):
    for option in ("tempo", "shift", "bar_1", "bar_line", "beats_per_bar"):
        try:
            assert api.read_correction(**{option: text})
        except InputError as fault:
            assert str(fault).startswith(f"--{option.replace('_', '-')}: found ")


def test_every_option_has_a_word_of_help():
    (command,) = [c for name, c in typer.main.get_command(app).commands.items() if name == "grid"]

    assert [option.name for option in command.params if not option.help] == []
