"""Noise over a transition: its level, its filter, its place, and what becomes of one that is cut."""

from __future__ import annotations

import numpy as np
import pytest
from effect_strips import quiet_tracks
from markers import RATE_HZ, Sound, level_db, plan_of
from scipy import signal

from mixrender.errors import Problem
from mixrender.mixdown.mix import Mix
from mixrender.mixdown.noise_sweep import NoiseSweep
from mixrender.timing.timeline import Timeline

PLAN = """
match_loudness: false
start: {{at: 1}}
transitions:
  - {{from: a, to: b, leave: 3, enter: 2, overlap: 6 bars, tempo: {tempo}, noise_sweep: {{{sweep}}}}}
"""
"""Six bars from beat 8 on: twelve seconds at 120 BPM where the tempo is held."""

SWEEP = "level: {0: silent, 3: -12 dB, end: -6 dB, end + 0.25: silent}, cutoff: {0: 200 Hz, end: 8 kHz}"


def sweep_of(sweep: str, *, glide: bool = False) -> tuple[Timeline, NoiseSweep]:
    tempo = "{to: 140 BPM, start: 0, over: 6 bars}" if glide else "hold"
    timeline = plan_of(PLAN.format(sweep=sweep, tempo=tempo), quiet_tracks())[1]
    (placed,) = timeline.noises
    return timeline, NoiseSweep(placed, tempo_map=timeline.tempo_map, sample_rate_hz=RATE_HZ)


def whole(noise: NoiseSweep) -> Sound:
    return noise.read(noise.start, noise.stop)


def about_noise(timeline: Timeline) -> list[Problem]:
    return [problem for problem in timeline.problems if "noise" in problem.message]


def spectrum_db(sound: Sound, hz: list[float]) -> list[float]:
    """Power density at these frequencies, in dB of what white noise of RMS 0.1 has everywhere."""
    frequencies, power = signal.welch(sound[:, 0], RATE_HZ, nperseg=4096)
    white = 0.1**2 / (RATE_HZ / 2)
    return [
        float(10 * np.log10(power[(frequencies > f * 0.94) & (frequencies < f * 1.06)].mean() / white))
        for f in hz
    ]


@pytest.mark.parametrize("asked_db", [0.0, -12.0, -30.0])
def test_a_level_of_0_db_is_an_rms_of_a_tenth_where_the_filter_lets_all_through(asked_db: float) -> None:
    _, noise = sweep_of(
        f"level: {{0: {asked_db:g} dB at once, end: {asked_db:g} dB}}, cutoff: {{0: 20 Hz}}, filter: highpass"
    )
    level = level_db(whole(noise)[RATE_HZ // 10 : -RATE_HZ // 10])

    print(f"{level:.2f} dB for {asked_db - 20.0} dB, bound 0.1 dB")
    assert level == pytest.approx(asked_db - 20.0, abs=0.1)


def test_the_level_moves_straight_in_db_from_its_first_point_to_its_last() -> None:
    timeline, noise = sweep_of(SWEEP.replace("{0: 200 Hz, end: 8 kHz}", "{0: 20 Hz}, filter: highpass"))
    sound = whole(noise)
    start_s, end_s = timeline.transitions[0].start_s, timeline.transitions[0].end_s
    assert noise.start == pytest.approx(start_s * RATE_HZ, abs=1.0)
    assert noise.stop == pytest.approx((end_s + 0.5) * RATE_HZ, abs=1.0)
    levels_db = []
    for at_s, wanted_db in ((6.0, -32.0), (9.0, -29.0), (11.95, -26.05)):
        first = round(at_s * RATE_HZ) - 2205
        levels_db.append(level_db(sound[first : first + 4410]) - wanted_db)

    print(f"off by {np.round(levels_db, 2)} dB, bound 0.3 dB (4410 frames of noise)")
    assert np.abs(levels_db).max() < 0.3
    assert level_db(sound[:441]) < -60.0
    assert level_db(sound[-44:]) < -40.0


@pytest.mark.parametrize(
    ("filter_word", "expected_db"),
    [
        # 12 dB per octave: 1 / (1 + r^4) in power two octaves away, half at the cutoff.
        ("lowpass", {250.0: -0.02, 1000.0: -3.01, 4000.0: -24.1}),
        ("highpass", {250.0: -24.1, 1000.0: -3.01, 4000.0: -0.02}),
        # Q of 1.414: 1 / (1 + Q^2 (r - 1 / r)^2).
        ("bandpass", {250.0: -14.7, 1000.0: 0.0, 4000.0: -14.7}),
    ],
)
def test_the_filter_has_its_slope(filter_word: str, expected_db: dict[float, float]) -> None:
    _, noise = sweep_of(f"level: {{0: 0 dB, end: 0 dB}}, cutoff: {{0: 1 kHz}}, filter: {filter_word}")
    found = spectrum_db(whole(noise)[4410:-4410], list(expected_db))

    print(f"{filter_word}: {np.round(found, 2)} dB, expected {list(expected_db.values())}, bound 0.8 dB")
    # Warped a little by the bilinear transform; a mean of some hundred bins of noise is 0.3 dB sure.
    assert np.allclose(found, list(expected_db.values()), atol=0.8)


def test_the_cutoff_is_half_way_in_octaves_half_way_through_whatever_the_tempo_does() -> None:
    timeline, noise = sweep_of(
        "level: {0: 0 dB, end: 0 dB}, cutoff: {0: 250 Hz, end: 4 kHz}, filter: bandpass", glide=True
    )
    middle = round(timeline.tempo_map.time_at(8.0 + 12.0) * RATE_HZ) - noise.start
    sound = whole(noise)[middle - 11025 : middle + 11025]
    levels_db = spectrum_db(sound, [500.0, 1000.0, 2000.0])

    print(f"half way: {np.round(levels_db, 1)} dB at 500, 1000, 2000 Hz")
    assert levels_db[1] > levels_db[0] + 3.0 and levels_db[1] > levels_db[2] + 3.0
    assert levels_db[0] == pytest.approx(levels_db[2], abs=2.0)


@pytest.mark.parametrize("size", [1001, 30_011])
def test_blocks_of_any_size_and_reads_from_anywhere_give_the_same_bytes(size: int) -> None:
    timeline, noise = sweep_of(SWEEP, glide=True)
    stop = noise.stop + 1000
    expected = noise.read(0, stop)
    again = sweep_of(SWEEP, glide=True)[1]
    parts = [again.read(at, min(at + size, stop)) for at in range(0, stop, size)]
    assert np.concatenate(parts).tobytes() == expected.tobytes()
    for start in np.random.default_rng(size).integers(0, stop - 9000, 5).tolist():
        assert again.read(start, start + 9000).tobytes() == expected[start : start + 9000].tobytes()
    mix = Mix([], frames=stop, sample_rate_hz=RATE_HZ, noises=[again])
    assert np.array_equal(np.concatenate(list(mix.blocks(block_frames=size))), expected)
    assert not about_noise(timeline)


def test_the_noise_of_each_transition_is_its_own() -> None:
    first, second = (
        NoiseSweep(noise, tempo_map=timeline.tempo_map, sample_rate_hz=RATE_HZ)
        for timeline, noise in ((t, n) for t in [three_tracks()] for n in t.noises)
    )
    a, b = whole(first)[:44100, 0], whole(second)[:44100, 0]
    likeness = float(np.dot(a, b) / np.sqrt(np.dot(a, a) * np.dot(b, b)))

    print(f"correlation {likeness:.4f}, bound 0.02")
    assert abs(likeness) < 0.02
    assert first.placed.transition == 1 and second.placed.transition == 2


def three_tracks() -> Timeline:
    text = """
    match_loudness: false
    start: {at: 1}
    transitions:
      - {from: a, to: b, leave: 3, enter: 2, overlap: 2 bars, noise_sweep: %s}
      - {from: b, to: c, leave: 6, enter: 2, overlap: 2 bars, noise_sweep: %s}
    """
    sweep = "{level: {0: 0 dB, end: 0 dB}, cutoff: {0: 20 kHz}}"
    a, b = quiet_tracks()
    return plan_of(text % (sweep, sweep), [a, b, a])[1]


def test_noise_that_does_not_begin_or_end_silent_is_cut_in_10_ms_with_a_warning() -> None:
    timeline, noise = sweep_of("level: {0: -6 dB, 4: -6 dB}, cutoff: {0: 20 kHz}")
    messages = [problem.message for problem in about_noise(timeline)]
    sound = whole(noise)
    edge = round(0.01 * RATE_HZ)

    assert len(messages) == 2 and "begin silent" in messages[0] and "end silent" in messages[1]
    assert all("noise_sweep" in p.path and p.severity == "warning" for p in about_noise(timeline))
    assert set(messages) <= set(timeline.transitions[0].warnings)
    assert level_db(sound[: edge // 4]) < -45.0 and level_db(sound[-edge // 4 :]) < -45.0
    assert level_db(sound[edge : 2 * edge]) == pytest.approx(-26.0, abs=1.0)
    start_s = timeline.transitions[0].start_s
    assert noise.start / RATE_HZ == pytest.approx(start_s - 0.01, abs=1e-4)
    assert noise.stop / RATE_HZ == pytest.approx(start_s + 8.0 + 0.01, abs=1e-4)


def test_noise_that_comes_and_goes_at_once_is_not_cut() -> None:
    timeline, _ = sweep_of("level: {0: -6 dB at once, 4: silent at once}, cutoff: {0: 20 kHz}")

    assert not about_noise(timeline)
