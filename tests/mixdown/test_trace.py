"""What a clip's picture shows is what sounds in it, and is measured without changing a bit of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from markers import RATE_HZ, MarkerTrack, Rendered, click_track, make_track, plan_of, rendered

from mixrender.audio.cache import Cache
from mixrender.dsp.columns import Columns
from mixrender.facts import Grid
from mixrender.loudness.meter import Meter
from mixrender.loudness.series import momentary_series, short_term_series
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.result import Clip
from mixrender.mixdown.trace import COLUMNS, ClipTrace, Tracer, traced_strips
from mixrender.progress import NoProgress
from mixrender.units import FloatArray

LOW_HZ, HIGH_HZ = 60.0, 2000.0
LOW_PEAK, HIGH_PEAK = 0.2, 0.1

PLAN = """
match_loudness: false
limiter: false
tempo: 120 BPM
start: {at: 1}
transitions:
  - from: a
    to: b
    leave: 7
    enter: 3
    overlap: 4 bars
    recipe: none
    moves:
      a: {low: {1: kill at once}, level: {2: -6 dB at once, end: -6 dB}}
      b: {level: {0: silent, 2: 0 dB at once}}
"""
"""At 120 BPM a bar is 2 s; the clip begins 2 s before the overlap and ends 2 s after it."""


def tones(path: Path, *, low: float = LOW_PEAK, high: float = HIGH_PEAK) -> MarkerTrack:
    """A low and a high tone, at the tempo of the mix: nothing is stretched."""
    t = np.arange(30 * RATE_HZ) / RATE_HZ
    sound = low * np.sin(2 * np.pi * LOW_HZ * t) + high * np.sin(2 * np.pi * HIGH_HZ * t)
    return make_track(path, np.column_stack((sound, sound)), Grid("steady", 120.0, 0.0))


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Clip:
    folder = tmp_path_factory.mktemp("tones")
    plan, timeline = plan_of(PLAN, [tones(folder / "a.wav"), tones(folder / "b.wav", low=0.0)])
    result = render_clips(
        plan,
        timeline,
        folder=folder,
        cache=Cache(folder / "cache"),
        progress=NoProgress(),
        lead_bars=1,
        tail_bars=1,
    )
    measure = result.transitions[0]
    assert measure is not None and measure.clip is not None
    return measure.clip


@pytest.fixture(scope="module")
def trace(clip: Clip) -> ClipTrace:
    assert clip.trace is not None
    return clip.trace


def at(trace: ClipTrace, values: np.ndarray, start_s: float, end_s: float) -> np.ndarray:
    """The columns that lie between two seconds of the clip."""
    first, last = np.ceil(start_s / trace.column_s), np.floor(end_s / trace.column_s)
    return values[int(first) : int(last)]


def test_columns_are_whole_frames_and_cover_the_clip(clip: Clip, trace: ClipTrace) -> None:
    count = len(trace.momentary_lufs)
    print(f"{count} columns of {trace.column_s * 1000:.2f} ms for {clip.duration_s:.1f} s")
    assert COLUMNS * 0.9 <= count <= COLUMNS
    assert (trace.column_s * RATE_HZ) % 1.0 == pytest.approx(0.0, abs=1e-6)
    assert (count - 1) * trace.column_s < clip.duration_s <= count * trace.column_s + 1e-9
    for strip in trace.strips:
        assert len(strip.source) == len(strip.heard) == len(strip.low_db) == count
    assert [(strip.index, strip.side) for strip in trace.strips] == [(0, "from"), (1, "to")]


def test_the_source_is_the_sound_before_all_moves(trace: ClipTrace) -> None:
    out, into = trace.strips
    peak = LOW_PEAK + HIGH_PEAK
    heard = at(trace, out.source, 0.1, 9.9)
    print(f"source of the outgoing track: {heard.min():.4f} to {heard.max():.4f}, {peak} within 1 %")
    assert np.abs(heard / peak - 1.0).max() < 0.01
    assert np.abs(at(trace, into.source, 2.1, 11.9) / HIGH_PEAK - 1.0).max() < 0.01
    # Where a track is not in the mix there is nothing of it.
    assert not at(trace, into.source, 0.0, 1.9).any()
    assert not at(trace, out.source, 10.1, 12.0).any()


def test_what_is_heard_has_gone_through_the_moves(trace: ClipTrace) -> None:
    out, into = trace.strips
    killed = at(trace, out.heard, 4.1, 5.9)
    lowered = at(trace, out.heard, 6.1, 9.9)
    print(f"bass killed: {killed.max():.4f}, {HIGH_PEAK} within 1 %; and 6 dB lower: {lowered.max():.4f}")
    assert np.abs(killed / HIGH_PEAK - 1.0).max() < 0.01
    assert np.abs(lowered / (HIGH_PEAK * 10 ** (-6 / 20)) - 1.0).max() < 0.01
    assert not at(trace, into.heard, 0.0, 5.9).any()
    assert np.abs(at(trace, into.heard, 6.1, 11.9) / HIGH_PEAK - 1.0).max() < 0.01


def test_the_low_end_is_the_level_below_the_first_band_edge(trace: ClipTrace) -> None:
    out, into = trace.strips
    expected_db = 20 * np.log10(LOW_PEAK / np.sqrt(2))
    playing, killed = at(trace, out.low_db, 0.3, 3.9), at(trace, out.low_db, 4.3, 9.9)
    # A column of 10 ms holds half a wave of 60 Hz, so that its power goes up and down: their mean counts.
    mean_db = 10 * np.log10(np.mean(10 ** (playing.astype(np.float64) / 10)))
    print(f"60 Hz: {mean_db:.2f} dBFS, {expected_db:.2f} within 0.1; killed: at most {killed.max():.1f} dBFS")
    assert mean_db == pytest.approx(expected_db, abs=0.1)
    assert killed.max() < expected_db - 50.0
    # 2 kHz lies three octaves above the edge of 250 Hz: 72 dB down at 24 dB per octave.
    high_db = at(trace, into.low_db, 6.3, 11.9).max()
    print(f"2 kHz alone: {high_db:.1f} dBFS below the edge")
    assert high_db < 20 * np.log10(HIGH_PEAK / np.sqrt(2)) - 65.0
    assert np.isneginf(at(trace, into.low_db, 0.0, 5.9)).all()


def test_loudness_is_that_of_the_clip_as_written(clip: Clip, trace: ClipTrace) -> None:
    """Against the series of the written file: EBU Tech 3341, 2.2, read at the end of each window."""
    sound, rate_hz = soundfile.read(clip.path, always_2d=True)
    meter = Meter(sample_rate_hz=rate_hz)
    meter.push(sound)
    for name, series, length_s in (
        ("momentary_lufs", momentary_series, 0.4),
        ("short_term_lufs", short_term_series, 3.0),
    ):
        found = getattr(trace, name)
        assert np.isnan(at(trace, found, 0.0, length_s - 0.02)).all()
        times_s, lufs = series(meter.power())
        columns = np.round((times_s + length_s / 2) / trace.column_s).astype(int) - 1
        inside = columns < len(found)
        off_lu = np.abs(found[columns[inside]] - lufs[inside])
        # A column may end 5 ms before the window of the series does.
        print(f"{name}: {inside.sum()} values, at most {np.nanmax(off_lu):.3f} LU apart, bound 0.3")
        assert inside.sum() > 80 and np.nanmax(off_lu) < 0.3


BUSY = """
match_loudness: false
start: {at: 1}
transitions:
  - from: a
    to: b
    leave: 7
    enter: 3
    overlap: 2 bars
    moves:
      a: {low: {0: 0 dB, 1: kill}, echo: {1: 0 %, 1.5: 60 %}, lowpass: {0: open, 2: 900 Hz}}
      b: {high: {0: -9 dB, 1: 0 dB}, phaser: {0: 0 %, 1: 80 %}}
# a: key_lock: false
# b: key_lock: false
"""


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    folder = tmp_path_factory.mktemp("busy")
    tracks = [
        click_track(folder / "a.wav", 124.0, hz=1500.0),
        click_track(folder / "b.wav", 128.0, hz=6000.0),
    ]
    return rendered(BUSY, tracks, Cache(folder / "cache"))


def traced(busy: Rendered) -> tuple[Tracer, FloatArray, tuple[int, int]]:
    joint = busy.timeline.transitions[0]
    window = round((joint.start_s - 3.0) * RATE_HZ), round((joint.end_s + 3.0) * RATE_HZ)
    strips = traced_strips(busy.timeline, joint, start_s=window[0] / RATE_HZ, end_s=window[1] / RATE_HZ)
    tracer = Tracer(busy.mix, strips, *window, low_edge_hz=250.0)
    return tracer, np.concatenate(list(tracer.blocks())), window


def test_a_traced_clip_is_the_mix_to_the_bit(busy: Rendered) -> None:
    _, sound, window = traced(busy)
    assert sound.tobytes() == busy.mix.read(*window).tobytes()


def test_envelopes_are_the_peaks_of_the_strips_column_by_column(busy: Rendered) -> None:
    tracer, sound, window = traced(busy)
    meter = Meter(sample_rate_hz=RATE_HZ)
    meter.push(sound)
    found = tracer.trace(meter.power())
    column = round(found.column_s * RATE_HZ)
    edges = np.arange(0, window[1] - window[0], column)
    for strip, shown in zip(busy.mix.strips, found.strips, strict=True):
        heard = np.maximum.reduceat(np.abs(strip.read(*window)).max(axis=1), edges)
        assert shown.heard.tobytes() == heard.astype(np.float32).tobytes()
        source = np.abs(strip.gained(*window)).max(axis=1)
        frames = np.arange(*window)
        source[(frames < strip.start) | (frames >= strip.stop)] = 0.0
        assert shown.source.tobytes() == np.maximum.reduceat(source, edges).astype(np.float32).tobytes()


@pytest.mark.parametrize("cut", [1, 777, 4096])
def test_columns_do_not_depend_on_how_the_stream_is_cut(cut: int) -> None:
    sound = np.random.default_rng(1).standard_normal((5000, 2)) * 0.1
    form = {"column_frames": 333, "sample_rate_hz": 44100, "low_edge_hz": 250.0}
    whole, parts = Columns(5000, **form), Columns(5000, **form)
    whole.push(sound)
    for begin in range(0, 5000, cut):
        parts.push(sound[begin : begin + cut])
    assert whole.peaks().tobytes() == parts.peaks().tobytes()
    assert whole.low_db().tobytes() == parts.low_db().tobytes()
    last = 5000 - 15 * 333
    assert whole.peaks()[-1] == np.float32(np.abs(sound[-last:]).max())
