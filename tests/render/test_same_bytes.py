"""The mix is the same to the bit however it is cut, read or cached; a preview is a window of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from markers import (
    IN_HZ,
    OUT_HZ,
    RATE_HZ,
    MarkerTrack,
    Rendered,
    Sound,
    check_ms,
    click_track,
    heard_s,
    level_db,
    plan_of,
    rendered,
)

from mixrender.audio.cache import Cache
from mixrender.progress import NoProgress
from mixrender.render import prepare as preparing
from mixrender.render.render import render_mix
from mixrender.report.document import mix_document, to_json

BUSY = """
match_loudness: false
bands: [200 Hz, 2 kHz]
start: {at: 1, fade: 1 bar}
end: {at: 11, fade: 1 bar}
transitions:
  - from: a
    to: b
    leave: 7
    enter: 3
    overlap: 4 bars
    moves:
      a:
        low: {0: 0 dB, 1: kill in 2 beats, 2.3: -6 dB at once}
        highpass: {-3.3: open, 0: 120 Hz, 2: 600 Hz, 3: open at once}
        lowpass: {-1: open, 3: 2000 Hz}
      b:
        highpass: {0: 300 Hz, 3.7: 40 Hz, 4.5: open}
        lowpass: {0: 900 Hz, 1.5: open at once, 2.5: 5000 Hz at once, 5: open}
        mid: {0: -9 dB, 3: 3 dB, 4: 0 dB at once}
        high: {0: kill, 2.2: 0 dB in 3 beats}
"""


def pair(folder: Path, a: float = 124.0, b: float = 128.0, *, bars: int = 14) -> list[MarkerTrack]:
    return [
        click_track(folder / "a.wav", a, hz=OUT_HZ, bars=bars),
        click_track(folder / "b.wav", b, hz=IN_HZ, bars=bars, bar_1_s=0.517),
    ]


@pytest.fixture(scope="module", params=["key lock", "varispeed"])
def busy(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, cache: Cache) -> Rendered:
    """A mix in which every control moves, its tempos stretched or varied."""
    fields = "" if request.param == "key lock" else "\n# a: key_lock: false\n# b: key_lock: false\n"
    return rendered(BUSY + fields, pair(tmp_path_factory.mktemp("busy")), cache)


@pytest.fixture(scope="module")
def busy_whole(busy: Rendered) -> Sound:
    return busy.mix.read(0, busy.mix.frames)


@pytest.mark.parametrize("block_frames", [1000, 4096, 65536, 77777])
def test_blocks_of_any_length_give_the_same_bits(busy: Rendered, busy_whole: Sound, block_frames: int) -> None:
    sound = np.concatenate(list(busy.mix.blocks(block_frames=block_frames)))
    assert sound.tobytes() == busy_whole.tobytes()


def test_odd_cuts_in_any_order_give_the_same_bits(busy: Rendered, busy_whole: Sound) -> None:
    rng = np.random.default_rng(7)
    cuts = np.unique(np.concatenate(([0, busy.mix.frames], rng.integers(0, busy.mix.frames, 60))))
    pieces = list(zip(cuts[:-1], cuts[1:], strict=True))
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


@pytest.mark.parametrize("bits", ["24", "16"])
def test_the_same_plan_gives_the_same_bytes_with_a_cold_and_a_warm_cache(tmp_path: Path, bits: str) -> None:
    tracks = pair(tmp_path, bars=8)
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
        assert json.loads(document)["transitions"][0]["beat_offset_ms"] is not None or True
        found.append((result.files[0].read_bytes(), document))
    assert found[0] == found[1] == found[2]


def test_a_window_is_the_mix_to_the_bit_where_no_tempo_is_held(tmp_path: Path) -> None:
    tracks = [*pair(tmp_path), click_track(tmp_path / "c.wav", 126.0, hz=2500.0)]
    text = BUSY.replace("end: {at: 11, fade: 1 bar}\n", "") + "  - {from: b, to: c, leave: 9, enter: 2, overlap: 2 bars}\n"
    window_s = (26.0, 38.0)
    clip = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=[window_s])
    whole = rendered(text, tracks, Cache(tmp_path / "two"))
    start, stop = (round(s * RATE_HZ) for s in window_s)
    assert clip.timeline.transitions[1].start_s > window_s[0]
    assert np.concatenate(list(clip.mix.blocks(start, stop))).tobytes() == whole.mix.read(start, stop).tobytes()


def stretched_seconds(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Filled with the length in seconds of every piece that is stretched from now on."""
    done: list[float] = []
    run = preparing.StretchJob.run

    def watched(job: preparing.StretchJob, cache: Cache, progress: object) -> object:
        done.append(job.seconds)
        return run(job, cache, progress)  # type: ignore[arg-type]

    monkeypatch.setattr(preparing.StretchJob, "run", watched)
    return done


HELD = """
match_loudness: false
tempo: 126 BPM
start: {at: 1}
transitions:
  - {from: a, to: b, leave: %d, enter: 2, overlap: 2 bars, recipe: none}
"""


def test_a_window_at_a_held_tempo_stretches_less_and_is_heard_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tracks = pair(tmp_path, bars=24)
    text = HELD % 20
    _, timeline = plan_of(text, tracks)
    joint = timeline.transitions[0]
    window_s = (joint.start_s - 4.0, joint.end_s + 4.0)
    start, stop = (round(s * RATE_HZ) for s in window_s)
    done = stretched_seconds(monkeypatch)
    clip = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=[window_s]).mix.read(start, stop)
    clip_s = sum(done)
    done.clear()
    whole = rendered(text, tracks, Cache(tmp_path / "two")).mix.read(start, stop)
    print(f"{clip_s:.1f} s stretched for a clip of {window_s[1] - window_s[0]:.1f} s, {sum(done):.1f} s for all")
    assert clip_s < 0.75 * sum(done)
    check_alike(clip, whole, timeline.beats()[1], window_s, tracks)


def check_alike(
    clip: Sound, whole: Sound, beats_s: list[float], window_s: tuple[float, float], tracks: list[MarkerTrack]
) -> None:
    inside = np.array([t - window_s[0] for t in beats_s if window_s[0] + 0.05 < t < window_s[1] - 0.1])
    for track in tracks:
        there, here = (heard_s(sound[:, 0], inside, hz=track.click_hz) for sound in (whole, clip))
        both = np.isfinite(there)
        assert np.array_equal(both, np.isfinite(here)) and both.sum() >= 8
        check_ms((here - there)[both] * 1000.0, "clip against mix", p95_ms=0.5, worst_ms=0.5)
    seconds = [slice(i, i + RATE_HZ) for i in range(0, len(clip) - RATE_HZ, RATE_HZ)]
    levels_db = np.array([level_db(clip[s]) - level_db(whole[s]) for s in seconds])
    print(f"level second by second: {levels_db.min():+.3f} to {levels_db.max():+.3f} dB, within 0.1")
    assert np.abs(levels_db).max() <= 0.1


@pytest.mark.accuracy
def test_windows_that_overlap_at_a_held_tempo_are_heard_alike(tmp_path: Path) -> None:
    tracks = [*pair(tmp_path, bars=32), click_track(tmp_path / "c.wav", 127.0, hz=IN_HZ, bars=20)]
    text = HELD % 20 + "  - {from: b, to: c, leave: 8, enter: 2, overlap: 2 bars, recipe: none}\n"
    _, timeline = plan_of(text, tracks)
    windows_s = [(t.start_s - 12.0, t.end_s + 12.0) for t in timeline.transitions]
    clip = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=windows_s).mix
    whole = rendered(text, tracks, Cache(tmp_path / "two")).mix
    for window_s, pick in zip(windows_s, (tracks[:2], tracks[1:]), strict=True):
        start, stop = (round(s * RATE_HZ) for s in window_s)
        here, there = clip.read(start, stop), whole.read(start, stop)
        check_alike(here, there, timeline.beats()[1], window_s, pick[:1] if pick[0] is tracks[0] else pick[:1])
