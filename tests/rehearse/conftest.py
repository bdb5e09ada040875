"""A folder of short tracks that are analysed once, and a plan over them for each test."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from markers import click_track
from served import Events, Served, rehearsing

from mixrender.api import mixes
from mixrender.audio.cache import Cache
from mixrender.errors import AudioError
from mixrender.facts import TrackFacts

TRACKS = """\
title: Night Ferry
match_loudness: false
tempo: 120 BPM
tracks:
  a: {file: a.wav, grid: {tempo: 120 BPM, bar_1: 0 s}}
  b: {file: b.wav, grid: {tempo: 120 BPM, bar_1: 0 s}}
  c: {file: c.wav, grid: {tempo: 120 BPM, bar_1: 0 s}}
"""
PLAN = f"""\
{TRACKS}transitions:
  - {{from: a, to: b, leave: 4, enter: 2, overlap: 2 bars, recipe: none}}
  - {{from: b, to: c, leave: 6, enter: 2, overlap: 1 bar, recipe: none}}
"""


@pytest.fixture(scope="session")
def sounding(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Cache, dict[str, TrackFacts]]:
    """Three tracks of eight bars at one tempo, a cache, and what is known of the tracks."""
    folder = tmp_path_factory.mktemp("music")
    facts = {
        name: click_track(folder / f"{name}.wav", 120.0, hz=hz, bars=8, bar_1_s=0.0).facts
        for name, hz in (("a", 1000.0), ("b", 2000.0), ("c", 3000.0))
    }
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    return folder, Cache(folder / "cache"), facts


@pytest.fixture(scope="module")
def music(sounding: tuple[Path, Cache, dict[str, TrackFacts]]) -> Iterator[tuple[Path, Cache]]:
    """The folder of the tracks and the cache; their facts are known, so nothing is analysed."""
    folder, cache, facts = sounding

    def known(files: Sequence[Path], **_: object) -> Iterator[tuple[Path, TrackFacts | AudioError]]:
        for file in files:
            yield file, facts[file.stem] if file.is_file() else AudioError(file, "there is no such file")

    # No longer than these tests run: others analyse for themselves.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mixes, "analyze_all", known)
        yield folder, cache


@pytest.fixture
def plan_file(music: tuple[Path, Cache], tmp_path: Path) -> Path:
    """A plan of its own beside the tracks: files may be changed."""
    for name in "abc":
        shutil.copy2(music[0] / f"{name}.wav", tmp_path)
    file = tmp_path / "night.yaml"
    file.write_text(PLAN, encoding="utf-8")
    return file


@pytest.fixture
def served(plan_file: Path, music: tuple[Path, Cache]) -> Iterator[Served]:
    """A rehearsal of the plan, with a bar before and after each overlap."""
    with rehearsing(plan_file, music[1], lead_bars=1.0, tail_bars=1.0) as found:
        yield found


@pytest.fixture
def events(served: Served) -> Iterator[Events]:
    """The events of a page once everything is rendered."""
    found = served.events()
    state, _ = found.until("state")
    if len(state["sections"]) < 2 or state["status"]:
        found.until_idle()
    yield found
    found.close()
