"""Where a track is at its own tempo and neutral it is its source times one gain: nulls in the file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from markers import RATE_HZ, MarkerTrack, Sound, music_track, null_db, plan_of

from mixrender.audio.cache import Cache
from mixrender.mixdown.render import render_mix
from mixrender.progress import NoProgress

NULL_DB = -120.0
NEAR_DB = -40.0
"""Beyond one second from an overlap nothing may be left; in that second the joint may leave this much."""

A_BPM, B_BPM = 124.0, 127.0
A_BAR_1_S, B_BAR_1_S = 0.3, 0.517


def mixed(
    text: str, tracks: list[MarkerTrack], folder: Path, cache: Cache
) -> tuple[Sound, tuple[float, float]]:
    """The written float file, and the start and end of its overlap in seconds."""
    plan, timeline = plan_of(text, tracks)
    result = render_mix(plan, timeline, folder=folder, cache=cache, progress=NoProgress())
    assert result.master.max_gain_reduction_db == 0.0
    sound, rate_hz = soundfile.read(result.files[0], always_2d=True)
    assert rate_hz == RATE_HZ
    joint = timeline.transitions[0]
    return sound, (joint.start_s, joint.end_s)


def check_null(
    mix: Sound, source: Sound, start_s: float, end_s: float, ahead_s: float, name: str, bound_db: float
) -> None:
    """Null of mix seconds `start_s` to `end_s` with the source, of which it is `ahead_s` ahead."""
    start, end = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
    nulls = []
    for offset in round(ahead_s * RATE_HZ) + np.arange(-1, 2):  # the nearest whole sample, found here
        nulls.append(null_db(mix[start:end], source[start + offset : end + offset]))
    print(f"{name}: null {min(nulls):.1f} <= {bound_db} dB over {end_s - start_s:.2f} s")
    assert min(nulls) <= bound_db


TEXT = """
match_loudness: true
output: {format: wav, bits: float, rate: 44100}
start: {at: 1}
transitions:
  - {from: a, to: b, leave: 8, enter: 2, overlap: 4 bars%s}
"""


@dataclass(frozen=True)
class Case:
    """A mix of two tracks, and each source with the seconds by which mix times are behind it."""

    mix: Sound
    start_s: float
    end_s: float
    a: Sound
    b: Sound
    a_ahead_s: float
    b_ahead_s: float


def case(folder: Path, cache: Cache, tempo: str = "", *, b_rate_hz: int = RATE_HZ) -> Case:
    a = music_track(folder / "a.wav", A_BPM, A_BAR_1_S, seed=1)
    b = music_track(folder / "b.wav", B_BPM, B_BAR_1_S, seed=2, rate_hz=b_rate_hz)
    mix, (start_s, end_s) = mixed(TEXT % tempo, [a, b], folder / "mix", cache)
    sources = []
    for track in (a, b):
        sound, rate_hz = soundfile.read(track.path, dtype="float32", always_2d=True)
        resampled = soxr.resample(sound, rate_hz, RATE_HZ, "VHQ") if rate_hz != RATE_HZ else sound
        sources.append(np.asarray(resampled, dtype=np.float64))
    # Bar 1 of a sounds 10 ms into the file; bar 6 of b where the overlap ends.
    assert abs(start_s - (0.010 + 7 * 240.0 / A_BPM)) < 1e-6
    b_ahead_s = B_BAR_1_S + 5 * 240.0 / B_BPM - end_s
    return Case(mix, start_s, end_s, *sources, A_BAR_1_S - 0.010, b_ahead_s)


def check_far(found: Case) -> None:
    end_s = len(found.mix) / RATE_HZ - 0.011
    check_null(found.mix, found.a, 0.011, found.start_s - 1.0, found.a_ahead_s, "a before", NULL_DB)
    check_null(found.mix, found.b, found.end_s + 1.0, end_s, found.b_ahead_s, "b after", NULL_DB)


@pytest.fixture(scope="module")
def glide(tmp_path_factory: pytest.TempPathFactory, cache: Cache) -> Case:
    return case(tmp_path_factory.mktemp("glide"), cache)


def test_tracks_null_with_their_sources_around_a_glide(glide: Case) -> None:
    check_far(glide)


@pytest.mark.accuracy
def test_a_track_at_another_rate_nulls_with_its_resampled_source(tmp_path: Path, cache: Cache) -> None:
    # Compared with soxr's own resampling of the whole file at its highest quality.
    check_far(case(tmp_path, cache, b_rate_hz=48000))


@pytest.mark.accuracy
def test_tracks_null_with_their_sources_around_a_written_ramp(tmp_path: Path, cache: Cache) -> None:
    check_far(case(tmp_path, cache, ", tempo: {to: 127 BPM, start: 1, over: 2 bars}"))


def test_the_last_second_before_a_glide_nulls_but_for_the_joint(glide: Case) -> None:
    found = glide
    end_s = found.start_s - 0.011  # the incoming track comes up in the last 10 ms
    check_null(found.mix, found.a, found.start_s - 1.0, end_s, found.a_ahead_s, "a before", NEAR_DB)


def test_the_first_second_after_a_glide_nulls_but_for_the_joint(glide: Case) -> None:
    found = glide
    start_s = found.end_s + 0.001
    check_null(found.mix, found.b, start_s, found.end_s + 1.0, found.b_ahead_s, "b after", NEAR_DB)


def test_nothing_is_changed_where_the_tempos_are_one(tmp_path: Path, cache: Cache) -> None:
    a = music_track(tmp_path / "a.wav", A_BPM, A_BAR_1_S, seed=1)
    b = music_track(tmp_path / "b.wav", A_BPM, 0.1, seed=2)
    text = TEXT.replace("true", "false") % ", recipe: none"
    mix, (start_s, end_s) = mixed(text, [a, b], tmp_path / "mix", cache)
    x, y = (soundfile.read(t.path, always_2d=True)[0] for t in (a, b))
    start, end = round((start_s + 0.001) * RATE_HZ), round((end_s - 0.011) * RATE_HZ)
    one = x[start + round((A_BAR_1_S - 0.010) * RATE_HZ) :][: end - start]
    offsets = round((0.1 + 240.0 / A_BPM - start_s) * RATE_HZ) + np.arange(-1, 2)
    best = min(null_db(mix[start:end], one + y[start + offset : end + offset]) for offset in offsets)
    print(f"the sum of both in the overlap: null {best:.1f} <= {NULL_DB} dB")
    assert best <= NULL_DB


def test_a_track_cut_into_itself_goes_on_unbroken(tmp_path: Path, cache: Cache) -> None:
    a = music_track(tmp_path / "a.wav", A_BPM, A_BAR_1_S, seed=1)
    text = TEXT.replace(
        "leave: 8, enter: 2, overlap: 4 bars%s", "leave: 8, enter: 8, overlap: 0 bars, recipe: cut"
    )
    mix, (start_s, end_s) = mixed(text, [a, a], tmp_path / "mix", cache)
    assert start_s == end_s
    source, _ = soundfile.read(a.path, always_2d=True)
    check_null(mix, source, 0.011, len(mix) / RATE_HZ - 0.011, A_BAR_1_S - 0.010, "across the cut", NULL_DB)


def test_in_24_bits_it_is_the_source_times_one_gain_but_for_the_dither(tmp_path: Path, cache: Cache) -> None:
    # Bound in steps: 1 of dither, 1/2 of rounding, 1/4 because the mix waits for its master in float32.
    a = music_track(tmp_path / "a.wav", A_BPM, A_BAR_1_S, seed=1)
    text = TEXT.replace("true", "false").replace("bits: float", "bits: 24")
    mix, (start_s, _) = mixed(text % ", recipe: none", [a, a], tmp_path / "mix", cache)
    source, _ = soundfile.read(a.path, always_2d=True)
    start, end = round(0.011 * RATE_HZ), round((start_s - 1.0) * RATE_HZ)
    errors = []
    for offset in round((A_BAR_1_S - 0.010) * RATE_HZ) + np.arange(-1, 2):  # the nearest whole sample
        x, y = source[start + offset : end + offset], mix[start:end]
        errors.append(np.abs(y - x * np.vdot(x, y) / np.vdot(x, x)).max() * 2**23)
    print(f"largest difference {min(errors):.3f} steps of 24 bits, bound 1.75")
    assert 0.5 < min(errors) <= 1.75
