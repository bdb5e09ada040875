"""Stretched regions: beats on the map, joints, level, pitch, refusals, and bytes that repeat."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import hilbert
from vowels import FORMANTS_HZ, formants_hz, vowel

from mixrender.audio import stretch
from mixrender.audio.stretch import Stretched, cache_key, coverage, stretch_between, stretch_region
from mixrender.errors import InputError, ToolError
from mixrender.units import FloatArray, ratio_to_cents, semitones_to_ratio

RATE_HZ = 44100
P95_MS = 0.6
"""95 of 100 beats are nearer to the map than this."""
WORST_MS = 1.0
"""Every beat is nearer to the map than this."""
AHEAD = 7000
"""Target minus source of the first knot: regions lie elsewhere in the mix than in their track."""


@dataclass(frozen=True)
class Sound:
    """A source held in memory."""

    samples: NDArray[np.float32]

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        out = np.zeros((stop - start, 2), dtype=np.float32)
        first, last = max(start, 0), min(stop, len(self.samples))
        if first < last:
            out[first - start : last - start] = self.samples[first:last]
        return out


def run(
    samples: NDArray[np.float32],
    knots: FloatArray,
    folder: Path,
    *,
    joins: bool = True,
    rate_hz: int = RATE_HZ,
    semitones: float = 0.0,
    formants_stay: bool = False,
    name: str = "out",
) -> tuple[Stretched, FloatArray]:
    covered = stretch_between(
        Sound(samples),
        knots,
        sample_rate_hz=rate_hz,
        out=folder / name,
        head_untouched=joins,
        tail_untouched=joins,
        semitones=semitones,
        formants_stay=formants_stay,
    )
    found = np.fromfile(folder / name, dtype="<f4").reshape(-1, 2).astype(np.float64)
    assert len(found) == covered.frames
    return covered, found


def tempo_map(
    source_bpm: float, tempos_bpm: FloatArray, *, first: int = 132300, rate_hz: int = RATE_HZ
) -> FloatArray:
    """Knots of a region of one beat per tempo; both ends lie whole frames from the source."""
    beat = 60.0 / source_bpm * rate_hz
    source = first + np.arange(len(tempos_bpm) + 1) * beat
    target = first + AHEAD + np.concatenate(([0.0], np.cumsum(60.0 / tempos_bpm * rate_hz)))
    target[-1] += round(target[-1] - source[-1]) - (target[-1] - source[-1])
    return np.stack([source, target], axis=1)


def constant(source_bpm: float, bpm: float, beats: int) -> FloatArray:
    return tempo_map(source_bpm, np.full(beats, bpm))


def ramp(source_bpm: float, bpm: float, beats: int) -> FloatArray:
    """Tempos linear in beats, from the source's own."""
    return tempo_map(source_bpm, source_bpm + (bpm - source_bpm) * (np.arange(beats) + 0.5) / beats)


MAPS = {"constant": constant, "ramp": ramp}

_CLICK = np.random.default_rng(1).standard_normal(220) * np.exp(-np.arange(220) / 40.0)
_CLICK *= 0.7 / np.abs(_CLICK).max()


def clicks(at: NDArray[np.int64], frames: int) -> NDArray[np.float32]:
    x = np.zeros(frames + len(_CLICK))
    for place in at:
        x[place : place + len(_CLICK)] += _CLICK
    return np.stack([x[:frames], x[:frames]], axis=1).astype(np.float32)


def heard_at(sound: FloatArray, expected: float) -> float:
    """Frame of the click nearest to `expected`, by cross-correlation and a parabola through its peak."""
    begin = max(0, round(expected) - 1400)
    found = np.correlate(sound[begin : begin + 2800 + len(_CLICK), 0], _CLICK, "valid")
    i = int(np.argmax(found))
    if not 0 < i < len(found) - 1:
        return float(begin + i)
    before, peak, after = found[i - 1 : i + 2]
    return float(begin + i + (before - after) / (2.0 * (before - 2.0 * peak + after)))


def beat_errors_ms(
    knots: FloatArray,
    folder: Path,
    *,
    rate_hz: int = RATE_HZ,
    semitones: float = 0.0,
    formants_stay: bool = False,
) -> FloatArray:
    """How late each beat of a click track is heard against the map (shape: one per knot, in ms)."""
    at = np.rint(knots[:, 0]).astype(np.int64)
    joins = semitones == 0.0
    covered, found = run(
        clicks(at, int(knots[-1, 0]) + 3 * rate_hz),
        knots,
        folder,
        rate_hz=rate_hz,
        semitones=semitones,
        formants_stay=formants_stay,
        joins=joins,
    )
    inside = slice(None) if joins else slice(1, -1)  # a click at the very end of an unjoined region is cut
    wanted = np.interp(at, knots[:, 0], knots[:, 1])[inside] - covered.first_target_frame
    return np.array([heard_at(found, place) - place for place in wanted]) / rate_hz * 1000.0


def check_beats(errors_ms: FloatArray, *, p95_ms: float = P95_MS, worst_ms: float = WORST_MS) -> None:
    p95, worst = float(np.percentile(np.abs(errors_ms), 95)), float(np.abs(errors_ms).max())
    print(
        f"median {np.median(errors_ms):+.3f}, p95 {p95:.3f} <= {p95_ms}, worst {worst:.3f} <= {worst_ms} ms"
    )
    assert p95 <= p95_ms
    assert worst <= worst_ms


TEMPOS = [(124.0, 128.0), (120.0, 126.0), (140.0, 132.0), (87.0, 90.0), (127.43, 125.1)]


@pytest.mark.parametrize("shape", sorted(MAPS))
@pytest.mark.parametrize(("source_bpm", "bpm"), TEMPOS)
def test_beats_are_heard_on_the_map(source_bpm: float, bpm: float, shape: str, tmp_path: Path) -> None:
    check_beats(beat_errors_ms(MAPS[shape](source_bpm, bpm, 12), tmp_path))


@pytest.mark.accuracy
@pytest.mark.parametrize("beats", [32, 128])
@pytest.mark.parametrize("shape", sorted(MAPS))
@pytest.mark.parametrize(("source_bpm", "bpm"), TEMPOS)
def test_beats_do_not_drift_over_long_regions(
    source_bpm: float, bpm: float, shape: str, beats: int, tmp_path: Path
) -> None:
    check_beats(beat_errors_ms(MAPS[shape](source_bpm, bpm, beats), tmp_path))


@pytest.mark.accuracy
@pytest.mark.parametrize(("source_bpm", "bpm"), [(120.0, 110.0), (120.0, 130.0), (120.0, 140.0)])
def test_beats_of_a_wide_ramp_are_heard_on_the_map(source_bpm: float, bpm: float, tmp_path: Path) -> None:
    check_beats(beat_errors_ms(ramp(source_bpm, bpm, 32), tmp_path))


@pytest.mark.parametrize("rate_hz", [48000, pytest.param(96000, marks=pytest.mark.accuracy)])
def test_beats_are_heard_on_the_map_at_other_rates(rate_hz: int, tmp_path: Path) -> None:
    tempos = 124.0 + 4.0 * (np.arange(12) + 0.5) / 12
    knots = tempo_map(124.0, tempos, first=3 * rate_hz, rate_hz=rate_hz)
    check_beats(beat_errors_ms(knots, tmp_path, rate_hz=rate_hz))


@pytest.mark.accuracy
def test_beats_are_heard_on_a_map_that_goes_up_and_down(tmp_path: Path) -> None:
    tempos = np.concatenate((np.linspace(124, 128, 12), np.full(8, 128.0), np.linspace(128, 122, 12)))
    check_beats(beat_errors_ms(tempo_map(124.0, tempos), tmp_path))


def test_beats_are_heard_on_the_map_when_knots_lie_on_every_sixteenth(tmp_path: Path) -> None:
    knots = ramp(124.0, 128.0, 8)
    beats = np.arange(len(knots))
    dense = np.stack([np.interp(np.arange(0, 8.01, 0.25), beats, knots[:, axis]) for axis in (0, 1)], axis=1)
    check_beats(beat_errors_ms(dense, tmp_path)[::4])


@pytest.mark.parametrize("semitones", [pytest.param(-2.0, marks=pytest.mark.accuracy), 1.0])
def test_beats_stay_on_the_map_when_the_pitch_changes(semitones: float, tmp_path: Path) -> None:
    check_beats(beat_errors_ms(ramp(124.0, 128.0, 16), tmp_path, semitones=semitones))


@pytest.mark.parametrize("semitones", [pytest.param(-2.0, marks=pytest.mark.accuracy), 1.0])
def test_beats_stay_on_the_map_when_formants_stay(semitones: float, tmp_path: Path) -> None:
    knots = ramp(124.0, 128.0, 16)
    check_beats(beat_errors_ms(knots, tmp_path, semitones=semitones, formants_stay=True))


@pytest.mark.accuracy
@pytest.mark.parametrize("formants_stay", [False, True])
@pytest.mark.parametrize("shape", sorted(MAPS))
@pytest.mark.parametrize("semitones", [-5.0, -3.0, 3.0, 5.0])
def test_beats_are_near_the_map_when_the_pitch_changes_by_much(
    semitones: float, shape: str, formants_stay: bool, tmp_path: Path
) -> None:
    """What the renderer has to hold for beats of two tracks: common practice, no source."""
    knots = MAPS[shape](124.0, 128.0, 16)
    errors_ms = beat_errors_ms(knots, tmp_path, semitones=semitones, formants_stay=formants_stay)
    check_beats(errors_ms, p95_ms=1.5, worst_ms=3.0)


@pytest.mark.accuracy
@pytest.mark.parametrize("semitones", [-5.0, -2.0, -1.0, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("voice_hz", [None, 110.0])
@pytest.mark.parametrize("name", sorted(FORMANTS_HZ))
def test_formants_can_stay_or_follow_the_pitch(
    name: str, voice_hz: float | None, semitones: float, tmp_path: Path
) -> None:
    """The first formants stay or move by the ratio: within 5 % for a whisper, and for a voice above 500 Hz.

    Below, harmonics of a voice lie too far apart to show a formant nearer than a quarter of their distance.
    """
    ratio = semitones_to_ratio(semitones)
    knots = constant(124.0, 128.0, 8)
    sound = vowel(name, seconds=8.0, voice_hz=voice_hz).astype(np.float32)
    own_hz = formants_hz(sound[:, 0], np.array(FORMANTS_HZ[name]))
    for word, stay, wanted_hz in (("follow", False, own_hz * ratio), ("keep", True, own_hz)):
        _, found = run(sound, knots, tmp_path, joins=False, semitones=semitones, formants_stay=stay)
        error_hz = formants_hz(found[:, 0], wanted_hz) - wanted_hz
        bound_hz = 0.05 * wanted_hz
        if voice_hz is not None:
            bound_hz[own_hz < 500.0] = voice_hz * ratio / 4.0
        print(f"{semitones:+g}, {word}: off by {np.round(error_hz, 1)} <= {np.round(bound_hz, 1)} Hz")
        assert np.all(np.abs(error_hz) <= bound_hz)


@pytest.mark.parametrize("formants_stay", [False, True])
@pytest.mark.parametrize("semitones", [pytest.param(-2.0, marks=pytest.mark.accuracy), 0.0, 1.0])
def test_a_tone_has_the_pitch_that_was_asked_for(
    semitones: float, formants_stay: bool, tmp_path: Path
) -> None:
    knots = constant(124.0, 128.0, 14)
    tone = steady_tone(440.0, knots)
    _, found = run(tone, knots, tmp_path, joins=False, semitones=semitones, formants_stay=formants_stay)
    part = found[40000:260000, 0] * np.hanning(220000)
    spectrum = np.fft.rfft(part, 1 << 20)
    power = np.log(np.abs(spectrum) + 1e-12)
    i = int(np.argmax(power))
    offset = (power[i - 1] - power[i + 1]) / (2.0 * (power[i - 1] - 2.0 * power[i] + power[i + 1]))
    cents = ratio_to_cents((i + offset) * RATE_HZ / (1 << 20) / 440.0)
    print(f"{cents:+.3f} cents, wanted {100 * semitones:+.0f}, within 0.5")
    assert abs(cents - 100.0 * semitones) <= 0.5


def steady_tone(hz: float, knots: FloatArray) -> NDArray[np.float32]:
    """A sine at -6 dB of full scale that lasts from frame 0 to beyond the map."""
    t = np.arange(int(knots[-1, 0]) + 4 * RATE_HZ) / RATE_HZ
    return np.stack([0.5 * np.sin(2.0 * np.pi * hz * t)] * 2, axis=1).astype(np.float32)


def music(frames: int, *, bpm: float) -> NDArray[np.float32]:
    """A panned chord, a kick on each beat and a noise hat off it."""
    rng = np.random.default_rng(5)
    t = np.arange(frames) / RATE_HZ
    x = np.zeros((frames + RATE_HZ, 2))
    for hz, right in ((110.0, 0.5), (220.0, 0.3), (277.2, 0.6), (329.6, 0.5), (440.3, 0.7)):
        for harmonic in range(1, 6):
            part = 0.05 / harmonic * np.sin(2.0 * np.pi * hz * harmonic * t + rng.uniform(0.0, 6.28))
            x[:frames] += part[:, np.newaxis] * np.array([1.0 - right, right])
    k = np.arange(RATE_HZ // 4) / RATE_HZ
    kick = 0.6 * np.sin(2.0 * np.pi * (50.0 * k + 3.6 * (1.0 - np.exp(-k / 0.03)))) * np.exp(-k / 0.1)
    for beat in range(int(frames * bpm / 60.0 / RATE_HZ)):
        at = round(beat * 60.0 / bpm * RATE_HZ)
        x[at : at + len(kick)] += kick[:, np.newaxis]
        at += round(30.0 / bpm * RATE_HZ)
        hat = 0.15 * rng.standard_normal(3000) * np.exp(-np.arange(3000) / 600.0)
        x[at : at + 3000] += hat[:, np.newaxis]
    return x[:frames].astype(np.float32)


def level_db(x: FloatArray) -> float:
    return float(10.0 * np.log10(np.mean(np.square(x, dtype=np.float64)) + 1e-30))


def spliced(samples: NDArray[np.float32], knots: FloatArray, folder: Path) -> tuple[FloatArray, int, int]:
    """The region between two seconds of its source, and where it begins and ends there."""
    covered, found = run(samples, knots, folder)
    head = covered.first_target_frame - AHEAD
    tail = covered.first_target_frame + covered.frames - round(float(knots[-1, 1] - knots[-1, 0]))
    whole = np.concatenate((samples[head - RATE_HZ : head], found, samples[tail : tail + RATE_HZ]))
    return whole, RATE_HZ, RATE_HZ + len(found)


@pytest.mark.parametrize("shape", sorted(MAPS))
def test_the_outermost_frames_are_the_sources_own_and_the_reach_nulls_with_it(
    shape: str, tmp_path: Path
) -> None:
    # Windows of 46 ms on both sides of a corner carry sound from across it; beyond that the sounds are one.
    knots = MAPS[shape](124.0, 128.0, 8)
    x = music(int(knots[-1, 0]) + 3 * RATE_HZ, bpm=124.0)
    covered, found = run(x, knots, tmp_path)
    head = covered.first_target_frame - AHEAD
    tail = head + AHEAD + covered.frames - round(float(knots[-1, 1] - knots[-1, 0]))
    reach = round(stretch.REACH_S * RATE_HZ)

    assert np.array_equal(found[0], x[head])
    assert np.array_equal(found[-1], x[tail - 1])
    before, after = reach - round(0.06 * RATE_HZ), reach - round(0.08 * RATE_HZ)
    for name, heard, own in (
        ("head", found[:before], x[head : head + before]),
        ("tail", found[-after:], x[tail - after : tail]),
    ):
        null_db = level_db(heard - own) - level_db(own)
        print(f"{name}: null {null_db:.1f} <= -40 dB")
        assert null_db <= -40.0


@pytest.mark.accuracy
def test_whatever_the_tempo_the_tail_is_the_source_frame_by_frame(tmp_path: Path) -> None:
    for source_bpm, bpm in ((124.0, 121.3), (98.6, 101.1), (132.9, 128.0), (140.0, 147.2)):
        knots = ramp(source_bpm, bpm, 9)
        x = music(int(knots[-1, 0]) + 3 * RATE_HZ, bpm=source_bpm)
        covered, found = run(x, knots, tmp_path)
        tail = covered.first_target_frame + covered.frames - round(float(knots[-1, 1] - knots[-1, 0]))
        length = round((stretch.REACH_S - 0.08) * RATE_HZ)
        own = x[tail - length : tail]
        null_db = level_db(found[-length:] - own) - level_db(own)
        print(f"{source_bpm} to {bpm} BPM: null {null_db:.1f} <= -40 dB")
        assert null_db <= -40.0


@pytest.mark.parametrize("bpm", [128.0, pytest.param(120.0, marks=pytest.mark.accuracy)])
def test_a_100_hz_tone_passes_the_joints_without_a_click(bpm: float, tmp_path: Path) -> None:
    knots = ramp(124.0, bpm, 8)
    whole, first, last = spliced(steady_tone(100.0, knots), knots, tmp_path)
    spectrum = np.fft.rfft(whole[:, 0] * np.hanning(len(whole)))
    spectrum[: round(2000.0 * len(whole) / RATE_HZ)] = 0.0
    rest = np.fft.irfft(spectrum, len(whole))
    for name, at in (("head", first), ("tail", last)):
        peak_db = 20.0 * np.log10(np.abs(rest[at - 4410 : at + 4410]).max())
        print(f"{name}: peak above 2 kHz {peak_db:.1f} <= -60 dBFS")
        assert peak_db <= -60.0


@pytest.mark.parametrize("hz", [55.0, 440.0, 3000.0])
def test_a_steady_tone_keeps_its_level_except_at_the_corners(hz: float, tmp_path: Path) -> None:
    """Where the engine leaves and finds the source's phases a tone may dip; within 60 ms that is over."""
    knots = ramp(124.0, 128.0, 8)
    whole, first, last = spliced(steady_tone(hz, knots), knots, tmp_path)
    level = 20.0 * np.log10(np.abs(hilbert(whole[:, 0])) / 0.5)
    reach, corner, edge = round(stretch.REACH_S * RATE_HZ), round(0.06 * RATE_HZ), RATE_HZ // 2
    for name, part in (
        ("head joint", level[edge : first + reach - corner]),
        ("region", level[first + reach + corner : last - reach - corner]),
        ("tail joint", level[last - reach + corner : len(level) - edge]),
    ):
        print(f"{name}: {part.min():+.2f} to {part.max():+.2f} dB, within 0.5")
        assert np.abs(part).max() <= 0.5


@pytest.mark.accuracy
@pytest.mark.parametrize("bpm", [116.0, 128.0, 132.0])
def test_the_level_of_music_is_given_back(bpm: float, tmp_path: Path) -> None:
    knots = constant(124.0, bpm, 48)
    x = music(int(knots[-1, 0]) + 3 * RATE_HZ, bpm=124.0)
    _, found = run(x, knots, tmp_path, joins=False)
    change_db = level_db(found) - level_db(x[int(knots[0, 0]) : int(knots[-1, 0])])
    print(f"level change {change_db:+.3f} dB, within 0.1")
    assert abs(change_db) <= 0.1


def test_a_change_of_level_that_no_stretching_makes_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = stretch.rubberband.stretch

    def faint(*args: object, out: Path, **kwargs: object) -> int:
        frames: int = plain(*args, out=out, **kwargs)  # type: ignore[arg-type]
        (np.fromfile(out, dtype="<f4") * np.float32(0.7)).tofile(out)
        return frames

    monkeypatch.setattr(stretch.rubberband, "stretch", faint)
    knots = constant(124.0, 128.0, 8)
    with pytest.raises(ToolError, match="changed the level"):
        run(music(int(knots[-1, 0]) + RATE_HZ, bpm=124.0), knots, tmp_path)

    assert list(tmp_path.iterdir()) == []


def test_silence_stays_silent(tmp_path: Path) -> None:
    _, found = run(np.zeros((400000, 2), dtype=np.float32), constant(124.0, 128.0, 8), tmp_path)

    assert not found.any()


def test_a_region_covers_what_it_says(tmp_path: Path) -> None:
    knots = constant(124.0, 128.0, 8) + np.array([0.3, 0.3])
    x = music(int(knots[-1, 0]) + RATE_HZ, bpm=124.0)
    alone = stretch_region(Sound(x), knots, sample_rate_hz=RATE_HZ, out=tmp_path / "alone")
    first, last = round(float(knots[0, 1])), round(float(knots[-1, 1]))

    assert alone == Stretched(first, last - first)
    assert (tmp_path / "alone").stat().st_size == 8 * (last - first)
    assert coverage(knots, sample_rate_hz=RATE_HZ, head_untouched=True, tail_untouched=False) == Stretched(
        first - 6615, last - first + 6615
    )


def test_the_same_region_gives_the_same_bytes_also_from_two_threads_at_once(tmp_path: Path) -> None:
    knots = ramp(124.0, 128.0, 8)
    x = music(int(knots[-1, 0]) + RATE_HZ, bpm=124.0)
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(run, x, knots, tmp_path, name=name) for name in ("a", "b")]
        for job in jobs:
            job.result()
    run(x, knots, tmp_path, name="c")

    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() == (tmp_path / "c").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b", "c"]


def test_an_interrupted_region_leaves_nothing_behind(tmp_path: Path) -> None:
    class Interrupted(Sound):
        def read(self, start: int, stop: int) -> NDArray[np.float32]:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stretch_region(
            Interrupted(np.zeros((1, 2), dtype=np.float32)),
            constant(124.0, 128.0, 4),
            sample_rate_hz=RATE_HZ,
            out=tmp_path / "out",
        )

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([(0, 0)], "at least 2"),
        ([(0, 0), (1000, np.nan)], "finite"),
        ([(0, 0), (1000, 1030), (1000, 1090)], "rise strictly"),
        ([(0, 0), (1000, 1030), (2000, 1030)], "rise strictly"),
        ([(0, 0), (50000, 50000)], "copy the source"),
        ([(0, 0.5), (50000, 51000)], "whole"),
    ],
)
def test_maps_that_cannot_be_followed_are_refused(
    rows: list[tuple[float, float]], message: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match=message):
        run(np.zeros((10, 2), dtype=np.float32), np.array(rows), tmp_path)


@pytest.mark.parametrize("ratio", [0.45, 2.1])
def test_tempos_that_lie_too_far_apart_are_refused_with_the_factor(ratio: float, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"factors of {ratio:.3f}"):
        run(np.zeros((10, 2), dtype=np.float32), np.array([(0, 0), (1e5, 1e5 * ratio)]), tmp_path)


def test_another_pitch_cannot_be_joined_to_the_untouched_source(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="another pitch"):
        run(np.zeros((10, 2), dtype=np.float32), constant(124.0, 128.0, 8), tmp_path, semitones=1.0)


def test_the_key_changes_with_all_that_the_sound_depends_on() -> None:
    knots = constant(124.0, 128.0, 8)
    moved = knots.copy()
    moved[3, 1] += 0.25
    same = {
        "sample_rate_hz": 44100,
        "head_untouched": True,
        "tail_untouched": True,
        "semitones": 0.0,
        "program_version": "3.1.2",
    }
    changed = [
        {"sample_rate_hz": 48000},
        {"head_untouched": False},
        {"tail_untouched": False},
        {"semitones": 1.0},
        {"semitones": 1.0, "formants_stay": True},
        {"program_version": "4.0.0"},
    ]
    keys = [cache_key(knots, **same), cache_key(moved, **same)]
    keys += [cache_key(knots, **{**same, **change}) for change in changed]

    assert cache_key(knots.copy(), **same) == keys[0]
    assert len(set(keys)) == 8
    assert cache_key(knots, **{**same, "formants_stay": True}) == keys[0]
    assert all(len(key) == 32 for key in keys)
