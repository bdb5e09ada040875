"""A file and its facts in, the curves by which people can judge its grid out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.ndimage
import soxr
from numpy.typing import NDArray

from mixrender.analysis.evidence_rows import Layout, layout_of
from mixrender.analysis.excerpts import Excerpts, Outline
from mixrender.analysis.onsets import (
    COARSE_HOP,
    COARSE_RATE_HZ,
    FINE_HOP,
    FINE_RATE_HZ,
    RATE_HZ,
    fine_curve,
    onset_curves,
)
from mixrender.audio.read import read_blocks
from mixrender.facts import TrackFacts
from mixrender.progress import Advance
from mixrender.units import FloatArray, beats_to_seconds

Floats = NDArray[np.float32]

NEAR_FRAMES = 41
"""Fine frames shown either side of a beat, 60 ms: well under a sixteenth at 180 BPM."""

NEAR_MS = 1000.0 * NEAR_FRAMES / FINE_RATE_HZ

_NEAR_MARGIN = 8
_WAVE_COLUMNS = 2000
_CLOSE_COLUMNS = 1000
_BLOCK_FRAMES = 65536


@dataclass(frozen=True)
class Wave:
    """The whole track in columns between `edges_s` (n + 1): magnitude and RMS of each, full scale = 1."""

    edges_s: FloatArray
    peak: FloatArray
    rms: FloatArray


@dataclass(frozen=True)
class Close:
    """A few bars from near: the wave between `edges_s` (n + 1), onsets (greatest = 1) at `times_s`."""

    edges_s: FloatArray
    lowest: FloatArray
    highest: FloatArray
    times_s: FloatArray
    onsets: FloatArray


@dataclass(frozen=True)
class Evidence:
    """What a picture of a track is drawn from.

    `low`, `total`, `burst`: onset strengths, shape (rows, columns) as `layout` has them. `near`: the fine
    strength from NEAR_MS before the beats of each row to NEAR_MS after them, shape (rows, 2 * NEAR_FRAMES +
    1); no columns without a grid. `close`: the first bars and the last ones with drums. `repeats`: tempi in
    BPM, and how strongly onsets come again after one beat of each, at most 1.
    """

    wave: Wave
    layout: Layout
    low: FloatArray
    total: FloatArray
    burst: FloatArray
    near: FloatArray
    close: tuple[Close, ...]
    repeats: tuple[FloatArray, FloatArray]


def gather(file: Path, facts: TrackFacts, *, advance: Advance = lambda amount: None) -> Evidence:
    """Decode a file once more and measure what shows whether its grid is right; `advance` sums up to 1.

    Raises AudioError if the file cannot be read. Memory does not grow with the length of the file.
    """
    layout = layout_of(facts)
    excerpts = Excerpts([*layout.spans, *layout.close_spans])
    wave = _pass(file, facts, excerpts, advance)
    close = excerpts.sounds[len(layout.spans) :]
    sound = excerpts.joined[: excerpts.joined.size - sum(piece.size for piece in close)]
    curves = onset_curves(sound)
    total = curves.total
    return Evidence(
        wave=wave,
        layout=layout,
        low=_by_columns(curves.bands[0], layout),
        total=_by_columns(total, layout),
        burst=_by_columns(curves.burst, layout),
        near=_near_beats(sound, layout),
        close=tuple(map(_close, close, layout.close_spans)),
        repeats=_repeats(total),
    )


def _pass(file: Path, facts: TrackFacts, excerpts: Excerpts, advance: Advance) -> Wave:
    rate_hz = facts.sample_rate_hz
    frames = max(round(facts.duration_s * rate_hz), 1)
    outline = Outline(hop=-(-frames // _WAVE_COLUMNS))
    resampler = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="float32", quality="HQ")
    block_frames = max(_BLOCK_FRAMES // outline.hop, 1) * outline.hop
    for block in read_blocks(file, block_frames=block_frames):
        outline.push(block)
        excerpts.push(resampler.resample_chunk(0.5 * (block[:, 0] + block[:, 1])))
        advance(len(block) / frames)
    excerpts.push(resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True))
    peak, rms = outline.result()
    return Wave(np.minimum(np.arange(peak.size + 1) * outline.hop, frames) / rate_hz, peak, rms)


def _by_columns(curve: Floats, layout: Layout) -> FloatArray:
    """The largest value of a curve in each column of each row."""
    rows, edges = layout.edges.shape
    if not rows:
        return np.zeros((0, max(edges - 1, 0)))
    frames = np.clip(np.round(layout.edges / COARSE_HOP).astype(int), 0, curve.size - 1)
    largest = np.maximum.reduceat(curve.astype(np.float64), frames.ravel())
    return np.asarray(largest.reshape(rows, edges)[:, :-1])


def _near_beats(sound: Floats, layout: Layout) -> FloatArray:
    """Mean fine onset strength around the beats of each row above its median, greatest = 1."""
    rows, beats = layout.beats.shape
    if not rows or not beats:
        return np.zeros((rows, 0))
    # Short windows in a row: each is faded at both ends, and a margin keeps the seams out of what is shown.
    reach = (NEAR_FRAMES + _NEAR_MARGIN) * FINE_HOP
    ramp = np.minimum(np.arange(2 * reach, dtype=np.float32) / (4 * FINE_HOP), 1.0)
    starts = np.clip(np.round(layout.beats.ravel()).astype(int), 0, sound.size)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(sound, reach), 2 * reach)[starts]
    windows *= ramp * ramp[::-1]
    curve = fine_curve(windows.ravel())[:-1].reshape(rows, beats, -1)
    shown = curve[:, :, _NEAR_MARGIN : _NEAR_MARGIN + 2 * NEAR_FRAMES + 1].astype(np.float64).mean(axis=1)
    # What goes on all the time, hiss above all, is no attack.
    shown = np.maximum(shown - np.median(shown, axis=1, keepdims=True), 0.0)
    return np.asarray(shown / max(float(shown.max()), 1e-9))


def _close(sound: Floats, span: tuple[int, int]) -> Close:
    borders = np.unique(np.linspace(0, sound.size, _CLOSE_COLUMNS + 1).astype(int))
    onsets = fine_curve(sound).astype(np.float64)
    onsets = np.maximum(onsets - np.median(onsets), 0.0)
    return Close(
        edges_s=(span[0] + borders) / RATE_HZ,
        lowest=np.minimum.reduceat(sound, borders[:-1]).astype(np.float64),
        highest=np.maximum.reduceat(sound, borders[:-1]).astype(np.float64),
        times_s=(span[0] + np.arange(onsets.size) * FINE_HOP) / RATE_HZ,
        onsets=onsets / max(float(onsets.max()), 1e-9),
    )


def _repeats(total: Floats) -> tuple[FloatArray, FloatArray]:
    """Autocorrelation of the onsets at the distance of one beat, by tempo."""
    tempi = np.geomspace(40.0, 240.0, 400)
    lags = np.array([beats_to_seconds(1.0, float(bpm)) for bpm in tempi]) * COARSE_RATE_HZ
    smooth = scipy.ndimage.gaussian_filter1d(total.astype(np.float64), 3.0)
    spectrum = scipy.fft.rfft(smooth - smooth.mean(), scipy.fft.next_fast_len(2 * smooth.size))
    power = scipy.fft.irfft(np.abs(spectrum) ** 2)[: int(lags.max()) + 2]
    # Fewer pairs overlap at longer distances; a track shorter than a distance has none.
    pairs = np.maximum(smooth.size - np.arange(power.size), 0) / smooth.size
    strength = power / np.maximum(pairs, 0.1) / max(float(power[0]), 1e-12)
    return tempi, np.interp(lags, np.arange(strength.size), strength)
