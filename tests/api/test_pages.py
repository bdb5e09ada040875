"""Pages beside the sound: written last, gone while they would be wrong, with copies for browsers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from mixrender.api import mixes
from mixrender.api.pages import page_of, write_page
from mixrender.audio.cache import Cache
from tests.page.made import as_mix, read


@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24")])
def test_aiff_is_copied_as_flac_sample_by_sample(tmp_path, bits, subtype):
    plan, result = read()
    sound = np.random.default_rng(2).integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (700_000, 2), dtype="i4")
    sound <<= 32 - bits
    soundfile.write(tmp_path / "mix.aiff", sound, 44100, subtype)

    page = write_page(plan, as_mix(result, tmp_path / "mix.aiff"))

    assert np.array_equal(soundfile.read(tmp_path / "mix.flac", dtype="int32")[0], sound)
    assert soundfile.info(tmp_path / "mix.flac").subtype == subtype
    assert page == tmp_path / "mix.html" and 'src="mix.flac"' in page.read_text("utf-8")


def test_previews_and_mixes_have_pages_of_their_own(tmp_path):
    _, result = read()

    assert page_of(result).name == "preview.html"
    assert page_of(as_mix(result)).name == "mix.html"


def test_an_earlier_page_is_gone_before_the_report_changes(tmp_path, monkeypatch):
    plan, result = read()
    made = replace(result, files=tuple(tmp_path / file.name for file in result.files))
    monkeypatch.setattr(mixes, "resolve", lambda *_, **__: result.timeline)
    monkeypatch.setattr(mixes, "render_clips", lambda *_, **__: made)
    (tmp_path / "preview.html").write_text("an earlier page")
    seen = []

    def write_report(path, text):
        seen.append((path.name, (tmp_path / "preview.html").exists()))
        path.write_text(text, encoding="utf-8")

    monkeypatch.setattr(mixes, "write_text_atomic", write_report)
    mixes.preview(plan, tmp_path, cache=Cache(tmp_path / "cache"))

    assert seen == [("report.json", False)]
    assert "Low Tide" in (tmp_path / "preview.html").read_text("utf-8")
