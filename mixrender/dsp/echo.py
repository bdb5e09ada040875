"""Sound and a delay at every frame go in; its repeats come out, each quieter and duller than the one before.

A delay line in a loop, read at a fraction of a frame: u[i] = send[i] + feedback[i] F(w[i]), where w[i] is u
at i - delay_frames[i] and F a one-pole low-pass. Only w comes out. Delays may move: the repeats then change
their pitch as a tape's would, and nothing folds back. Loop and damping: common practice, no source;
band-limited reading: J. O. Smith, "Digital Audio Resampling Home Page", CCRMA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from mixrender.dsp.varispeed import GUARD, KERNEL, STEPS, ZERO_CROSSINGS
from mixrender.units import FloatArray, gain_to_db

LEAST_DELAY_FRAMES = ZERO_CROSSINGS
"""Shorter delays are held here, 0.7 ms at 48 kHz: the interpolator would need frames that are still to come.
1/32 of a beat is longer than that up to 2700 BPM."""

TAIL_DB = 60.0
"""So far the repeats fall until an echo counts as over."""

_SLOWEST_CUTOFF = 0.25
"""Above four times the speed the cutoff falls no further; a delay that jumps would ask for any."""

_WIDEST = round(ZERO_CROSSINGS / _SLOWEST_CUTOFF)

_DC_BLOCK_HZ = 5.0
"""In the loop, or an offset would grow by 1 / (1 - feedback). At 50 Hz it takes 0.04 dB from each repeat."""

_TINY = 1e-30
"""What is smaller becomes 0, long before float64 becomes slow."""


@dataclass(frozen=True)
class EchoState:
    """What an echo remembers: the line's last frames and its filters; `echo` never changes one."""

    past: FloatArray
    """Shape (frames of the longest delay and of the interpolator, 2)."""

    lowpass: FloatArray
    """Last output of the damping, shape (2,)."""

    offset: FloatArray
    """What the DC blocker holds for the offset, shape (2,)."""

    last_delay_frames: float
    """NaN before the first frame."""


def resting_echo(longest_frames: int) -> EchoState:
    """The state of an echo into which nothing has sounded yet."""
    return EchoState(np.zeros((longest_frames + _WIDEST + 2, 2)), np.zeros(2), np.zeros(2), math.nan)


def echo(
    send: FloatArray,
    delay_frames: FloatArray,
    feedback: FloatArray,
    damping_hz: FloatArray,
    *,
    sample_rate_hz: int,
    longest_frames: int,
    state: EchoState | None = None,
) -> tuple[FloatArray, EchoState]:
    """Echo a block of sound: what comes out are the repeats alone.

    `send` has shape (n, 2); the others have a value for each of its frames, shape (n,). `delay_frames`: what
    comes out at frame i was in the loop that many frames before, to a fraction; at least LEAST_DELAY_FRAMES
    is taken, more than `longest_frames` is an error. `feedback`: gain from one repeat to the next, 0 to
    below 1. `damping_hz`: 3 dB down, about, once for each repeat after the first; NaN for none.
    `longest_frames`: what the state has room for, the same in all calls. `state`: as the block before
    returned it (None: silence before).

    The first repeat is the sound itself at 0 dB: bit for bit where the delay is whole and stands still.
    Returns shape (n, 2) and the state after it; a stream may be cut into blocks anywhere with equal results.

    Raises ValueError for lengths that differ and for values out of range.
    """
    _check(send, delay_frames, feedback, damping_hz, longest_frames=longest_frames)
    before = resting_echo(longest_frames) if state is None else state
    held = len(before.past)
    if held != longest_frames + _WIDEST + 2:
        raise ValueError(f"the state of an echo has no room for {longest_frames} frames, but another number")
    line = np.concatenate([before.past, np.zeros((len(send), 2))])
    lowpass, offset, last_delay = before.lowpass.copy(), before.offset.copy(), before.last_delay_frames
    wet = np.empty((len(send), 2))
    if len(send):
        last_delay = _run(
            np.ascontiguousarray(send, dtype=np.float64),
            np.ascontiguousarray(delay_frames, dtype=np.float64),
            np.ascontiguousarray(feedback, dtype=np.float64),
            np.ascontiguousarray(damping_hz, dtype=np.float64),
            2.0 * math.pi / sample_rate_hz,
            KERNEL,
            last_delay,
            line,
            lowpass,
            offset,
            wet,
        )
    return wet, EchoState(line[len(send) :].copy(), lowpass, offset, last_delay)


def tail_s(delay_s: float, feedback: float) -> float:
    """How long an echo goes on after its last sound: until the next repeat would be 60 dB down or more.

    Repeat m comes after m delays at 20 (m - 1) log10(feedback) dB. Without feedback it is one delay.
    """
    if feedback <= 0.0:
        return delay_s
    return delay_s * math.ceil(TAIL_DB / -gain_to_db(feedback))


def _check(
    send: FloatArray,
    delay_frames: FloatArray,
    feedback: FloatArray,
    damping_hz: FloatArray,
    *,
    longest_frames: int,
) -> None:
    n = len(send)
    if send.shape != (n, 2) or any(len(lane) != n for lane in (delay_frames, feedback, damping_hz)):
        raise ValueError("an echo takes sound (n, 2), n delays, n feedbacks and n dampings")
    if not np.all((delay_frames >= 0.0) & (delay_frames <= longest_frames)):
        raise ValueError(f"the delays of an echo must lie between 0 and {longest_frames} frames")
    if not np.all((feedback >= 0.0) & (feedback < 1.0)):
        raise ValueError("the feedback of an echo must be at least 0 and below 1")
    if np.any(damping_hz <= 0.0):
        raise ValueError("the damping of an echo must be above 0 Hz, or NaN for none")


@njit(cache=True, nogil=True, fastmath=False)
def _weigh(fraction, cutoff, kernel, weights):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Weights of the frames from the first to the last around a place `fraction` before frame 0."""
    reach = ZERO_CROSSINGS / cutoff
    first = math.ceil(-fraction - reach)
    last = math.floor(-fraction + reach)
    for k in range(first, last + 1):
        place = min(abs(k + fraction) * cutoff, float(ZERO_CROSSINGS)) * STEPS
        i = int(place)
        weights[k - first] = cutoff * (kernel[i] + (place - i) * (kernel[i + 1] - kernel[i]))
    return first, last


@njit(cache=True, nogil=True, fastmath=False)
def _run(  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    send, delay, feedback, damping_hz, radians_per_hz, kernel, last_delay, line, lowpass, offset, wet
):
    """One pass over a block: fills `wet`, the end of `line`, the filters; returns the last delay."""
    held = line.shape[0] - send.shape[0]
    block = 1.0 - math.exp(-radians_per_hz * _DC_BLOCK_HZ)
    weights = np.zeros(2 * _WIDEST + 2)
    first = last = 0
    last_fraction = last_cutoff = last_hz = -1.0
    follow = 1.0
    for i in range(send.shape[0]):
        frames = max(delay[i], float(LEAST_DELAY_FRAMES))
        speed = 1.0 if math.isnan(last_delay) else abs(1.0 - (frames - last_delay))
        last_delay = frames
        whole = math.floor(frames)
        fraction = frames - whole
        at = held + i - int(whole)
        if fraction == 0.0 and speed <= 1.0:
            left, right = line[at, 0], line[at, 1]
        else:
            cutoff = 1.0
            if speed > 1.0:  # as in `varispeed`, and never so low that the kernel reaches what is to come
                cutoff = max(1.0 / speed, GUARD) / speed
                cutoff = min(max(cutoff, _SLOWEST_CUTOFF, ZERO_CROSSINGS / frames), 1.0)
            if fraction != last_fraction or cutoff != last_cutoff:  # a delay that stands still costs nothing
                last_fraction, last_cutoff = fraction, cutoff
                first, last = _weigh(fraction, cutoff, kernel, weights)
            left = right = 0.0
            for k in range(first, last + 1):
                left += weights[k - first] * line[at + k, 0]
                right += weights[k - first] * line[at + k, 1]
        wet[i, 0] = left
        wet[i, 1] = right
        hz = damping_hz[i]
        if math.isnan(hz):
            follow = 1.0
            last_hz = -1.0
        elif hz != last_hz:
            last_hz = hz
            follow = 1.0 - math.exp(-radians_per_hz * hz)
        for c in range(2):
            damped = lowpass[c] + follow * (wet[i, c] - lowpass[c]) if follow < 1.0 else wet[i, c]
            lowpass[c] = damped if abs(damped) > _TINY else 0.0
            back = lowpass[c] - offset[c]
            moved = offset[c] + block * back
            offset[c] = moved if abs(moved) > _TINY else 0.0
            u = send[i, c] + feedback[i] * back
            line[held + i, c] = u if abs(u) > _TINY else 0.0
    return last_delay
