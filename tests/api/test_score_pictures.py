"""Pictures beside preview clips: PNG and SVG of each, all or none, and none that shows another clip."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ET
import zlib
from dataclasses import replace

import pytest
from scores import mix_of
from timelines import steady

from mixrender.api import mixes
from mixrender.audio.cache import Cache
from mixrender.errors import MachineError
from mixrender.progress import NoProgress
from mixrender.report import score_files
from mixrender.report.score_files import PNG_WIDTH_PX, png_of, write_score_pictures

PLAN = """
    tracks: {a: a.flac, b: b.flac, c: c.flac}
    transitions:
      - {from: a, to: b, leave: 41, enter: 9, overlap: 8 bars}
      - {from: b, to: c, leave: 41, enter: 9, overlap: 8 bars}
"""


@pytest.fixture
def made(tmp_path):
    """A plan and its preview in a folder, drawn from made-up traces."""
    plan, result = mix_of(PLAN, *(steady(bpm) for bpm in (124.0, 126.0, 128.0)))
    measures = tuple(
        replace(m, clip=replace(m.clip, path=tmp_path / f"{i:02d}-clip.flac"))
        for i, m in enumerate(result.transitions, start=1)
    )
    files = tuple(m.clip.path for m in measures)
    return plan, replace(result, transitions=measures, files=files)


def preview(plan, result, folder, monkeypatch, *, pictures):
    monkeypatch.setattr(mixes, "resolve", lambda *_, **__: result.timeline)
    monkeypatch.setattr(mixes, "render_clips", lambda *_, **__: result)
    mixes.preview(plan, folder, pictures=pictures, cache=Cache(folder / "cache"))


@pytest.fixture
def small(monkeypatch):
    """Pictures of 60 pixels, where it is not they that count."""
    monkeypatch.setattr(score_files, "png_of", lambda svg: png_of(svg, width_px=60))


def pictures_in(folder):
    return sorted(file.name for file in folder.iterdir() if file.suffix in (".png", ".svg"))


def chunks_of(png):
    """The chunks of a PNG, by W3C PNG (Second Edition), 5.3; their checksums hold."""
    at, found = 8, []
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        (crc,) = struct.unpack(">I", png[at + 8 + length : at + 12 + length])
        assert crc == zlib.crc32(kind + data)
        found.append((kind, data))
        at += 12 + length
    return found


def test_every_clip_gets_a_png_and_an_svg(made, tmp_path, monkeypatch):
    preview(*made, tmp_path, monkeypatch, pictures=True)

    assert pictures_in(tmp_path) == ["01-clip.png", "01-clip.svg", "02-clip.png", "02-clip.svg"]
    png = (tmp_path / "01-clip.png").read_bytes()
    chunks = chunks_of(png)
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert [kind for kind, _ in chunks[:2]] == [b"IHDR", b"tEXt"] and chunks[-1][0] == b"IEND"
    assert struct.unpack(">I", chunks[0][1][:4])[0] == PNG_WIDTH_PX
    assert ET.parse(tmp_path / "02-clip.svg").getroot().tag.endswith("svg")


def test_pictures_of_an_earlier_preview_go_and_others_stay(made, tmp_path, monkeypatch, small):
    preview(*made, tmp_path, monkeypatch, pictures=True)
    (tmp_path / "01-clip.png").write_bytes(b"a cover of somebody else")
    preview(*made, tmp_path, monkeypatch, pictures=False)

    assert pictures_in(tmp_path) == ["01-clip.png"]


def test_nothing_is_written_if_one_cannot_be_drawn(made, tmp_path, monkeypatch):
    plan, result = made

    def fails_at_the_second(plan, result, index):
        if index == 2:
            raise RuntimeError("not drawn")
        return "<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>"

    monkeypatch.setattr(score_files, "score_file_svg", fails_at_the_second)
    with pytest.raises(RuntimeError, match="not drawn"):
        write_score_pictures(plan, result, progress=NoProgress())
    assert pictures_in(tmp_path) == []


def test_a_folder_that_cannot_be_written_is_said(made, tmp_path, small):
    plan, result = made
    (tmp_path / "file").write_text("in the way")
    first = result.transitions[0]
    blocked = replace(first, clip=replace(first.clip, path=tmp_path / "file" / "01-clip.flac"))
    with pytest.raises(MachineError, match=r"01-clip\.png"):
        write_score_pictures(plan, replace(result, transitions=(blocked, None)), progress=NoProgress())


def test_words_are_drawn_in_the_font_that_comes_along():
    text = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 10"><text y="9">{}</text></svg>'
    drawn, empty = (png_of(text.format(words), width_px=80) for words in ("bars", ""))
    assert drawn != empty
    assert drawn == png_of(text.format("bars"), width_px=80)
