"""What every effect must do: sounds to ask it with, and measures of what it answers."""

from __future__ import annotations

import time

import numpy as np

RATE_HZ = 48_000
EDGE_FRAMES = 480  # 10 ms


def noise(n_frames, seed=1):
    return 0.25 * np.random.default_rng(seed).standard_normal((n_frames, 2))


def response(effect, n_frames=1 << 16):
    """Complex response of the left channel at rfftfreq(n_frames), to an impulse after a second of silence."""
    impulse = np.zeros((RATE_HZ + n_frames, 2))
    impulse[RATE_HZ, 0] = 1.0
    return np.fft.rfft(effect(impulse)[RATE_HZ:, 0])


def response_db(effect, n_frames=1 << 16):
    return 20 * np.log10(np.maximum(np.abs(response(effect, n_frames)), 1e-15))


def deepest_hz(levels_db, near_hz, rate_hz=RATE_HZ, *, share=0.2):
    """Frequency and level of the lowest point within a share of a frequency."""
    frequency_hz = np.linspace(0.0, rate_hz / 2, len(levels_db))
    near = np.flatnonzero(np.abs(frequency_hz / near_hz - 1.0) < share)
    lowest = near[np.argmin(levels_db[near])]
    return frequency_hz[lowest], levels_db[lowest]


def edged_amount(n_frames, *, on, off, amount=1.0):
    """0, then by a raised cosine of 10 ms from frame `on` the amount, then from `off` back."""
    at = np.arange(n_frames)
    rise = np.clip((at - on) / EDGE_FRAMES, 0.0, 1.0)
    fall = np.clip((at - off) / EDGE_FRAMES, 0.0, 1.0)
    return amount * (np.sin(0.5 * np.pi * rise) ** 2 - np.sin(0.5 * np.pi * fall) ** 2)


def bass_note(n_frames, phase):
    """100 Hz at -6 dBFS, on both channels."""
    sine = 0.5 * np.sin(2 * np.pi * (100.0 * np.arange(n_frames) / RATE_HZ + phase))
    return np.column_stack((sine, sine))


def click_db(sound):
    """Peak in dBFS of what lies above 2 kHz, where a bass note has nothing: filter of 100 dB."""
    half = 2000
    n = np.arange(-half, half + 1)
    taps = -np.sinc(2 * 1700.0 / RATE_HZ * n) * np.kaiser(2 * half + 1, 10.0)
    taps /= -taps.sum()
    taps[half] += 1.0
    return 20 * np.log10(np.max(np.abs(np.convolve(sound[:, 0], taps, mode="valid"))))


def steepest(sound):
    """The largest change from one frame to the next."""
    return np.max(np.abs(np.diff(sound, axis=0)))


def in_blocks(effect, size, *streams):
    """The streams cut into blocks of `size`; `effect` takes such a piece of each and the state before it."""
    state, parts = None, []
    for start in range(0, len(streams[0]), size):
        part, state = effect(*(stream[start : start + size] for stream in streams), state)
        parts.append(part)
    return np.concatenate(parts)


def times_real_time(effect, seconds=60):
    """How many seconds of sound an effect takes in a second, once it is compiled."""
    sound = noise(seconds * RATE_HZ)
    effect(sound[:RATE_HZ])
    began = time.perf_counter()
    effect(sound)
    return seconds / (time.perf_counter() - began)
