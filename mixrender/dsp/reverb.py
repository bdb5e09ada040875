"""Sound and a decay time at every frame go in; the reverberation of a room alone comes out.

A feedback delay network: sixteen delay lines of mutually prime lengths, whose outputs are mixed by a Hadamard
matrix and go in again. Each line has a gain that makes all of them decay alike, and a one-pole low-pass so
that treble decays faster. Before it stand all-passes, which make many echoes of one. Sources, from memory:
J.-M. Jot, A. Chaigne, "Digital delay networks for designing artificial reverberators", AES 90, 1991;
M. R. Schroeder, "Natural sounding artificial reverberation", AES 13, 1961. Lengths and figures are our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mixrender.units import FloatArray

LINES = 16
SHORTEST_LINE_S = 0.030
LONGEST_LINE_S = 0.080
"""0.8 s of delay in all, hence as many resonances per Hz; and a first echo late enough to leave the sound
itself alone."""

DIFFUSERS_S = ((0.0013, 0.0023, 0.0037, 0.0061, 0.0097), (0.0011, 0.0029, 0.0043, 0.0067, 0.0089))
"""All-passes of the left and the right channel. With their gain below they bring the density of echoes to
that of noise within 80 ms, and ring for 0.15 s themselves."""

DIFFUSION = 0.62
"""Gain of the all-passes; less where they would ring for more than half the decay asked for."""

LEAST_DECAY_S = 0.05
"""Shorter times are held here: the lines themselves take as long."""

HIGHPASS_HZ = 80.0
"""3 dB down here, 12 dB per octave: reverberated bass is mud. Common practice, no source."""

PREDELAY_S = SHORTEST_LINE_S

_IN_SIGNS = np.array([1, 1, -1, 1, 1, -1, -1, -1, -1, 1, 1, -1, 1, 1, -1, 1], dtype=np.float64)
_OUT_SIGNS = np.array([1, -1, 1, 1, -1, 1, 1, -1, -1, -1, 1, 1, 1, 1, -1, -1], dtype=np.float64)
"""They keep the matrix's own pattern out of the sound."""

_SIDES = np.array([0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0, 1, 1, 0])
"""Lines 0 are fed from the left and heard there, lines 1 right, so that a place in the stereo image stays and
the sides share nothing. In this order (Thue and Morse) neither side has the shorter ones."""

_HOLD = 4
"""Decay and damping are taken anew every so many frames, counted from rest: steps too small to hear."""

_TINY = 1e-30
"""What is smaller becomes 0, long before float64 becomes slow."""


@dataclass(frozen=True)
class ReverbState:
    """What a reverb remembers: its lines and filters; `reverb` never changes one."""

    frame: int
    """Frames since rest; all places in the lines follow from it."""

    held: FloatArray
    """Decay and damping in use: s and Hz, shape (2,)."""

    lines: FloatArray
    """Shape (16, longest line); row j is used up to its own length."""

    lowpass: FloatArray
    """Last output of each line, shape (16,)."""

    diffusers: FloatArray
    """Shape (2, 5, longest all-pass)."""

    highpass: FloatArray
    """What the two stages hold for each channel, shape (2, 2)."""


def resting_reverb(sample_rate_hz: int) -> ReverbState:
    """The state of a reverb into which nothing has sounded yet."""
    lines, diffusers = _lengths(sample_rate_hz)
    return ReverbState(
        0,
        np.ones(2),
        np.zeros((LINES, int(lines.max()))),
        np.zeros(LINES),
        np.zeros((2, diffusers.shape[1], int(diffusers.max()))),
        np.zeros((2, 2)),
    )


def reverb(
    send: FloatArray,
    decay_s: FloatArray,
    damping_hz: FloatArray,
    *,
    sample_rate_hz: int,
    state: ReverbState | None = None,
) -> tuple[FloatArray, ReverbState]:
    """Reverberate a block of sound: what comes out is the room alone.

    `send` has shape (n, 2); the others have a value for each of its frames, shape (n,). `decay_s`: the time
    to -60 dB at low and middle frequencies; at least LEAST_DECAY_S is taken. `damping_hz`: where sound
    decays in half that time; NaN for none. Both hold for what is ringing already. `state`: as the block
    before returned it (None: silence before).

    White sound comes out with the energy it had going in, averaged over both channels: long rooms start
    quieter (3 dB for twice the time). That holds within 1 dB for 0.3 to 10 s and damping from 1 kHz on, and
    within 3 dB from 200 Hz on; rooms both shorter and duller are quieter. Nothing comes out in the first
    PREDELAY_S.
    Returns shape (n, 2) and the state after it; a stream may be cut into blocks anywhere with equal results.

    Raises ValueError for lengths that differ and for values out of range.
    """
    n = len(send)
    if send.shape != (n, 2) or len(decay_s) != n or len(damping_hz) != n:
        raise ValueError("a reverb takes sound (n, 2), n decays and n dampings")
    if not np.all((decay_s > 0.0) & np.isfinite(decay_s)):
        raise ValueError("the decay of a reverb must be above 0 s")
    if np.any(damping_hz <= 0.0):
        raise ValueError("the damping of a reverb must be above 0 Hz, or NaN for none")
    before = resting_reverb(sample_rate_hz) if state is None else state
    if before.lines.shape[1] != _lengths(sample_rate_hz)[0].max():
        raise ValueError(f"the state of a reverb is not one at {sample_rate_hz} Hz")
    lines, lowpass, diffusers = before.lines.copy(), before.lowpass.copy(), before.diffusers.copy()
    held, highpass = before.held.copy(), before.highpass.copy()
    wet = np.empty((n, 2))
    _run(
        np.ascontiguousarray(send, dtype=np.float64),
        np.ascontiguousarray(decay_s, dtype=np.float64),
        np.ascontiguousarray(damping_hz, dtype=np.float64),
        sample_rate_hz,
        *_lengths(sample_rate_hz),
        _IN_SIGNS,
        _OUT_SIGNS,
        _SIDES,
        before.frame,
        held,
        lines,
        lowpass,
        diffusers,
        highpass,
        wet,
    )
    return wet, ReverbState(before.frame + n, held, lines, lowpass, diffusers, highpass)


def tail_s(decay_s: float) -> float:
    """How long a reverb goes on after its last sound: to -60 dB, counted from its first echo."""
    return max(decay_s, LEAST_DECAY_S) + PREDELAY_S


@lru_cache
def _lengths(sample_rate_hz: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Lengths in frames of the lines, shape (16,), and of the all-passes, shape (2, 5): different primes."""
    taken: set[int] = set()

    def prime_from(seconds: float) -> int:
        n = max(2, math.ceil(seconds * sample_rate_hz))
        while n in taken or any(n % k == 0 for k in range(2, math.isqrt(n) + 1)):
            n += 1
        taken.add(n)
        return n

    times = np.geomspace(SHORTEST_LINE_S, LONGEST_LINE_S, LINES)
    lines = np.array([prime_from(s) for s in times])
    return lines, np.array([[prime_from(s) for s in side] for side in DIFFUSERS_S])


@njit(cache=True, nogil=True, fastmath=False)
def _pole(gain, cosine):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Pole b of (1 - b) / (1 - b / z) whose magnitude is `gain` at the angle of that cosine.

    Then a line's own gain and its low-pass together take `gain` squared there: half the decay time.
    (1 - b)^2 = gain^2 (1 - 2 b cosine + b^2), solved for the b within the unit circle.
    """
    power = gain * gain
    q = (1.0 - power * cosine) / (1.0 - power)
    return q - math.sqrt(q * q - 1.0)


@njit(cache=True, nogil=True, fastmath=False)
def _tune(  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    decay_s, damping_hz, sample_rate_hz, lengths, diffuser_lengths, gains, poles, diffusion
):
    """Fill the gains and poles of lines and all-passes; returns the gain of the send that keeps the energy.

    Gains: 10^(-3 m / (T fs)) for a line of m frames (Jot & Chaigne). Energy: with p the share of power that
    one way through a line leaves, all ways leave p + p^2 + ... = p / (1 - p) at one frequency. For a gain g
    and a pole b this has the mean over all frequencies g^2 a^2 / sqrt(c^2 - 4 b^2), a = 1 - b,
    c = 1 + b^2 - g^2 a^2 (our derivation; the lines' mean power stands for each of them).
    """
    is_open = math.isnan(damping_hz)
    cosine = -1.0 if is_open else math.cos(math.pi * min(2.0 * damping_hz / sample_rate_hz, 1.0))
    per_frame = -3.0 * math.log(10.0) / (max(decay_s, LEAST_DECAY_S) * sample_rate_hz)
    power = 0.0
    for j in range(LINES):
        gains[j] = math.exp(per_frame * lengths[j])
        poles[j] = 0.0 if is_open else _pole(gains[j], cosine)
        power += gains[j] * gains[j] / LINES
    for side in range(2):
        for stage in range(diffuser_lengths.shape[1]):
            rings = math.exp(2.0 * per_frame * diffuser_lengths[side, stage])
            diffusion[side, stage] = min(DIFFUSION, rings)
    b = 0.0 if is_open else _pole(math.sqrt(power), cosine)
    power *= (1.0 - b) * (1.0 - b)
    c = 1.0 + b * b - power
    return math.sqrt(math.sqrt(c * c - 4.0 * b * b) / power)


@njit(cache=True, nogil=True, fastmath=False)
def _run(  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    send,
    decay_s,
    damping_hz,
    sample_rate_hz,
    lengths,
    diffuser_lengths,
    in_signs,
    out_signs,
    sides,
    frame,
    held,
    lines,
    lowpass,
    diffusers,
    highpass,
    wet,
):
    """One pass over a block: fills `wet` and moves all that is state."""
    # Two equal stages are 3 dB down together where each is 1.5 dB down.
    follow = 1.0 - math.exp(-2.0 * math.pi * HIGHPASS_HZ * math.sqrt(math.sqrt(2.0) - 1.0) / sample_rate_hz)
    gains, poles, mixed = np.empty(LINES), np.empty(LINES), np.empty(LINES)
    diffusion = np.empty(diffuser_lengths.shape)
    loud = _tune(held[0], held[1], sample_rate_hz, lengths, diffuser_lengths, gains, poles, diffusion)
    at = frame % lengths
    diffuser_at = frame % diffuser_lengths
    into = np.empty(2)
    for i in range(send.shape[0]):
        if (frame + i) % _HOLD == 0:
            is_open = math.isnan(damping_hz[i]) and math.isnan(held[1])
            if decay_s[i] != held[0] or not (damping_hz[i] == held[1] or is_open):
                held[0], held[1] = decay_s[i], damping_hz[i]
                loud = _tune(
                    held[0], held[1], sample_rate_hz, lengths, diffuser_lengths, gains, poles, diffusion
                )
        for c in range(2):
            x = send[i, c]
            for stage in range(2):
                x -= highpass[c, stage]
                moved = highpass[c, stage] + follow * x
                highpass[c, stage] = moved if abs(moved) > _TINY else 0.0
            x *= loud
            for stage in range(diffuser_lengths.shape[1]):
                place = diffuser_at[c, stage]
                late = diffusers[c, stage, place]
                x -= diffusion[c, stage] * late
                diffusers[c, stage, place] = x if abs(x) > _TINY else 0.0
                x = late + diffusion[c, stage] * x
                diffuser_at[c, stage] = place + 1 if place + 1 < diffuser_lengths[c, stage] else 0
            into[c] = x * math.sqrt(2.0 / LINES)
            wet[i, c] = 0.0
        for j in range(LINES):
            y = poles[j] * lowpass[j] + (1.0 - poles[j]) * gains[j] * lines[j, at[j]]
            y = y if abs(y) > _TINY else 0.0
            lowpass[j] = y
            mixed[j] = y
            wet[i, sides[j]] += out_signs[j] * y
        half = 1
        while half < LINES:  # Hadamard's matrix, by sums and differences
            for start in range(0, LINES, 2 * half):
                for j in range(start, start + half):
                    a, b = mixed[j], mixed[j + half]
                    mixed[j], mixed[j + half] = a + b, a - b
            half *= 2
        for j in range(LINES):
            u = mixed[j] * math.sqrt(1.0 / LINES) + in_signs[j] * into[sides[j]]
            lines[j, at[j]] = u if abs(u) > _TINY else 0.0
            at[j] = at[j] + 1 if at[j] + 1 < lengths[j] else 0
