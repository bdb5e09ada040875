"""Offsets of known size between drum-like sounds are measured; without enough attacks nothing is claimed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from markers import RATE_HZ, Sound

from mixrender.mixdown.offsets import beat_offset

BEATS_S = 0.5 + np.arange(16) * 60.0 / 124.0


def kick(t: Sound, rng: np.random.Generator) -> Sound:
    return 0.7 * np.exp(-t / 0.09) * np.sin(2 * np.pi * (46.0 * t + 4.5 * (1.0 - np.exp(-t / 0.02))))


def clap(t: Sound, rng: np.random.Generator) -> Sound:
    return 0.3 * np.exp(-t / 0.03) * rng.standard_normal(len(t))


def snare(t: Sound, rng: np.random.Generator) -> Sound:
    return 0.3 * np.exp(-t / 0.05) * (np.sin(2 * np.pi * 190.0 * t) + 0.7 * rng.standard_normal(len(t)))


def track(drum: Callable[[Sound, np.random.Generator], Sound], shift_ms: float, seed: int) -> Sound:
    """The drum on each beat, `shift_ms` late, above a chord and noise at -50 dB."""
    rng = np.random.default_rng(seed)
    n = np.arange(10 * RATE_HZ)
    sound = 0.003 * rng.standard_normal(len(n))
    for hz in (110.0, 220.0, 331.0):
        sound += 0.02 * np.sin(2 * np.pi * hz * n / RATE_HZ + rng.uniform(0, 6.28))
    for beat_s in BEATS_S:
        at_s = beat_s + shift_ms / 1000.0
        first = int(np.ceil(at_s * RATE_HZ))
        part = n[first : first + RATE_HZ // 4]
        sound[part] += drum(part / RATE_HZ - at_s, rng)
    return np.stack([sound, sound], axis=1)


def reader(sound: Sound) -> Callable[[int, int], Sound]:
    return lambda start, stop: sound[start:stop]


@pytest.mark.parametrize("drum", [kick, clap, snare])
@pytest.mark.parametrize("shift_ms", [-10.0, -3.0, 0.0, 5.0])
def test_a_known_offset_is_measured(drum: Callable[..., Sound], shift_ms: float) -> None:
    found = beat_offset(
        reader(track(drum, 0.0, 1)), reader(track(drum, shift_ms, 2)), list(BEATS_S), sample_rate_hz=RATE_HZ
    )
    assert found is not None and found.beats == 16
    print(
        f"{drum.__name__} {shift_ms:+.0f} ms: median {found.median:+.3f}, within 0.3; "
        f"p95 {found.p95_abs:.3f}, worst {found.worst_abs:.3f} ms"
    )
    assert abs(found.median - shift_ms) <= 0.3
    assert abs(found.p95_abs - abs(shift_ms)) <= 0.5


def test_fewer_than_eight_beats_give_no_figure() -> None:
    a, b = reader(track(kick, 0.0, 1)), reader(track(kick, 3.0, 2))
    assert beat_offset(a, b, list(BEATS_S[:7]), sample_rate_hz=RATE_HZ) is None
    assert beat_offset(a, b, list(BEATS_S[:8]), sample_rate_hz=RATE_HZ) is not None


def test_sound_without_attacks_gives_no_figure() -> None:
    pad = reader(track(lambda t, rng: np.zeros(len(t)), 0.0, 1))
    assert beat_offset(pad, reader(track(kick, 0.0, 2)), list(BEATS_S), sample_rate_hz=RATE_HZ) is None
