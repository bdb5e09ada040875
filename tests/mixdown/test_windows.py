"""A preview's windows are the mix itself: to the bit, or at a cut held tempo as near as can be heard."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from markers import (
    BUSY,
    RATE_HZ,
    MarkerTrack,
    Sound,
    check_ms,
    click_pair,
    click_track,
    heard_s,
    level_db,
    music_track,
    plan_of,
    rendered,
)

from mixrender.audio.cache import Cache
from mixrender.mixdown import prepare as preparing

HELD = """
match_loudness: false
tempo: 126 BPM
start: {at: 1}
transitions:
  - {from: a, to: b, leave: 20, enter: 2, overlap: 2 bars, recipe: none}
"""


def test_a_window_is_the_mix_to_the_bit_where_no_tempo_is_held(tmp_path: Path) -> None:
    tracks = [*click_pair(tmp_path), click_track(tmp_path / "c.wav", 126.0, hz=2500.0)]
    text = BUSY.replace("end: {at: 11, fade: 1 bar}\n", "")
    text += "  - {from: b, to: c, leave: 12, enter: 2, overlap: 2 bars}\n"
    whole = rendered(text, tracks, Cache(tmp_path / "two"))
    joint = whole.timeline.transitions[1]
    window_s = (joint.start_s - 4.0, joint.end_s + 4.0)
    assert whole.timeline.transitions[0].end_s < window_s[0]  # so the first overlap need not be stretched
    clip = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=[window_s])
    start, stop = (round(s * RATE_HZ) for s in window_s)
    assert (
        np.concatenate(list(clip.mix.blocks(start, stop))).tobytes() == whole.mix.read(start, stop).tobytes()
    )


EFFECTS = {
    "echo": "{amount: {1: 0 %, 1.5: 60 %}, time: 3/4 beat, feedback: 70 %}",
    "reverb": "{amount: {1: 0 %, 1.5: 60 %}, time: 8 beats}",
    "phaser": "{amount: {-1: 0 %, 1: 100 %}, feedback: 80 %}",
    "flanger": "{amount: {-1: 0 %, 1: 100 %}, feedback: 80 %}",
    "gate": "{amount: {-1: 0 %, 1: 100 %}}",
}


@pytest.mark.parametrize("effect", EFFECTS)
def test_a_window_that_begins_while_an_effect_is_at_work_is_the_mix_to_the_bit(
    effect: str, tmp_path: Path, cache: Cache
) -> None:
    tracks = click_pair(tmp_path)
    moves = f"moves: {{a: {{{effect}: {EFFECTS[effect]}}}}}"
    text = "match_loudness: false\nstart: {at: 1}\ntransitions:\n"
    text += f"  - {{from: a, to: b, leave: 5, enter: 2, overlap: 2 bars, recipe: none, {moves}}}\n"
    whole = rendered(text, tracks, cache)
    joint = whole.timeline.transitions[0]
    # Echo and reverb: track a has ended before the window, and only its tail is heard.
    begins_s = joint.end_s + 0.1 if effect in {"echo", "reverb"} else joint.end_s - 1.0
    window_s = (begins_s, begins_s + 6.0)
    clip = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=[window_s])
    start, stop = (round(s * RATE_HZ) for s in window_s)
    heard, alone = whole.mix.read(start, stop), whole.mix.strips[1].read(start, stop)
    there = level_db((heard - alone)[:RATE_HZ])

    print(f"track a lies at {there:.1f} dB in the first second of the window, bound -60 dB")
    assert there > -60.0
    assert np.concatenate(list(clip.mix.blocks(start, stop))).tobytes() == heard.tobytes()


def stretched_seconds(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Filled with the length in seconds of every piece that is stretched from now on."""
    done: list[float] = []
    run = preparing.StretchJob.run

    def watched(job: preparing.StretchJob, cache: Cache, progress: object) -> object:
        done.append(job.seconds)
        return run(job, cache, progress)  # type: ignore[arg-type]

    monkeypatch.setattr(preparing.StretchJob, "run", watched)
    return done


@pytest.mark.accuracy
def test_a_window_at_a_held_tempo_stretches_less_and_keeps_its_beats(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tracks = click_pair(tmp_path, bars=24)
    _, timeline = plan_of(HELD, tracks)
    joint = timeline.transitions[0]
    window_s = (joint.start_s - 4.0, joint.end_s + 4.0)
    start, stop = (round(s * RATE_HZ) for s in window_s)
    done = stretched_seconds(monkeypatch)
    clip = rendered(HELD, tracks, Cache(tmp_path / "one"), windows_s=[window_s]).mix.read(start, stop)
    clip_s = sum(done)
    done.clear()
    whole = rendered(HELD, tracks, Cache(tmp_path / "two")).mix.read(start, stop)
    print(
        f"{clip_s:.1f} s stretched for a clip of {window_s[1] - window_s[0]:.1f} s, {sum(done):.1f} s for all"
    )
    assert clip_s < 0.5 * sum(done)
    for track in tracks:
        check_same_beats(clip, whole, timeline.beats()[1], window_s, track)


def check_same_beats(
    clip: Sound, whole: Sound, beats_s: list[float], window_s: tuple[float, float], track: MarkerTrack
) -> None:
    inside = np.array([t - window_s[0] for t in beats_s if window_s[0] + 0.05 < t < window_s[1] - 0.1])
    there, here = (heard_s(sound[:, 0], inside, hz=track.click_hz) for sound in (whole, clip))
    both = np.isfinite(there)
    assert np.array_equal(both, np.isfinite(here)) and both.sum() >= 8
    check_ms((here - there)[both] * 1000.0, "clip against mix", p95_ms=0.5, worst_ms=0.5)


@pytest.mark.accuracy
def test_a_window_at_a_held_tempo_keeps_the_level_of_music(tmp_path: Path) -> None:
    # Begun at another place, the engine gives single drums another level; it is given back second by second.
    tracks = [
        music_track(tmp_path / f"{name}.wav", bpm, 0.3, seed=seed, bars=24)
        for name, bpm, seed in (("a", 124.0, 1), ("b", 128.0, 2))
    ]
    joint = plan_of(HELD, tracks)[1].transitions[0]
    window_s = (joint.start_s - 4.0, joint.end_s + 4.0)
    start, stop = (round(s * RATE_HZ) for s in window_s)
    clip = rendered(HELD, tracks, Cache(tmp_path / "one"), windows_s=[window_s]).mix
    whole = rendered(HELD, tracks, Cache(tmp_path / "two")).mix
    for here, there in zip(clip.strips, whole.strips, strict=True):
        # Each track by itself: two of them would also show their phases.
        # Only while it is heard: what lies beyond its end is not in the mix.
        first, last = max(start, there.start), min(stop, there.stop)
        seconds = [(at, at + RATE_HZ) for at in range(first, last - RATE_HZ, RATE_HZ)]
        levels_db = np.array([level_db(here.source(*s)) - level_db(there.source(*s)) for s in seconds])
        print(f"level second by second: {levels_db.min():+.3f} to {levels_db.max():+.3f} dB, within 0.1")
        assert np.abs(levels_db).max() <= 0.1


@pytest.mark.accuracy
def test_windows_that_overlap_at_a_held_tempo_are_each_without_a_seam(tmp_path: Path) -> None:
    # A 100 Hz tone shows a seam between two separately stretched parts as a click above 2 kHz.
    from test_no_clicks import check_quiet_above_2_khz, tone_track

    tracks = [
        tone_track(tmp_path / f"{name}.wav", bpm, bars=32)
        for name, bpm in (("a", 124.0), ("b", 128.0), ("c", 127.0))
    ]
    text = HELD + "  - {from: b, to: c, leave: 8, enter: 2, overlap: 2 bars, recipe: none}\n"
    windows_s = [(t.start_s - 10.0, t.end_s + 10.0) for t in plan_of(text, tracks)[1].transitions]
    assert windows_s[0][1] > windows_s[1][0]
    mix = rendered(text, tracks, Cache(tmp_path / "one"), windows_s=windows_s).mix
    for window_s in windows_s:
        start, stop = (round(s * RATE_HZ) for s in window_s)
        fade = np.clip(np.minimum(np.arange(stop - start), np.arange(stop - start)[::-1]) / 4410.0, 0.0, 1.0)
        check_quiet_above_2_khz(mix.read(start, stop) * np.sin(0.5 * np.pi * fade)[:, None] ** 2)
