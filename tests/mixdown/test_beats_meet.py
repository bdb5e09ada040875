"""Beats of two tracks meet in every overlap, and lie where the report says: measured on clicks in the mix."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from markers import IN_HZ, OUT_HZ, MarkerTrack, Rendered, Sound, check_ms, click_track, heard_s, rendered

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.mixdown.measure import transition_offset
from mixrender.plan.load import load_plan

TEMPOS = [(124.0, 128.0), (120.0, 126.0), (140.0, 132.0), (87.0, 90.0), (127.43, 125.1)]

WAYS = {
    "glide": "",
    "hold": "tempo: hold",
    "ramp before": "tempo: {{to: {b} BPM, start: -3, over: 3 bars}}",
    "ramp inside": "tempo: {{to: {b} BPM, start: 1, over: 2 bars}}",
    "ramp after": "tempo: {{to: {b} BPM, start: 4, over: 3 bars}}",
    "two ramps": "tempo: [{{to: {middle} BPM, start: -1, over: 2 bars}}, "
    "{{to: {b} BPM, start: 2, over: 4 bars}}]",
}
"""How the tempo gets from one track's to the other's; `top` is the tempo on top of the plan, half-way."""


def plan_text(way: str, a: float, b: float) -> str:
    top = f"tempo: {(a + b) / 2:g} BPM\n" if way == "top" else ""
    tempo = WAYS.get(way, "").format(b=b, middle=(a + b) / 2)
    # Without moves both tracks sound at full level in the whole overlap.
    more = f", {tempo}" if tempo else ""
    entry = f"{{from: a, to: b, leave: 9, enter: 2, overlap: 4 bars, recipe: none{more}}}"
    return f"{top}match_loudness: false\nstart: {{at: 1}}\ntransitions:\n  - {entry}\n"


def clicks_in(mix: Sound, r: Rendered, index: int, track: MarkerTrack) -> tuple[Sound, Sound]:
    """Times of the report's beats on which the track sounds whole, and when its clicks are heard there."""
    placed = r.timeline.tracks[index]
    _, beats_s = r.timeline.beats()
    wanted = np.array([t for t in beats_s if placed.start_s <= t < placed.end_s - 0.05])
    sound, rate_hz = mix[:, 0], r.mix.sample_rate_hz
    return wanted, heard_s(sound, wanted, hz=track.click_hz, rate_hz=rate_hz, rise_s=track.rise_s)


def check_mix(r: Rendered, tracks: list[MarkerTrack], mix: Sound) -> None:
    heard = []
    for index, track in enumerate(tracks):
        wanted, found = clicks_in(mix, r, index, track)
        check_ms((found - wanted) * 1000.0, f"track {index + 1} against the report's beats")
        heard.append(dict(zip(np.round(wanted, 9), found, strict=True)))
    both = sorted(heard[0].keys() & heard[1].keys())
    offsets_ms = np.array([heard[1][t] - heard[0][t] for t in both]) * 1000.0
    check_ms(offsets_ms, "incoming against outgoing")
    own = transition_offset(r.mix, r.timeline, r.timeline.transitions[0])
    assert own is not None
    print(f"the report's own: median {own.median:+.3f}, p95 {own.p95_abs:.3f}, worst {own.worst_abs:.3f} ms")
    assert own.beats == 16 == len(both)
    assert own.p95_abs <= 1.5 and own.worst_abs <= 3.0
    assert abs(own.median - float(np.median(offsets_ms))) <= 0.5


def check_way(way: str, a: float, b: float, folder: Path, cache: Cache) -> None:
    tracks = [
        click_track(folder / "a.wav", a, hz=OUT_HZ),
        click_track(folder / "b.wav", b, hz=IN_HZ, bar_1_s=0.517),
    ]
    r = rendered(plan_text(way, a, b), tracks, cache)
    check_mix(r, tracks, r.whole())


@pytest.mark.parametrize(("a", "b"), TEMPOS[:1])
def test_beats_meet_while_the_tempo_glides(a: float, b: float, tmp_path: Path, cache: Cache) -> None:
    check_way("glide", a, b, tmp_path, cache)


@pytest.mark.parametrize("way", ["two ramps"])
def test_beats_meet_on_written_ramps(way: str, tmp_path: Path, cache: Cache) -> None:
    check_way(way, 124.0, 128.0, tmp_path, cache)


@pytest.mark.accuracy
@pytest.mark.parametrize("way", [*WAYS, "top"])
@pytest.mark.parametrize(("a", "b"), TEMPOS)
def test_beats_meet_at_every_tempo_in_every_way(
    way: str, a: float, b: float, tmp_path: Path, cache: Cache
) -> None:
    check_way(way, a, b, tmp_path, cache)


@pytest.mark.accuracy
def test_soft_beats_over_a_wide_bed_meet_too(tmp_path: Path, cache: Cache) -> None:
    # The hardest case: a rise of 2 ms in one narrow band, over wide noise at -48 dB. The stretcher takes no
    # such burst for an attack and lets it run some ms off the map. The bound is the offset at which two like
    # kicks begin to cancel in the bass: 5 ms puts the first notch at 100 Hz (1 / (2 d), arithmetic).
    a, b = TEMPOS[0]
    tracks = [
        click_track(tmp_path / "a.wav", a, hz=OUT_HZ, rise_s=0.002, bed=0.03),
        click_track(tmp_path / "b.wav", b, hz=IN_HZ, bar_1_s=0.517, rise_s=0.002, bed=0.03),
    ]
    r = rendered(plan_text("glide", a, b), tracks, cache)
    mix = r.whole()
    for index, track in enumerate(tracks):
        wanted, found = clicks_in(mix, r, index, track)
        worst_ms = float(np.abs(found - wanted).max() * 1000.0)
        print(f"soft clicks of track {index + 1}: worst {worst_ms:.2f} <= 5 ms")
        assert worst_ms <= 5.0


def test_beats_meet_in_the_written_file_and_where_its_report_says(tmp_path: Path) -> None:
    a, b = TEMPOS[4]
    tracks = [
        click_track(tmp_path / "audio" / "a.wav", a, hz=OUT_HZ, bars=12),
        click_track(tmp_path / "audio" / "b.wav", b, hz=IN_HZ, bars=12, bar_1_s=0.517),
    ]
    (tmp_path / "plan.yaml").write_text(
        "loudness: {integrated: -20 LUFS, true_peak: -1 dBTP}\nstart: {at: 1}\ntracks:\n"
        f"  a: {{file: audio/a.wav, grid: {{tempo: {a} BPM, bar_1: 0.3 s, beats_per_bar: 4}}}}\n"
        f"  b: {{file: audio/b.wav, grid: {{tempo: {b} BPM, bar_1: 0.517 s, beats_per_bar: 4}}}}\n"
        "transitions:\n  - {from: a, to: b, leave: 8, enter: 2, overlap: 4 bars, recipe: none}\n"
    )
    api.render(load_plan(tmp_path / "plan.yaml"), tmp_path / "out", cache=Cache(tmp_path / "cache"))
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    sound, rate_hz = soundfile.read(tmp_path / "out" / "mix.flac")
    beats_s, joint = np.array(report["beats_s"]), report["transitions"][0]
    last_s = beats_s[-1] - 0.1
    heard = []
    for track, start_s, end_s in (
        (tracks[0], 0.0, joint["end_s"] - 0.1),
        (tracks[1], joint["start_s"] - 0.01, min(report["mix"]["duration_s"] - 0.2, last_s)),
    ):
        inside = (beats_s >= start_s) & (beats_s < end_s)
        found = heard_s(sound[:, 0], beats_s[inside], hz=track.click_hz, rate_hz=rate_hz)
        check_ms((found - beats_s[inside]) * 1000.0, f"{track.path.stem} in mix.flac")
        heard.append(dict(zip(beats_s[inside], found, strict=True)))
    both = sorted(heard[0].keys() & heard[1].keys())
    offsets_ms = np.array([heard[1][t] - heard[0][t] for t in both]) * 1000.0
    check_ms(offsets_ms, "incoming against outgoing in mix.flac")
    said = joint["beat_offset_ms"]
    print(f"the report says {said}")
    assert said["beats"] == len(both) == 16
    assert abs(said["median"] - float(np.median(offsets_ms))) <= 0.5
    assert said["p95_abs"] <= 1.5 and said["worst_abs"] <= 3.0
