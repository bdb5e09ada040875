"""The tracks as sound: where the kicks lie, what is in the bands, how loud it is, which notes sound."""

from __future__ import annotations

from functools import cache

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from scipy import signal

from mixrender.demo.arrange import PEAK_DBFS, bar_frames, render
from mixrender.demo.kernels import Sound
from mixrender.demo.score import Score, kick_times_s, shortened
from mixrender.demo.synth import Hit
from mixrender.demo.tracks import SCORES
from mixrender.keys import parse_key

SECTION_BARS = 2
each_score = pytest.mark.parametrize("score", SCORES, ids=lambda score: score.name)


@cache
def short_track(name: str) -> tuple[Score, Sound]:
    score = shortened(next(s for s in SCORES if s.name == name), section_bars=SECTION_BARS)
    return score, render(score)


def section_of(name: str, section: str) -> tuple[Sound, int]:
    score, sound = short_track(name)
    bar = score.first_bar(section)
    return sound[bar_frames(score, bar) : bar_frames(score, bar + SECTION_BARS)], score.sample_rate_hz


def band_db(sound: Sound, rate_hz: int, low_hz: float, high_hz: float) -> float:
    """Mean power in a band, dB re full scale, of the middle of both sides."""
    hz, power = signal.welch(sound.mean(axis=1), rate_hz, nperseg=16384)
    inside = (hz >= low_hz) & (hz < high_hz)
    return float(10.0 * np.log10(np.sum(power[inside]) * (hz[1] - hz[0]) + 1e-20))


@each_score
def test_each_kick_starts_within_1_ms_of_its_time(score: Score) -> None:
    short = shortened(score, section_bars=SECTION_BARS)
    loud = np.abs(render(short, layers=["kick"])).max(axis=1) > 0.01  # -40 dBFS
    rate_hz = short.sample_rate_hz

    times_s = kick_times_s(short)
    # Those that follow a stroke too closely to be seen apart from it are left to the next test.
    apart_s = [t for before, t in zip([-1.0, *times_s], times_s, strict=False) if t - before > 0.4]

    errors_ms = []
    for time_s in apart_s:
        first, last = (max(0, round((time_s + shift_s) * rate_hz)) for shift_s in (-0.005, 0.02))
        assert not loud[first : max(0, round(time_s * rate_hz) - 1)].any()  # the one before has died away
        errors_ms.append((first + np.argmax(loud[first:last])) / rate_hz * 1e3 - time_s * 1e3)
    print(f"{score.name}: {len(errors_ms)} kicks, worst {np.abs(errors_ms).max():.3f} ms, bound 1 ms")
    assert len(errors_ms) >= 8
    assert np.abs(errors_ms).max() < 1.0


@each_score
def test_in_the_finished_intro_the_kicks_lie_within_1_ms_of_their_times(score: Score) -> None:
    """By the peak of the correlation of the mix with one stroke of the kick (common practice, no source)."""
    short, sound = short_track(score.name)
    rate_hz = short.sample_rate_hz
    stroke = short.layers["kick"].voice.render(
        Hit((), 0.1, 1.0), sample_rate_hz=rate_hz, rng=np.random.default_rng(0)
    )[: rate_hz // 12, 0]
    reach = rate_hz // 100  # ±10 ms
    mono = np.pad(sound.mean(axis=1), reach)
    intro_end_s = short.grid.time_at(4 * SECTION_BARS)

    errors_ms = []
    for time_s in kick_times_s(short):
        if time_s < intro_end_s:
            start = round(time_s * rate_hz)
            around = mono[start : start + len(stroke) + 2 * reach]
            errors_ms.append((np.argmax(np.correlate(around, stroke, "valid")) - reach) / rate_hz * 1e3)
    print(f"{score.name}: {len(errors_ms)} kicks, worst {np.abs(errors_ms).max():.3f} ms, bound 1 ms")
    assert len(errors_ms) >= 4
    assert np.abs(errors_ms).max() < 1.0


@each_score
def test_it_is_silent_before_the_lead_in_ends_and_sounds_at_once_after(score: Score) -> None:
    short, sound = short_track(score.name)
    first_s = float(np.argmax(np.abs(sound).max(axis=1) > 0.001)) / short.sample_rate_hz  # -60 dBFS

    late_ms = (first_s - short.lead_in_s) * 1e3
    print(f"{score.name}: first sound {late_ms:+.3f} ms after the lead-in, bounds -0.02 to +1 ms")
    assert -0.02 <= late_ms < 1.0


@each_score
def test_the_drop_is_full_in_every_band(score: Score) -> None:
    drop, rate_hz = section_of(score.name, "drop")
    whole_db = band_db(drop, rate_hz, 20.0, 20000.0)

    for low_hz, high_hz, floor_db in (
        (30.0, 120.0, -6.0),
        (120.0, 500.0, -12.0),
        (500.0, 2500.0, -18.0),
        (2500.0, 8000.0, -26.0),
        (8000.0, 16000.0, -30.0),
    ):
        share_db = band_db(drop, rate_hz, low_hz, high_hz) - whole_db
        print(f"{score.name}: {low_hz:g} to {high_hz:g} Hz {share_db:.1f} dB of all, floor {floor_db} dB")
        assert share_db > floor_db


@each_score
def test_the_break_has_no_kick(score: Score) -> None:
    pause, rate_hz = section_of(score.name, "break")
    drop, _ = section_of(score.name, "drop")
    # The room and the last bass note still ring at its start.
    pause = pause[len(pause) // 4 :]

    below_db = band_db(pause, rate_hz, 30.0, 70.0) - band_db(drop, rate_hz, 30.0, 70.0)
    print(f"{score.name}: 30 to 70 Hz {below_db:.1f} dB re the drop, bound -25 dB")
    assert below_db < -25.0


@each_score
def test_the_track_peaks_where_it_should(score: Score) -> None:
    _, sound = short_track(score.name)
    peak_dbfs = 20.0 * np.log10(np.abs(sound).max())

    print(f"{score.name}: {peak_dbfs:.3f} dBFS, wanted {PEAK_DBFS} ± 0.01 dB")
    assert np.isfinite(sound).all()
    assert peak_dbfs == pytest.approx(PEAK_DBFS, abs=0.01)


@each_score
def test_the_track_is_stereo_but_safe_in_mono(score: Score) -> None:
    _, sound = short_track(score.name)
    mid, side = sound.sum(axis=1), sound[:, 0] - sound[:, 1]
    side_db = 10.0 * np.log10(np.mean(side**2) / np.mean(mid**2))

    print(f"{score.name}: side {side_db:.1f} dB re mid, bounds -40 to -6 dB")
    assert -40.0 < side_db < -6.0


@each_score
def test_no_offset_is_left(score: Score) -> None:
    _, sound = short_track(score.name)
    offset = np.abs(sound.mean(axis=0)).max()

    print(f"{score.name}: mean {offset:.2e}, bound 1e-3")
    assert offset < 1e-3


@each_score
def test_chords_sound_in_their_key(score: Score) -> None:
    """Nearly all power of the pad below 520 Hz, where fundamentals lie, is on notes of the scale."""
    short = shortened(score, section_bars=8)
    start = bar_frames(short, short.first_bar("break"))
    pad = render(short, layers=["pad"])[start : start + 12 * short.sample_rate_hz]
    chroma = chroma_of(pad, short.sample_rate_hz)
    scale = sorted(short.pitch_classes())

    inside = float(chroma[scale].sum())
    tonic = parse_key(score.key).tonic
    print(
        f"{score.name}: {inside:.4f} of the power lies in {score.key}, bound 0.97; tonic {chroma[tonic]:.3f}"
    )
    assert inside > 0.97
    # A semitone off, the same test must fail.
    assert float(chroma[[(pitch + 1) % 12 for pitch in scale]].sum()) < 0.8


def chroma_of(sound: Sound, rate_hz: int) -> NDArray[np.float64]:
    """Share of each pitch class, C first, in the power from 80 to 520 Hz."""
    hz, power = signal.welch(sound.mean(axis=1), rate_hz, nperseg=65536)
    inside = (hz >= 80.0) & (hz < 520.0)
    pitch = np.round(69.0 + 12.0 * np.log2(hz[inside] / 440.0)).astype(int) % 12
    chroma = np.bincount(pitch, weights=power[inside], minlength=12)
    return np.asarray(chroma / chroma.sum())


def test_a_track_is_the_same_every_time() -> None:
    score, sound = short_track(SCORES[-1].name)

    np.testing.assert_array_equal(render(score), sound)


@pytest.mark.accuracy
@each_score
def test_the_whole_track_is_as_loud_as_a_club_track(score: Score) -> None:
    """Integrated loudness by BS.1770 as pyloudnorm measures it."""
    sound = render(score)
    lufs = pyloudnorm.Meter(score.sample_rate_hz).integrated_loudness(sound.astype(np.float64))
    peak_dbfs = 20.0 * np.log10(np.abs(sound).max())

    print(f"{score.name}: {lufs:.2f} LUFS, bounds -14 to -10; peak {peak_dbfs:.2f} dBFS, bounds -3 to -1")
    assert -14.0 <= lufs <= -10.0
    assert -3.0 <= peak_dbfs <= -1.0
