"""Layers in the mix: in time with both tracks under a glide, as loud as the tracks, the same in a clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from markers import IN_HZ, OUT_HZ, MarkerTrack, Rendered, check_ms, click_track, heard_s, music_track

from mixrender.audio.cache import Cache
from mixrender.mixdown.prepare import prepare
from mixrender.plan.load import parse_plan
from mixrender.progress import NoProgress
from mixrender.timing.build import build_timeline

LAYER_HZ = 3000.0


def layered(
    folder: Path,
    cache: Cache,
    layer: str,
    *,
    third: MarkerTrack,
    match: str = "false",
    windows_s: list[tuple[float, float]] | None = None,
) -> Rendered:
    tracks = [
        click_track(folder / "a.wav", 124.0, hz=OUT_HZ),
        click_track(folder / "b.wav", 128.0, hz=IN_HZ, bar_1_s=0.517),
    ]
    text = f"""
match_loudness: {match}
start: {{at: 1}}
tracks: {{a: {tracks[0].path}, b: {tracks[1].path}}}
transitions:
  - from: a
    to: b
    leave: 7
    enter: 2
    overlap: 4 bars
    recipe: none
    layers: {{third: {{file: {third.path}, {layer}}}}}
"""
    plan = parse_plan(text)
    timeline = build_timeline(plan, [*(t.facts for t in tracks), third.facts])
    prepared = prepare(plan, timeline, cache=cache, progress=NoProgress(), windows_s=windows_s)
    return Rendered(plan, timeline, prepared)


def third_track(folder: Path, bpm: float) -> MarkerTrack:
    return click_track(folder / "third.wav", bpm, hz=LAYER_HZ, bar_1_s=0.21)


@pytest.mark.parametrize(
    ("bpm", "layer"),
    [
        (126.0, "enter: 3"),
        pytest.param(120.0, "enter: 2, at: -1, length: 7 bars", marks=pytest.mark.accuracy),
        pytest.param(63.0, "enter: 1", marks=pytest.mark.accuracy),
        (126.0, "enter: 3, key_lock: false"),
        (126.0, "enter: 3, edits: [{repeat: 4, length: 1 beat, times: 5}]"),
    ],
)
def test_a_layer_keeps_to_the_beats_of_the_mix_while_the_tempo_glides(bpm, layer, tmp_path, cache):
    r = layered(tmp_path, cache, layer, third=third_track(tmp_path, bpm))
    placed = r.timeline.layers[0]
    strip = r.mix.strips[2]
    first, last = np.ceil(placed.start_beat * placed.rate - 1e-6), placed.end_beat * placed.rate
    beats = np.arange(first, last - 0.5) / placed.rate
    wanted = r.timeline.tempo_map.time_at(beats)
    sound = strip.read(0, r.mix.frames)[:, 0]

    found = heard_s(sound, wanted, hz=LAYER_HZ, rate_hz=r.mix.sample_rate_hz)

    assert len(wanted) >= 8
    check_ms((found - wanted) * 1000.0, f"layer of {bpm:g} BPM, {layer}")


def test_a_layer_in_its_own_tempo_is_its_source_times_one_gain(tmp_path, cache):
    third = music_track(tmp_path / "third.wav", 124.0, 0.25)
    r = layered(tmp_path, cache, "enter: 3, beatmatch: false, gain: -6 dB", third=third)
    placed, strip = r.timeline.layers[0], r.mix.strips[2]
    start, stop = strip.start + 1000, strip.stop - 1000
    file_s = placed.source_s_at(placed.start_beat, r.timeline.tempo_map)
    offset = round((file_s - r.timeline.tempo_map.time_at(placed.start_beat)) * r.mix.sample_rate_hz)

    sound = strip.read(start, stop)

    source = soundfile.read(third.path, always_2d=True)[0][start + offset : stop + offset]
    gain = 10 ** (-6.0 / 20.0)

    error = float(np.abs(sound - source * gain).max())
    print(f"largest difference {error:.2e}, bound 1e-7 (the file's float32)")
    assert error <= 1e-7


def test_a_layer_comes_to_the_level_of_the_tracks(tmp_path, cache):
    quiet = music_track(tmp_path / "third.wav", 124.0, 0.25)
    r = layered(tmp_path, cache, "enter: 3", third=quiet, match="true")
    goal = r.prepared.gains_db[0] + r.timeline.tracks[0].facts.loudness.loud_lufs

    assert quiet.facts.loudness.loud_lufs is not None
    found = quiet.facts.loudness.loud_lufs + r.prepared.layer_gains_db[0]
    print(f"layer {found:.3f} LUFS, tracks {goal:.3f} LUFS, bound 1e-9 LU")
    assert found == pytest.approx(goal, abs=1e-9)


def test_a_clip_of_a_layer_is_the_same_stretch_of_the_whole_mix(tmp_path, cache):
    third = third_track(tmp_path, 126.0)
    whole = layered(tmp_path, cache, "enter: 3", third=third)
    transition = whole.timeline.transitions[0]
    window = (transition.start_s - 2.0, transition.end_s + 2.0)
    clip = layered(tmp_path, cache, "enter: 3", third=third, windows_s=[window])
    start, stop = (round(t * whole.mix.sample_rate_hz) for t in window)

    assert np.array_equal(clip.mix.read(start, stop), whole.mix.read(start, stop))


def test_the_mix_with_a_layer_is_the_same_however_it_is_cut(tmp_path, cache):
    r = layered(tmp_path, cache, "enter: 3", third=third_track(tmp_path, 126.0))
    whole = r.whole()
    for block in (997, 8192):
        cut = np.concatenate(list(r.mix.blocks(block_frames=block)))
        assert np.array_equal(cut, whole)
