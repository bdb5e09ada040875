"""What a machine lacks stops a render only where it is needed, and a stopped render leaves nothing behind."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from markers import click_pair, plan_of

from mixrender.audio.cache import Cache
from mixrender.errors import InputError, MachineError, ToolError
from mixrender.mixdown import deliver, preview
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.render import render_mix
from mixrender.mixdown.result import MixResult
from mixrender.progress import NoProgress

TEXT = (
    "start: {at: 1}\nend: {at: 7}\ntransitions:\n  - {from: a, to: b, leave: 4, enter: 2, overlap: 2 bars}\n"
)


def test_without_the_stretcher_only_what_needs_it_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXRENDER_RUBBERBAND", "/nonexistent")
    same = plan_of(TEXT, click_pair(tmp_path / "same", 124.0, 124.0, bars=8))
    result = render_mix(*same, folder=tmp_path / "one", cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert result.files[0].is_file() and "rubberband" not in result.versions
    other = plan_of(TEXT, click_pair(tmp_path / "other", bars=8))
    with pytest.raises(ToolError, match="MIXRENDER_RUBBERBAND"):
        render_mix(*other, folder=tmp_path / "two", cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert not (tmp_path / "two").exists() or not list((tmp_path / "two").iterdir())


@pytest.mark.parametrize("make", [render_mix, render_clips])
def test_a_folder_that_cannot_be_written_is_named_before_any_work(
    make: Callable[..., MixResult], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("not a folder")
    plan = plan_of(TEXT, click_pair(tmp_path, 124.0, 124.0, bars=8))
    target = tmp_path / "file" / "mix"
    with pytest.raises(InputError, match=f"{target}.*not a folder"):
        make(*plan, folder=target, cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert (tmp_path / "file").read_text() == "not a folder"
    assert not (tmp_path / "c").exists()


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="only Linux has a folder that takes no other")
@pytest.mark.parametrize("make", [render_mix, render_clips])
def test_a_folder_that_cannot_be_made_is_a_fault_of_the_input_before_any_work(
    make: Callable[..., MixResult], tmp_path: Path
) -> None:
    plan = plan_of(TEXT, click_pair(tmp_path, 124.0, 124.0, bars=8))
    with pytest.raises(InputError, match="/proc/x: no folder can be made in /proc"):
        make(*plan, folder=Path("/proc/x"), cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert not (tmp_path / "c").exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    plan = plan_of(TEXT, click_pair(tmp_path, 124.0, 124.0, bars=8))
    (tmp_path / "shut").mkdir(mode=0o500)
    with pytest.raises(MachineError, match="shut"):
        render_mix(*plan, folder=tmp_path / "shut", cache=Cache(tmp_path / "c"), progress=NoProgress())


def test_a_format_that_cannot_hold_the_sound_is_refused_before_any_work(tmp_path: Path) -> None:
    plan = plan_of("output: {format: flac, bits: float}\n" + TEXT, click_pair(tmp_path, bars=8))
    with pytest.raises(InputError):
        render_mix(*plan, folder=tmp_path / "mix", cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert not (tmp_path / "c").exists() and not (tmp_path / "mix").exists()


def interrupted(blocks: Iterator[np.ndarray], advance: object) -> Iterator[np.ndarray]:
    """Two blocks, then Ctrl-C."""
    yield next(blocks)
    yield next(blocks)
    raise KeyboardInterrupt


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


@pytest.mark.parametrize("there_before", [False, True])
def test_an_interrupted_write_leaves_the_folder_as_it_was(
    there_before: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(deliver, "_watched", interrupted)
    plan = plan_of(TEXT, click_pair(tmp_path, 124.0, 124.0, bars=8))
    folder, cache = tmp_path / "mix", Cache(tmp_path / "c")
    if there_before:
        folder.mkdir()
        (folder / "mix.flac").write_bytes(b"an older mix")
    with pytest.raises(KeyboardInterrupt):
        render_mix(*plan, folder=folder, cache=cache, progress=NoProgress())
    assert left_in(folder) == (["mix.flac"] if there_before else [])
    if there_before:
        assert (folder / "mix.flac").read_bytes() == b"an older mix"
    scratch = [path for path in (tmp_path / "c").rglob("*") if "premaster" in path.name]
    assert not scratch, "the mix before the master is left in the cache"


def test_an_interrupted_clip_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(preview, "_measured", lambda blocks, meter, advance: interrupted(blocks, advance))
    plan = plan_of(TEXT, click_pair(tmp_path, 124.0, 124.0, bars=8))
    with pytest.raises(KeyboardInterrupt):
        render_clips(*plan, folder=tmp_path / "clips", cache=Cache(tmp_path / "c"), progress=NoProgress())
    assert left_in(tmp_path / "clips") == []
