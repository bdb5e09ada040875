"""Compiled sample loops: oscillators, a swept filter, echo and reverb, from arrays into arrays.

Sound is float32 of shape (n, 2); what runs in place says so. Loops skip silence, which also keeps their
states out of the denormal numbers that would slow them down.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Sound = NDArray[np.float32]
"""Stereo, shape (n, 2), nominal range [-1, 1]."""

CONTROL_FRAMES = 32
"""A swept cutoff is given once in this many frames and runs straight in between."""

_QUIET = 1e-9  # -180 dBFS: below the last bit of 24


@njit(cache=True)
def _blep(phase: float, step: float) -> float:
    """Correction that rounds off a saw's jump (polyBLEP; Valimaki and Huovilainen 2007)."""
    if phase < step:
        x = phase / step
        return x + x - x * x - 1.0
    if phase > 1.0 - step:
        x = (phase - 1.0) / step
        return x * x + x + x + 1.0
    return 0.0


@njit(cache=True)
def oscillators(
    frames: int,
    steps: NDArray[np.float64],
    phases: NDArray[np.float64],
    gains: NDArray[np.float64],
    square: float,
) -> Sound:
    """Oscillators, summed; `steps` in cycles per frame, `gains` (k, 2), `square` from 0 (saw) to 1."""
    out = np.zeros((frames, 2), np.float32)
    for k in range(len(steps)):
        phase, step = phases[k], steps[k]
        for i in range(frames):
            edge = _blep(phase, step)
            value = (1.0 - square) * (2.0 * phase - 1.0 - edge)
            if square > 0.0:
                half = phase + 0.5 if phase < 0.5 else phase - 0.5
                value += square * ((1.0 if phase < 0.5 else -1.0) + edge - _blep(half, step))
            out[i, 0] += value * gains[k, 0]
            out[i, 1] += value * gains[k, 1]
            phase += step
            if phase >= 1.0:
                phase -= 1.0
    return out


@njit(cache=True)
def swept_filter(sound: Sound, warped: NDArray[np.float64], damping: float, mode: int) -> None:
    """Filter in place with a moving cutoff; mode 0 lowpass, 1 bandpass, 2 highpass, 12 dB per octave.

    `warped` holds tan(pi * cutoff / rate), one value per CONTROL_FRAMES and one more at the end; `damping` is
    1/Q. Trapezoidal state-variable filter (Simper, "Linear trapezoidal integrated SVF", 2013).
    """
    for c in range(2):
        s1 = s2 = 0.0
        for i in range(len(sound)):
            x = float(sound[i, c])
            if x == 0.0 and abs(s1) < _QUIET and abs(s2) < _QUIET:
                s1 = s2 = 0.0
                continue
            j = i // CONTROL_FRAMES
            g = warped[j] + (warped[j + 1] - warped[j]) * ((i - j * CONTROL_FRAMES) / CONTROL_FRAMES)
            a1 = 1.0 / (1.0 + g * (g + damping))
            v3 = x - s2
            v1 = a1 * (s1 + g * v3)
            v2 = s2 + g * v1
            s1 = 2.0 * v1 - s1
            s2 = 2.0 * v2 - s2
            if mode == 0:
                sound[i, c] = v2
            elif mode == 1:
                sound[i, c] = damping * v1
            else:
                sound[i, c] = x - damping * v1 - v2


@njit(cache=True)
def add_hit(sound: Sound, hit: Sound, start: int, gain: float) -> None:
    """Add a hit into a longer sound, in place, from frame `start`; what sticks out is left off."""
    first = max(0, -start)
    last = min(len(hit), len(sound) - start)
    for i in range(first, last):
        sound[start + i, 0] += hit[i, 0] * gain
        sound[start + i, 1] += hit[i, 1] * gain


@njit(cache=True)
def mix_layer(
    total: Sound,
    reverb_send: NDArray[np.float32],
    echo_send: NDArray[np.float32],
    layer: Sound,
    ducking: NDArray[np.float32],
    gains: tuple[float, float, float, float],
) -> None:
    """Add a layer to the total and the mono sends; `gains` are level, reverb, echo and depth of ducking.

    `ducking` runs from 0 (untouched) to 1 (held down by `depth`).
    """
    level, reverb, echo, depth = gains
    for i in range(len(layer)):
        left, right = layer[i, 0], layer[i, 1]
        if left == 0.0 and right == 0.0:
            continue
        gain = level * (1.0 - depth * ducking[i])
        left, right = left * gain, right * gain
        total[i, 0] += left
        total[i, 1] += right
        mono = 0.5 * (left + right)
        reverb_send[i] += reverb * mono
        echo_send[i] += echo * mono


@njit(cache=True)
def add_echo(
    total: Sound,
    send: NDArray[np.float32],
    frames: int,
    feedback: float,
    damping: float,
    onward: NDArray[np.float32],
) -> None:
    """Add echoes of a mono send to the total, in place, left and right in turn; `onward` gets them too."""
    line = np.zeros((frames, 2))
    low_left = low_right = 0.0
    for i in range(len(send)):
        j = i % frames
        left, right = line[j, 0], line[j, 1]
        low_left += (left - low_left) * damping
        low_right += (right - low_right) * damping
        if abs(low_left) < _QUIET and abs(low_right) < _QUIET:
            low_left = low_right = 0.0
        total[i, 0] += low_left
        total[i, 1] += low_right
        onward[i] += 0.3 * (low_left + low_right)
        line[j, 0] = send[i] + feedback * low_right
        line[j, 1] = feedback * low_left


@njit(cache=True)
def add_reverb(
    total: Sound,
    send: NDArray[np.float32],
    lengths: NDArray[np.int64],
    decays: NDArray[np.float64],
    damping: float,
) -> None:
    """Add the reverb of a mono send to the total, in place.

    Four all-passes, then eight delay lines of `lengths[4:]` frames that feed each other through a Hadamard
    matrix (Jot and Chaigne 1991); `decays` is what each line loses per pass, `damping` 0 to 1 darkens.
    """
    diffusers = np.zeros((4, lengths[:4].max()))
    lines = np.zeros((8, lengths[4:].max()))
    damped = np.zeros(8)
    taps = np.zeros(8)
    at = np.zeros(12, np.int64)
    for i in range(len(send)):
        x = float(send[i])
        for d in range(4):
            held = diffusers[d, at[d]]
            into = x - 0.6 * held
            diffusers[d, at[d]] = into if abs(into) > _QUIET else 0.0
            x = held + 0.6 * into
        for k in range(8):
            damped[k] += (lines[k, at[4 + k]] * decays[k] - damped[k]) * (1.0 - damping)
            if abs(damped[k]) < _QUIET:
                damped[k] = 0.0
            taps[k] = damped[k]
        total[i, 0] += 0.5 * (taps[0] - taps[2] + taps[4] - taps[6])
        total[i, 1] += 0.5 * (taps[1] - taps[3] + taps[5] - taps[7])
        for width in (1, 2, 4):
            for k in range(8):
                if k & width == 0:
                    a, b = taps[k], taps[k | width]
                    taps[k], taps[k | width] = a + b, a - b
        for k in range(8):
            lines[k, at[4 + k]] = x + taps[k] * 0.35355339059327373
        for k in range(12):
            at[k] += 1
            if at[k] == lengths[k]:
                at[k] = 0
