"""Tracks whose bars are repeated, left out, reversed or stopped stay on the beat: measured on clicks."""

from __future__ import annotations

from dataclasses import replace
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
    click_sound,
    click_track,
    heard_s,
    make_track,
    rendered,
)
from scipy.fft import next_fast_len
from test_no_clicks import check_quiet_above_2_khz, tone_track

from mixrender.audio.cache import Cache
from mixrender.facts import Grid
from mixrender.mixdown.measure import transition_offset
from mixrender.timing.spans import BeatSpan

OUT_EDITS = (
    "edits: [{repeat: 3, length: 1 bar, times: 2}, {repeat: 5, length: 1 beat, times: 5}, "
    "{repeat: 7, length: 1/4 beat, times: 5}, {skip: 8, length: 2 bars}, "
    "{repeat: 11, length: 4 bars, times: 2}, {repeat: 16.25, length: 1/2 beat, times: 7}]"
)
OUT_EVENTS = (
    "moves: {mute: {4.5 s: 0.4 s}, reverse: {6.75: 1 beat}, brake: {10.5: 2 beats}, spin_up: {13.5: 2 beats}}"
)
IN_EDITS = (
    "edits: [{repeat: 3, length: 1/4 beat, times: 17}, {skip: 6, length: 1 bar}, {repeat: 8, length: 1 bar}]"
)
IN_EVENTS = "moves: {reverse: {4.25: 1 beat}, mute: {4.75: 1 beat}}"

ENTRY = "{from: a, to: b, leave: 15, enter: 2, overlap: 4 bars, recipe: none%s}"
"""Without a recipe both tracks sound at full level in the whole overlap."""


def text(more: str = "", *, top: str = "", fields: str = "", entry: str = ENTRY) -> str:
    lines = ["match_loudness: false", "start: {at: 1}", top, "transitions:", "  - " + entry % more]
    edits = [f"# a: {OUT_EDITS}", f"# a: {OUT_EVENTS}", f"# b: {IN_EDITS}", f"# b: {IN_EVENTS}"]
    return "\n".join([*edits, fields, *lines]) + "\n"


WAYS = {
    "glide": {"more": ""},
    "hold": {"more": ", tempo: hold"},
    "ramp": {"more": ", tempo: {to: 128 BPM, start: -3, over: 5 bars}"},
    "top": {"top": "tempo: 126 BPM"},
    "no key lock": {"fields": "# a: key_lock: false\n# b: key_lock: false"},
}


def pair(folder: Path, a: float = 124.0, b: float = 128.0, *, bars: int = 20) -> list[MarkerTrack]:
    return [
        click_track(folder / "a.wav", a, hz=OUT_HZ, bars=bars),
        click_track(folder / "b.wav", b, hz=IN_HZ, bars=bars, bar_1_s=0.517),
    ]


def drifting_track(folder: Path, *, hz: float = OUT_HZ, bars: int = 20) -> MarkerTrack:
    """Clicks whose tempo swings by 2 BPM around 124."""
    bpm = 124.0 + 2.0 * np.sin(np.arange(bars * 4) / 7.0)
    beats_s = 0.4 + np.concatenate(([0.0], np.cumsum(60.0 / bpm)))
    sound = click_sound(beats_s[:-1], hz=hz, duration_s=float(beats_s[-1]), rate_hz=RATE_HZ, seed=5)
    grid = Grid("drifting", 124.0, 0.4, beats_s=tuple(beats_s.tolist()))
    track = make_track(folder / f"drifting{hz:.0f}.wav", sound, grid, hz=hz)
    return replace(track, beats_s=beats_s[:-1])


def expected_s(r: Rendered, index: int, track: MarkerTrack) -> Sound:
    """Times of the mix at which the clicks of a file sound whole, wherever edits and events have put them."""
    placed, tempo_map = r.timeline.tracks[index], r.timeline.tempo_map
    times_s = []
    for play_s in sorted(s for beat_s in track.beats_s for s in placed.order.passes_at(float(beat_s))):
        # What lies in a patch, or fades out right before one or before a joint, is not whole.
        if any(p.start_s - 0.05 < play_s < p.end_s - 1e-6 for p in placed.patches):
            continue
        beat = placed.grid.beat_at(play_s)
        span = next((s for s in placed.spans if isinstance(s, BeatSpan)), None)
        assert span is not None and len(placed.spans) == 1
        mix_beat = span.start_beat + (beat - span.source_beat) / span.rate
        at_s = tempo_map.time_at(mix_beat)
        if placed.start_s - 1e-6 <= at_s < placed.end_s - 0.06:
            times_s.append(at_s)
    return np.array(times_s)


def check_mix(r: Rendered, tracks: list[MarkerTrack], *, beats: int) -> None:
    mix = r.whole()[:, 0]
    # As long as a transform goes fast with what `heard_s` puts before and behind it.
    heard = np.pad(mix, (0, next_fast_len(len(mix) + 2 * 4410) - 2 * 4410 - len(mix)))
    for index, track in enumerate(tracks):
        wanted = expected_s(r, index, track)
        found = heard_s(heard, wanted, hz=track.click_hz)
        check_ms((found - wanted) * 1000.0, f"track {index + 1}, wherever edits put its clicks")
    own = transition_offset(r.mix, r.timeline, r.timeline.transitions[0])
    assert own is not None
    print(f"the report's own: {own.beats} beats, p95 {own.p95_abs:.3f} <= 1.5, worst {own.worst_abs:.3f} ms")
    assert own.beats == beats
    assert own.p95_abs <= 1.5 and own.worst_abs <= 3.0


def test_edited_tracks_of_one_tempo_meet_unstretched(tmp_path: Path, cache: Cache) -> None:
    tracks = pair(tmp_path, 124.0, 124.0)
    check_mix(rendered(text(), tracks, cache), tracks, beats=14)


def test_edited_tracks_meet_while_the_tempo_glides(tmp_path: Path, cache: Cache) -> None:
    tracks = pair(tmp_path)
    check_mix(rendered(text(), tracks, cache), tracks, beats=14)


@pytest.mark.accuracy
@pytest.mark.parametrize("way", list(WAYS))
@pytest.mark.parametrize(("a", "b"), [(124.0, 128.0), (127.43, 125.1)])
def test_edited_tracks_meet_in_every_way(way: str, a: float, b: float, tmp_path: Path, cache: Cache) -> None:
    tracks = pair(tmp_path, a, b)
    check_mix(rendered(text(**WAYS[way]), tracks, cache), tracks, beats=14)


@pytest.mark.accuracy
@pytest.mark.parametrize("order", ["ab", "ba"])
def test_an_edited_track_that_drifts_meets_a_steady_one(order: str, tmp_path: Path, cache: Cache) -> None:
    if order == "ab":
        tracks = [drifting_track(tmp_path), click_track(tmp_path / "b.wav", 126.0, hz=IN_HZ, bars=20)]
    else:
        tracks = [
            click_track(tmp_path / "a.wav", 124.0, hz=OUT_HZ, bars=20),
            drifting_track(tmp_path, hz=IN_HZ),
        ]
    check_mix(rendered(text(), tracks, cache), tracks, beats=14)


def test_a_window_of_an_edited_mix_is_the_mix_to_the_bit(tmp_path: Path) -> None:
    tracks = pair(tmp_path)
    whole = rendered(text(), tracks, Cache(tmp_path / "whole"))
    joint = whole.timeline.transitions[0]
    start, stop = (round(s * RATE_HZ) for s in (joint.start_s - 12.0, joint.end_s + 4.0))
    window_s = (start / RATE_HZ, stop / RATE_HZ)
    clip = rendered(text(), tracks, Cache(tmp_path / "clip"), windows_s=[window_s])
    cut = np.concatenate(list(clip.mix.blocks(start, stop)))

    assert cut.tobytes() == whole.mix.read(start, stop).tobytes()
    # Blocks of any size, too.
    sizes = [whole.mix.read(at, min(at + 7001, stop)) for at in range(start, stop, 7001)]
    assert np.concatenate(sizes).tobytes() == cut.tobytes()


def test_what_is_stretched_is_kept_apart_for_other_edits(tmp_path: Path) -> None:
    cache, tracks = Cache(tmp_path / "cache"), pair(tmp_path)
    plain = f"match_loudness: false\nstart: {{at: 1}}\ntransitions:\n  - {ENTRY % ''}\n"
    mixes = {}
    for name, fields in (
        ("plain", ""),
        ("reversed", "# a: moves: {reverse: {16: 1 beat}}\n"),
        ("rolled", "# a: edits: [{repeat: 16, length: 1 beat, times: 2}, {skip: 16.25, length: 1 beat}]\n"),
        ("plain again", ""),
    ):
        r = rendered(fields + plain, tracks, cache)
        mixes[name] = r.whole()
    assert len({mix.shape for mix in mixes.values()}) == 1
    assert np.array_equal(mixes["plain"], mixes["plain again"])
    for name in ("reversed", "rolled"):
        apart = np.flatnonzero(np.any(mixes[name] != mixes["plain"], axis=1)) / RATE_HZ
        joint = r.timeline.transitions[0]
        print(f"{name}: apart from {apart[0]:.2f} to {apart[-1]:.2f} s, overlap from {joint.start_s:.2f}")
        assert joint.start_s - 1.0 < apart[0]


CLEAN = "match_loudness: false\nstart: {at: 2}\nend: {at: 17}\ntransitions:\n  - " + ENTRY + "\n"


@pytest.mark.parametrize("b", [pytest.param(124.0, id="copied"), pytest.param(128.0, id="stretched")])
def test_a_low_tone_through_edits_and_events_leaves_no_click(b: float, tmp_path: Path, cache: Cache) -> None:
    tracks = [
        tone_track(tmp_path / "a.wav", 124.0, bars=20),
        tone_track(tmp_path / "b.wav", b, bars=20, phase=2.1, offset_s=0.333),
    ]
    edits = [f"# a: {OUT_EDITS}", f"# a: {OUT_EVENTS}", f"# b: {IN_EDITS}", f"# b: {IN_EVENTS}"]
    check_quiet_above_2_khz(rendered("\n".join(edits) + "\n" + CLEAN % "", tracks, cache).whole())
