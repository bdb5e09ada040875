"""Three tracks at once, double time, drifting and beatless tracks, nudges, varispeed, transposition."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from markers import (
    IN_HZ,
    OUT_HZ,
    RATE_HZ,
    MarkerTrack,
    Rendered,
    Sound,
    check_ms,
    click_pair,
    click_sound,
    click_track,
    heard_s,
    make_track,
    music_track,
    null_db,
    rendered,
)

from mixrender.audio.cache import Cache
from mixrender.facts import Grid
from mixrender.mixdown.measure import transition_offset
from mixrender.timing.pieces import Copy, track_pieces

LOW_HZ = 700.0
TEXT = "match_loudness: false\nstart: {at: 1}\ntransitions:\n"


def overlap_beats_s(found: Rendered, number: int = 0) -> Sound:
    """The report's beats in an overlap, but for its last tenth of a second."""
    joint = found.timeline.transitions[number]
    _, beats_s = found.timeline.beats()
    return np.array([t for t in beats_s if joint.start_s - 1e-6 <= t < joint.end_s - 0.1])


def late_ms(found: Rendered, index: int, track: MarkerTrack, wanted_s: Sound) -> Sound:
    """How late a track's clicks are against given times, on its own strip."""
    sound = found.mix.strips[index].source(0, found.mix.frames)[:, 0]
    return (heard_s(sound, wanted_s, hz=track.click_hz) - wanted_s) * 1000.0


def sources_cents(sound: Sound, hz: float) -> float:
    """Pitch of a steady tone in cents above `hz`: the peak of a long spectrum, by a parabola of its log."""
    spectrum = np.log(np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 1 << 21)) + 1e-12)
    low, high = (round(hz * ratio * (1 << 21) / RATE_HZ) for ratio in (0.8, 1.25))
    k = low + int(np.argmax(spectrum[low:high]))
    before, peak, after = spectrum[k - 1 : k + 2]
    place = k + (before - after) / (2 * (before - 2 * peak + after))
    return float(1200.0 * np.log2(place * RATE_HZ / (1 << 21) / hz))


@pytest.mark.accuracy
def test_three_tracks_meet_at_once(tmp_path: Path, cache: Cache) -> None:
    tracks = [*click_pair(tmp_path), click_track(tmp_path / "c.wav", 126.0, hz=LOW_HZ)]
    text = TEXT + (
        "  - {from: a, to: b, leave: 7, enter: 2, overlap: 4 bars, recipe: none}\n"
        "  - {from: b, to: c, leave: 4, enter: 2, overlap: 4 bars, recipe: none}\n"
    )
    found = rendered(text, tracks, cache)
    first, second = found.timeline.transitions
    assert second.start_s < first.end_s - 3.0
    both_s = [t for t in found.timeline.beats()[1] if second.start_s - 1e-6 <= t < first.end_s - 0.1]
    mix = found.whole()[:, 0]
    for name, track in zip("abc", tracks, strict=True):
        wanted = np.array(both_s)
        check_ms((heard_s(mix, wanted, hz=track.click_hz) - wanted) * 1000.0, f"{name} while three sound")
    for joint in (first, second):
        own = transition_offset(found.mix, found.timeline, joint)
        assert own is not None and own.p95_abs <= 1.5 and own.worst_abs <= 3.0


@pytest.mark.parametrize(("a", "b"), [(70.0, 140.0), pytest.param(140.0, 70.0, marks=pytest.mark.accuracy)])
def test_double_and_half_time_meet_without_any_stretching(
    a: float, b: float, tmp_path: Path, cache: Cache
) -> None:
    tracks = [
        click_track(tmp_path / "a.wav", a, hz=OUT_HZ, bars=9),
        click_track(tmp_path / "b.wav", b, hz=IN_HZ, bars=16, bar_1_s=0.517),
    ]
    overlap = 3 if a < b else 4
    found = rendered(
        TEXT + f"  - {{from: a, to: b, leave: 4, enter: 2, overlap: {overlap} bars, recipe: none}}\n",
        tracks,
        cache,
    )
    for placed in found.timeline.tracks:
        assert all(
            isinstance(piece, Copy)
            for piece in track_pieces(placed, found.timeline.tempo_map, sample_rate_hz=RATE_HZ)
        )
    for change in found.timeline.transitions[0].tempo_change_percent.values():
        assert (change.min, change.max) == (0.0, 0.0)
    joint = found.timeline.transitions[0]
    slow_s = joint.start_s + np.arange(round((joint.end_s - joint.start_s) * 70 / 60)) * 60.0 / 70.0
    for index, track in enumerate(tracks):
        check_ms(late_ms(found, index, track, slow_s), f"track {index + 1} on the slower track's beats")
    own = transition_offset(found.mix, found.timeline, joint)
    assert own is not None and own.beats == len(slow_s) and own.worst_abs <= 0.3


def drifting_track(path: Path, *, hz: float, beats: int = 80) -> MarkerTrack:
    """Clicks whose tempo wanders between 118 and 124 BPM, with a human's unevenness of 2 ms."""
    rng = np.random.default_rng(3)
    bpm = 121.0 + 3.0 * np.sin(np.arange(beats) / 9.0)
    beats_s = 0.4 + np.concatenate(([0.0], np.cumsum(60.0 / bpm)[:-1])) + rng.normal(0.0, 0.002, beats)
    duration_s = float(beats_s[-1]) + 0.5
    sound = click_sound(beats_s, hz=hz, duration_s=duration_s, rate_hz=RATE_HZ)
    grid = Grid("drifting", 121.0, float(beats_s[0]), beats_s=tuple(beats_s.tolist()))
    return replace(make_track(path, sound, grid, hz=hz), beats_s=beats_s)


@pytest.mark.parametrize("first", ["steady", pytest.param("drifting", marks=pytest.mark.accuracy)])
def test_a_drifting_track_is_untouched_outside_overlaps_and_on_the_beat_inside(
    first: str, tmp_path: Path, cache: Cache
) -> None:
    steady = click_track(tmp_path / "s.wav", 124.0, hz=OUT_HZ)
    drifts = drifting_track(tmp_path / "d.wav", hz=IN_HZ)
    tracks = [steady, drifts] if first == "steady" else [drifts, steady]
    found = rendered(
        TEXT + "  - {from: a, to: b, leave: 8, enter: 3, overlap: 4 bars, recipe: none}\n", tracks, cache
    )
    inside_s = overlap_beats_s(found)
    assert len(inside_s) == 16
    for index, track in enumerate(tracks):
        check_ms(late_ms(found, index, track, inside_s), f"track {index + 1} in the overlap")
    index = tracks.index(drifts)
    joint, mix = found.timeline.transitions[0], found.mix
    start, stop = (
        (0.011, joint.start_s - 1.0) if index == 0 else (joint.end_s + 1.0, mix.frames / RATE_HZ - 0.6)
    )
    at = range(round(start * RATE_HZ), round(stop * RATE_HZ))
    source, _ = soundfile.read(drifts.path, always_2d=True)
    placed = found.timeline.tracks[index]
    ahead_s = (
        placed.source_s_at(found.timeline.tempo_map.beat_at(start + 1.0), found.timeline.tempo_map)
        - start
        - 1.0
    )
    sound = mix.strips[index].read(at.start, at.stop)
    offsets = round(ahead_s * RATE_HZ) + np.arange(-2, 3)
    best = min(null_db(sound, source[at.start + o : at.stop + o]) for o in offsets)
    print(f"outside the overlap: null {best:.1f} <= -120 dB over {len(at) / RATE_HZ:.1f} s")
    assert best <= -120.0


def test_a_track_without_a_grid_is_mixed_by_the_second(tmp_path: Path, cache: Cache) -> None:
    a = click_track(tmp_path / "a.wav", 124.0, hz=OUT_HZ)
    music = music_track(tmp_path / "b.wav", 120.0, 0.3)
    free = replace(music, facts=replace(music.facts, grid=Grid("none")))
    text = TEXT + "  - {from: a, to: b, leave: 14.5 s, enter: 2.25 s, overlap: 4 s, beatmatch: false}\n"
    found = rendered(text, [a, free], cache)
    joint = found.timeline.transitions[0]
    # The mix begins 10 ms before bar 1 of a, which lies at 0.3 s of its file.
    assert joint.start_s == pytest.approx(14.5 - 0.29, abs=1e-9)
    assert joint.end_s - joint.start_s == pytest.approx(4.0, abs=1e-9)
    source, _ = soundfile.read(free.path, always_2d=True)
    start = round((joint.end_s + 0.02) * RATE_HZ)
    sound = found.mix.read(start, start + 5 * RATE_HZ)
    ahead = round((2.25 - joint.start_s) * RATE_HZ)
    best = min(null_db(sound, source[start + ahead + o :][: len(sound)]) for o in (-1, 0, 1))
    print(f"after the overlap: null {best:.1f} <= -120 dB")
    assert best <= -120.0
    assert transition_offset(found.mix, found.timeline, joint) is None


@pytest.mark.parametrize("nudge_ms", [4.0, -7.0])
def test_a_nudge_moves_the_incoming_track_by_so_much(nudge_ms: float, tmp_path: Path, cache: Cache) -> None:
    tracks = click_pair(tmp_path, 124.0, 124.0)
    text = TEXT + (
        f"  - {{from: a, to: b, leave: 7, enter: 2, overlap: 4 bars, recipe: none, nudge: {nudge_ms:g} ms}}\n"
    )
    found = rendered(text, tracks, cache)
    inside_s = overlap_beats_s(found)
    check_ms(late_ms(found, 0, tracks[0], inside_s), "outgoing", p95_ms=0.1, worst_ms=0.1)
    check_ms(
        late_ms(found, 1, tracks[1], inside_s) - nudge_ms,
        f"incoming less {nudge_ms:+g} ms",
        p95_ms=0.1,
        worst_ms=0.1,
    )
    own = transition_offset(found.mix, found.timeline, found.timeline.transitions[0])
    assert own is not None
    print(f"the report's own median {own.median:+.3f}, wanted {nudge_ms:+g} ms, within 0.3")
    assert abs(own.median - nudge_ms) <= 0.3


def test_without_key_lock_pitch_follows_the_tempo_and_beats_stay(tmp_path: Path, cache: Cache) -> None:
    tracks = click_pair(tmp_path)
    text = (
        "tempo: 128 BPM\n"
        + TEXT
        + "  - {from: a, to: b, leave: 8, enter: 2, overlap: 4 bars, recipe: none}\n"
    )
    found = rendered(text + "# a: key_lock: false\n", tracks, cache)
    beats_s = np.array([t for t in found.timeline.beats()[1] if t < found.timeline.tracks[0].end_s - 0.1])
    check_ms(late_ms(found, 0, tracks[0], beats_s), "without key lock", p95_ms=0.05, worst_ms=0.1)


def tone_pair(folder: Path, bpm: float = 124.0) -> MarkerTrack:
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    return make_track(
        folder / "tone.wav",
        0.5 * np.sin(2 * np.pi * 440.0 * t)[:, None] * np.ones(2),
        Grid("steady", bpm, 0.3),
    )


@pytest.mark.parametrize(
    ("fields", "tempo", "wanted_cents"),
    [
        ("# a: shift: 1", "", 100.0),
        ("# a: key_lock: false", "tempo: 130 BPM", 1200.0 * np.log2(130.0 / 124.0)),
        ("", "tempo: 130 BPM", 0.0),
    ],
)
def test_a_tone_has_the_pitch_that_was_asked_for(
    fields: str, tempo: str, wanted_cents: float, tmp_path: Path, cache: Cache
) -> None:
    text = f"{tempo}\nmatch_loudness: false\nstart: {{at: 2}}\nend: {{at: 9}}\n{fields}\n"
    found = rendered(text, [tone_pair(tmp_path)], cache)
    cents = sources_cents(found.mix.read(RATE_HZ, 9 * RATE_HZ)[:, 0], 440.0)
    print(f"{cents:+.3f} cents, wanted {wanted_cents:+.3f}, within 1")
    assert abs(cents - wanted_cents) <= 1.0


def test_transposed_beats_stay_in_place(tmp_path: Path, cache: Cache) -> None:
    tracks = click_pair(tmp_path, bars=10)
    text = TEXT + "  - {from: a, to: b, leave: 5, enter: 2, overlap: 4 bars, recipe: none}\n"
    found = rendered(text + "# b: shift: 1\n", tracks, cache)
    shifted = replace(tracks[1], click_hz=IN_HZ * 2 ** (1 / 12))
    beats_s = np.array([t for t in found.timeline.beats()[1] if t >= found.timeline.transitions[0].start_s])[
        :-1
    ]
    check_ms(late_ms(found, 1, shifted, beats_s), "a semitone up")
