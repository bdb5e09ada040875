"""The count of the engine's hops against the program itself, and maps that end in step."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from mixrender.audio import rubberband
from mixrender.audio.keyframes import Followed, attack_frames, follow, lead_frames
from mixrender.units import FloatArray

RATE_HZ = 44100


def beats(source_bpm: float, ratios: FloatArray) -> FloatArray:
    """Knots behind a lead-in at ratio 1, one per ratio, with a whole number of frames gained or lost."""
    lead = lead_frames(RATE_HZ // 2, sample_rate_hz=RATE_HZ)
    steps = np.full(len(ratios), 60.0 / source_bpm * RATE_HZ)
    source = lead + np.concatenate(([0.0], np.cumsum(steps)))
    target = lead + np.concatenate(([0.0], np.cumsum(steps * ratios)))
    target[-1] = source[-1] + round(target[-1] - source[-1])
    return np.stack([source, target], axis=1)


def _regions() -> Iterator[tuple[float, FloatArray, int, Followed]]:
    for ratio in np.arange(0.925, 1.08, 0.005):
        knots = beats(124.0, np.full(4, float(ratio)))
        frames = int(knots[-1, 0]) + 2 * RATE_HZ
        found = follow(knots, head_ratio=1.0, tail_ratio=1.0, source_frames=frames, sample_rate_hz=RATE_HZ)
        yield float(ratio), knots, frames, found


def test_the_program_arrives_where_the_count_says(tmp_path: Path) -> None:
    # Behind a region, at ratio 1, the output is the source at a constant lag: exactly the one counted.
    # Regions that do not end in step show most.
    regions = [region for region in _regions() if region[-1].tail_lag_frames]
    assert len(regions) >= 2
    for ratio, knots, frames, found in regions[:3]:
        noise = (np.random.default_rng(1).standard_normal((frames, 2)) / 8).astype(np.float32)
        rubberband.stretch(
            lambda start, stop, noise=noise: noise[start:stop],
            key_frames=found.key_frames,
            sample_rate_hz=RATE_HZ,
            out=tmp_path / "out",
        )
        heard = np.fromfile(tmp_path / "out", dtype="<f4").reshape(-1, 2)
        at = int(knots[-1, 0]) + RATE_HZ
        gained = round(float(knots[-1, 1] - knots[-1, 0]))
        around = heard[at + gained - 64 : at + gained + 20064, 0]
        lag = int(np.argmax(np.correlate(around, noise[at : at + 20000, 0], "valid"))) - 64
        print(f"ratio {ratio:.3f}: lag {lag} frames, counted {found.tail_lag_frames}")
        assert lag == found.tail_lag_frames


def test_regions_end_in_step_with_the_source_within_two_frames() -> None:
    rng = np.random.default_rng(3)
    lags: Counter[int] = Counter()
    for i in range(12):
        count, end = int(rng.integers(8, 17)), rng.uniform(0.93, 1.07)
        ratios = np.linspace(1.0, end, count) if i % 2 else np.full(count, end)
        knots = beats(rng.uniform(85.0, 150.0), ratios)
        source_frames = int(knots[-1, 0]) + 2 * RATE_HZ
        found = follow(
            knots, head_ratio=1.0, tail_ratio=1.0, source_frames=source_frames, sample_rate_hz=RATE_HZ
        )
        lags[found.tail_lag_frames] += 1
    print(f"lags in frames: {sorted(lags.items())}, all within 2, most 0")

    assert max(abs(lag) for lag in lags) <= 2
    assert lags[0] >= 6


def test_key_frames_are_whole_and_rise_and_end_with_the_source() -> None:
    knots = beats(124.0, np.linspace(0.97, 1.03, 16))
    found = follow(knots, head_ratio=1.0, tail_ratio=1.0, source_frames=500000, sample_rate_hz=RATE_HZ)
    steps = np.diff(np.array([(0, 0), *found.key_frames]), axis=0)

    assert np.all(steps > 0)
    assert found.key_frames[0][0] == found.key_frames[0][1]  # the lead-in is at exactly 1
    assert found.key_frames[-1][0] == 500000


def test_only_the_lead_in_and_the_tail_are_at_exactly_1() -> None:
    # There the engine jumps to the source's phases.
    for ratios in (np.full(12, 1.0001), np.linspace(0.999, 1.001, 12), np.linspace(1.0, 1.03, 12)):
        knots = beats(124.0, ratios)
        found = follow(knots, head_ratio=1.0, tail_ratio=1.0, source_frames=500000, sample_rate_hz=RATE_HZ)
        steps = np.diff(np.array([(0, 0), *found.key_frames]), axis=0)

        assert [i for i, (source, target) in enumerate(steps) if source == target] == [0, len(steps) - 1]


def test_attacks_scale_with_the_engines_windows() -> None:
    assert [attack_frames(rate) for rate in (44100, 48000, 96000)] == [150, 150, 300]
