"""The demo's plan: a legal plan that fits the tracks and shows the whole language."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from mixrender.demo.plan import PLAN_NAME, PLAN_TEXT, write_plan
from mixrender.demo.score import Score
from mixrender.demo.tracks import SCORES, track_path
from mixrender.plan.load import load_plan

NAMES = ("ferrow", "glasswork", "engine", "pinwheel", "cartography", "kite")
SCORE_OF: dict[str, Score] = dict(zip(NAMES, SCORES, strict=True))


@pytest.fixture(scope="module")
def plan() -> Any:
    return YAML(typ="safe").load(PLAN_TEXT)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A demo folder with files of the right names; checking a plan does not open them."""
    for score in SCORES:
        path = track_path(tmp_path, score)
        path.parent.mkdir(exist_ok=True)
        path.touch()
    return tmp_path


def test_the_plan_loads_without_a_warning(folder: Path) -> None:
    path = write_plan(folder)
    loaded = load_plan(path)

    assert path == folder / PLAN_NAME
    assert loaded.warnings == ()
    assert [track.name for track in loaded.tracks] == list(NAMES)
    assert [track.path for track in loaded.tracks] == [track_path(folder, score) for score in SCORES]
    assert [t.recipe for t in loaded.transitions] == ["bass-swap", "blend", "cut", "none"]


def test_the_plan_is_written_the_same_each_time(tmp_path: Path) -> None:
    first = write_plan(tmp_path).read_bytes()

    assert write_plan(tmp_path).read_bytes() == first == PLAN_TEXT.encode()
    assert [path.name for path in tmp_path.iterdir()] == [PLAN_NAME]


def test_cues_grids_and_keys_are_those_of_the_scores(plan: Any) -> None:
    assert list(plan["tracks"]) == list(NAMES)
    for name, track in plan["tracks"].items():
        score = SCORE_OF[name]
        assert track["file"] == f"tracks/{score.name}.flac"
        assert track["cues"] == {cue: score.first_bar(cue) for cue in track["cues"]}
        assert track.get("key", score.key) == score.key
        if "grid" in track:
            assert track["grid"]["tempo"] == f"{score.tempo_bpm:g} BPM"
            bar_1_s = float(track["grid"]["bar_1"].removesuffix(" s"))
            print(f"{name}: bar 1 is {abs(bar_1_s - score.bar_1_s) * 1e3:.3f} ms off, bound 0.5 ms")
            assert bar_1_s == pytest.approx(score.bar_1_s, abs=0.0005)


def test_overlaps_lie_inside_their_tracks(plan: Any) -> None:
    for transition in plan["transitions"]:
        leaving, entering = SCORE_OF[transition["from"]], SCORE_OF[transition["to"]]
        overlap_bars = int(transition["overlap"].removesuffix(" bars"))
        counted = 2 if transition.get("count") == "double" else 1
        assert bar_of(plan, transition["from"], transition["leave"]) + overlap_bars <= leaving.bars + 1
        assert (
            bar_of(plan, transition["to"], transition["enter"]) + counted * overlap_bars <= entering.bars + 1
        )
    assert plan["end"]["at"] == SCORES[-1].bars + 1


def bar_of(plan: Any, name: str, place: Any) -> int:
    cue, _, back = str(place).partition(" - ")
    bar = plan["tracks"][name]["cues"].get(cue)
    return (int(cue) if bar is None else bar) - int(back or 0)


def test_every_move_of_the_language_is_shown(plan: Any) -> None:
    lanes = [lane for t in plan["transitions"] for moves in t["moves"].values() for lane in moves.items()]
    lanes += [lane for track in plan["tracks"].values() for lane in track.get("moves", {}).items()]
    values = " ".join(str(value) for _, lane in lanes for value in lane.values())
    positions = [str(position) for _, lane in lanes for position in lane]
    tempos = [t["tempo"] for t in plan["transitions"]]

    edits = [edit for track in plan["tracks"].values() for edit in track.get("edits", [])]
    assert {control for control, _ in lanes} >= {"level", "low", "mid", "high", "highpass", "lowpass"}
    assert {control for control, _ in lanes} >= {"phaser", "echo", "reverse"}
    assert edits and any("noise_sweep" in t for t in plan["transitions"])
    for word in ("silent", "kill", "open", "in 2 beats", "at once", " dB", " Hz"):
        assert word in values, word
    assert "end - 4" in positions and "-4" in positions and "15.5" in positions
    assert {type(tempo) for tempo in tempos} == {dict, list, str} and "hold" in tempos
    assert "0 bars" in [t["overlap"] for t in plan["transitions"]]
    assert len(plan["transitions"]) == len(NAMES) - 2  # one pair is left to the default
    assert {t["recipe"] for t in plan["transitions"]} == {"blend", "bass-swap", "cut", "none"}
    assert any("curve" in t for t in plan["transitions"])
