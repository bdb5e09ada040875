"""Levels of tracks and of the whole: matched loudness, targets met in the file, the limiter, silence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from markers import RATE_HZ, MarkerTrack, Sound, make_track, music, plan_of, rendered
from scipy import signal

from mixrender.audio.cache import Cache
from mixrender.errors import InputError
from mixrender.facts import Grid
from mixrender.mixdown.render import render_mix
from mixrender.mixdown.result import MixResult
from mixrender.progress import NoProgress

BPM, BAR_1_S = 120.0, 0.3
TWO = "transitions:\n  - {from: a, to: b, leave: 5, enter: 2, overlap: 2 bars}\n"


def leveled(path: Path, gain: float, *, seed: int = 1, bars: int = 8) -> MarkerTrack:
    """Music below 20 kHz at a gain; all of one tempo, so that nothing is stretched."""
    sound = music(BAR_1_S + bars * 240.0 / BPM, BPM, BAR_1_S, RATE_HZ, seed) * gain
    band = signal.firwin(511, 19000.0, window=("kaiser", 9.0), fs=RATE_HZ)
    sound = signal.fftconvolve(sound, band[:, None], mode="same", axes=0)
    return make_track(path, sound, Grid("steady", BPM, BAR_1_S))


def three(folder: Path) -> list[MarkerTrack]:
    return [leveled(folder / f"{i}.wav", gain, seed=i) for i, gain in enumerate((0.5, 0.25, 0.4))]


THREE = TWO + "  - {from: b, to: c, leave: 6, enter: 2, overlap: 1 bar}\n"


def test_matching_tracks_brings_their_loud_parts_to_the_median(tmp_path: Path, cache: Cache) -> None:
    tracks = three(tmp_path)
    found = rendered("match_loudness: true\n" + THREE + "# c: gain: -1.5 dB\n", tracks, cache)
    loud = [track.facts.loudness.loud_lufs or 0.0 for track in tracks]
    wanted = np.median(loud) - np.array(loud) + [0.0, 0.0, -1.5]
    print(f"gains {np.round(found.prepared.gains_db, 3)} dB, wanted {np.round(wanted, 3)}, within 0.001")
    assert np.abs(np.array(found.prepared.gains_db) - wanted).max() <= 0.001


def test_matching_off_leaves_levels_alone(tmp_path: Path, cache: Cache) -> None:
    found = rendered("match_loudness: false\n" + THREE + "# c: gain: -1.5 dB\n", three(tmp_path), cache)
    assert found.prepared.gains_db == (0.0, 0.0, -1.5)


def test_matching_regions_makes_equally_loud_what_meets(tmp_path: Path, cache: Cache) -> None:
    tracks = three(tmp_path)
    found = rendered("match_loudness: regions\n" + THREE, tracks, cache)
    gains_db = found.prepared.gains_db
    for joint in found.timeline.transitions:
        lufs = []
        for index in (joint.outgoing, joint.incoming):
            placed = found.timeline.tracks[index]
            start = placed.source_s_at(joint.start_beat, found.timeline.tempo_map)
            end = placed.source_s_at(joint.end_beat, found.timeline.tempo_map)
            sound, _ = soundfile.read(tracks[index].path, always_2d=True)
            part = sound[round(start * RATE_HZ) : round(end * RATE_HZ)]
            lufs.append(pyloudnorm.Meter(RATE_HZ).integrated_loudness(part) + gains_db[index])
        print(f"what meets: {lufs[0]:.2f} and {lufs[1]:.2f} LUFS (pyloudnorm), within 0.1")
        assert abs(lufs[0] - lufs[1]) <= 0.1
    assert abs(float(np.median(gains_db))) <= 1e-9


def render(text: str, tracks: list[MarkerTrack], folder: Path, cache: Cache) -> tuple[MixResult, Sound]:
    plan, timeline = plan_of(text, tracks)
    result = render_mix(plan, timeline, folder=folder, cache=cache, progress=NoProgress())
    return result, soundfile.read(result.files[0], always_2d=True)[0]


def true_peak_db(sound: Sound) -> float:
    """Peak of the waveform at eight times the rate, by scipy's polyphase filter, 255 taps a sample."""
    taps = signal.firwin(8 * 255 + 1, 1.0 / 8, window=("kaiser", 12.0))
    return float(20.0 * np.log10(np.abs(signal.resample_poly(sound, 8, 1, axis=0, window=taps)).max()))


def outside_lufs(sound: Sound) -> list[float]:
    """Integrated loudness by two other programs: pyloudnorm and libebur128."""
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(sound).reshape(-1), len(sound))
    return [
        float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound)),
        float(pyebur128.get_loudness_global(state)),
    ]


@pytest.mark.parametrize("target", [pytest.param(-20.0, marks=pytest.mark.accuracy), -13.0])
def test_a_target_is_met_in_the_written_file(target: float, tmp_path: Path, cache: Cache) -> None:
    text = f"loudness: {{integrated: {target} LUFS, true_peak: -1 dBTP}}\n{TWO}"
    tracks = three(tmp_path)[:2]
    result, sound = render(text, tracks, tmp_path / "mix", cache)
    lufs, peak_db = outside_lufs(sound), true_peak_db(sound)
    assert result.loudness is not None and result.loudness.integrated_lufs is not None
    print(
        f"target {target}: own {result.loudness.integrated_lufs:.3f}, pyloudnorm {lufs[0]:.3f}, libebur128 "
        f"{lufs[1]:.3f} LUFS, within 0.1; true peak {peak_db:.3f} <= -0.95 dB; "
        f"reduction {result.master.max_gain_reduction_db:.2f} dB"
    )
    assert max(abs(value - target) for value in [result.loudness.integrated_lufs, *lufs]) <= 0.1
    assert peak_db <= -1.0 + 0.05
    assert (result.master.max_gain_reduction_db > 0.5) == (target == -13.0)
    assert result.target is not None and result.target.passed


@pytest.mark.accuracy
def test_a_target_out_of_reach_is_missed_without_flattening_the_sound_further(
    tmp_path: Path, cache: Cache
) -> None:
    text = f"loudness: {{integrated: -5 LUFS, true_peak: -1 dBTP}}\n{TWO}"
    result, _ = render(text, three(tmp_path)[:2], tmp_path / "mix", cache)
    assert result.loudness is not None and result.loudness.integrated_lufs is not None
    print(
        f"{result.loudness.integrated_lufs:.2f} LUFS instead of -5, "
        f"reduction {result.master.max_gain_reduction_db:.1f} <= 20 dB"
    )
    assert result.master.max_gain_reduction_db <= 20.0
    assert result.target is not None and result.target.passed is False
    assert "instead of -5" in result.target.reason


@pytest.mark.accuracy
def test_without_a_target_the_gain_only_lowers_to_the_ceiling(tmp_path: Path, cache: Cache) -> None:
    for name, gain in (("hot", 2.0), ("quiet", 0.3)):
        tracks = [leveled(tmp_path / f"{name}-{i}.wav", gain, seed=i) for i in (1, 2)]
        result, sound = render("match_loudness: false\n" + TWO, tracks, tmp_path / name, cache)
        peak_db = true_peak_db(sound)
        print(f"{name}: gain {result.master.gain_db:+.3f} dB, true peak {peak_db:.3f} <= -0.95 dB")
        assert result.master.max_gain_reduction_db == 0.0
        assert peak_db <= -0.95
        if name == "hot":
            assert result.master.gain_db < 0.0 and peak_db >= -1.05
        else:
            assert result.master.gain_db == 0.0


def test_a_target_beyond_the_ceiling_is_refused_where_the_limiter_is_forbidden(
    tmp_path: Path, cache: Cache
) -> None:
    tracks = three(tmp_path)[:2]
    with pytest.raises(InputError, match=r"true peak .* over -1 dBTP.*limiter: false.*ask for -\d"):
        render(f"limiter: false\nloudness: -7 LUFS\n{TWO}", tracks, tmp_path / "mix", cache)
    assert not list((tmp_path / "mix").glob("*")) if (tmp_path / "mix").exists() else True
    result, _ = render(f"limiter: false\nloudness: -24 LUFS\n{TWO}", tracks, tmp_path / "mix", cache)
    assert result.master.max_gain_reduction_db == 0.0


@pytest.mark.parametrize("loudness", ["", "loudness: -14 LUFS\n"])
def test_a_silent_mix_is_written_and_said_to_be_silent(loudness: str, tmp_path: Path, cache: Cache) -> None:
    tracks = [
        make_track(tmp_path / f"{i}.wav", np.zeros((20 * RATE_HZ, 2)), Grid("steady", BPM, BAR_1_S))
        for i in (1, 2)
    ]
    result, sound = render(loudness + TWO, tracks, tmp_path / "mix", cache)
    assert np.abs(sound).max() <= 2**-23  # the dither of 24 bits, one step of noise
    assert result.loudness is not None and result.loudness.integrated_lufs is None
    assert any("silent" in warning for warning in result.warnings)
    assert (result.target is not None and not result.target.passed) == bool(loudness)
