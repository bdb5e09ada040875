"""The mix is the same to the bit however it is cut, read or cached."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from markers import BUSY, RATE_HZ, Rendered, Sound, click_pair, plan_of, rendered

from mixrender.audio.cache import Cache
from mixrender.mixdown.render import render_mix
from mixrender.progress import NoProgress
from mixrender.report.document import mix_document, to_json


@pytest.fixture(scope="module", params=["key lock", "varispeed"])
def busy(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, cache: Cache) -> Rendered:
    """A mix in which every control moves, its tempos stretched or varied."""
    fields = "" if request.param == "key lock" else "\n# a: key_lock: false\n# b: key_lock: false\n"
    return rendered(BUSY + fields, click_pair(tmp_path_factory.mktemp("busy")), cache)


@pytest.fixture(scope="module")
def busy_whole(busy: Rendered) -> Sound:
    return busy.mix.read(0, busy.mix.frames)


@pytest.mark.parametrize("block_frames", [1000, 4096, 65536, 77777])
def test_blocks_of_any_length_give_the_same_bits(
    busy: Rendered, busy_whole: Sound, block_frames: int
) -> None:
    sound = np.concatenate(list(busy.mix.blocks(block_frames=block_frames)))
    assert sound.tobytes() == busy_whole.tobytes()


def test_odd_cuts_in_any_order_give_the_same_bits(busy: Rendered, busy_whole: Sound) -> None:
    rng = np.random.default_rng(7)
    cuts = np.unique(np.concatenate(([0, busy.mix.frames], rng.integers(0, busy.mix.frames, 18))))
    pieces = list(pairwise(cuts))
    backwards = {start: busy.mix.read(int(start), int(stop)) for start, stop in reversed(pieces)}
    assert np.concatenate([backwards[start] for start, _ in pieces]).tobytes() == busy_whole.tobytes()
    for start, stop in rng.permutation(pieces):
        assert busy.mix.read(int(start), int(stop)).tobytes() == busy_whole[start:stop].tobytes()


def test_single_frames_around_the_overlap_give_the_same_bits(busy: Rendered, busy_whole: Sound) -> None:
    joint = busy.timeline.transitions[0]
    for at_s in (joint.start_s, (joint.start_s + joint.end_s) / 2, joint.end_s):
        at = round(at_s * RATE_HZ)
        for start, stop in ((at, at + 1), (at - 1, at + 2), (at - 700, at - 3)):
            assert busy.mix.read(start, stop).tobytes() == busy_whole[start:stop].tobytes()


@pytest.mark.parametrize("bits", [pytest.param("24", marks=pytest.mark.accuracy), "16"])
def test_the_same_plan_gives_the_same_bytes_with_a_cold_and_a_warm_cache(tmp_path: Path, bits: str) -> None:
    tracks = click_pair(tmp_path, bars=8)
    text = f"""
    loudness: {{integrated: -16 LUFS, true_peak: -1 dBTP}}
    output: {{format: flac, bits: {bits}}}
    start: {{at: 1}}
    end: {{at: 7}}
    transitions:
      - {{from: a, to: b, leave: 4, enter: 2, overlap: 2 bars}}
    """
    plan, timeline = plan_of(text, tracks)
    found = []
    for name, cache in (("cold", "one"), ("warm", "one"), ("cold again", "two")):
        result = render_mix(
            plan, timeline, folder=tmp_path / name, cache=Cache(tmp_path / cache), progress=NoProgress()
        )
        document = to_json(mix_document(result))
        assert json.loads(document)["transitions"][0]["beat_offset_ms"] is not None
        found.append((result.files[0].read_bytes(), document))
    assert found[0] == found[1] == found[2]


def test_varispeed_far_from_the_tracks_own_tempo_gives_the_same_bits(tmp_path: Path, cache: Cache) -> None:
    text = """
    tempo: 143 BPM
    start: {at: 2}
    end: {at: 6}
    # a: key_lock: false
    """
    mix = rendered(text, click_pair(tmp_path, bars=6)[:1], cache).mix
    whole = mix.read(0, mix.frames)
    for block_frames in (1000, 4096):
        assert np.concatenate(list(mix.blocks(block_frames=block_frames))).tobytes() == whole.tobytes()
