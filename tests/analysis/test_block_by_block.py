"""What is read, filtered and cut block by block is what the whole would be, in little memory."""

from __future__ import annotations

import dataclasses
import tracemalloc

import numpy as np
import pytest
import scipy.signal
import soundfile
from loop_music import RATE_HZ, make_track

from mixrender.analysis import grid, onsets, slots
from mixrender.analysis.listen import listen
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.analysis.onsets import fine_curve, onset_curves
from mixrender.analysis.track import measure
from mixrender.audio.read import probe

LONG_S = 600.0
MOST_MB = 300.0
"""Above the interpreter with all that it has imported: our own, no source."""


@pytest.fixture(scope="module")
def noise():
    """Forty seconds, so that curves take several blocks."""
    return np.random.default_rng(5).normal(0.0, 0.1, 40 * ANALYSIS_RATE_HZ).astype(np.float32)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "track.wav"
    sound = np.random.default_rng(6).normal(0.0, 0.1, (5 * RATE_HZ, 2))
    soundfile.write(path, sound, RATE_HZ)
    return path


@pytest.mark.parametrize("expected_s", [0.0, 0.7, 5.0, 100.0])
def test_the_signal_does_not_depend_on_the_length_that_a_file_promises(file, expected_s):
    info = probe(file)

    right = listen(info).signal
    found = listen(dataclasses.replace(info, expected_s=expected_s)).signal

    print(f"{found.size} samples for {5 * ANALYSIS_RATE_HZ} (bound: the same)")
    assert right.size == 5 * ANALYSIS_RATE_HZ
    np.testing.assert_array_equal(found, right)


def test_pieces_around_beats_are_those_of_the_whole_filtered_signal(noise, monkeypatch):
    monkeypatch.setattr(grid, "_BLOCK_SAMPLES", 5000)
    reach = 992
    centres = np.array([reach, 4999, 5000, 5001, 5992, 5993, 100_000, noise.size - reach])
    sections = scipy.signal.butter(2, 300.0, "highpass", fs=ANALYSIS_RATE_HZ, output="sos")
    whole = scipy.signal.sosfilt(sections.astype(np.float32), noise)

    pieces = list(grid._highpassed_around(noise, centres, reach))

    assert len(pieces) == centres.size
    for piece, centre in zip(pieces, centres, strict=True):
        np.testing.assert_array_equal(piece, whole[centre - reach : centre + reach])


def test_windows_are_cut_at_their_starts_and_silent_after_the_end(noise):
    starts = np.array([10, 4000, noise.size - 100, noise.size])

    windows = slots._windows(noise, starts)

    padded = np.pad(noise, (0, windows.shape[1]))
    for window, start in zip(windows, starts, strict=True):
        np.testing.assert_array_equal(window, padded[start : start + windows.shape[1]])


@pytest.mark.parametrize("block_frames", [97, 1024, 1_000_000])
def test_curves_do_not_depend_on_how_many_frames_are_held_at_once(noise, monkeypatch, block_frames):
    usual, usual_fine = onset_curves(noise), fine_curve(noise)
    monkeypatch.setattr(onsets, "_BLOCK_FRAMES", block_frames)

    curves = onset_curves(noise)

    np.testing.assert_array_equal(fine_curve(noise), usual_fine)
    for name in ("bands", "burst", "levels"):
        np.testing.assert_array_equal(getattr(curves, name), getattr(usual, name))


@pytest.mark.accuracy
def test_ten_minutes_are_analysed_in_little_memory(tmp_path):
    track = make_track(tempo_bpm=125.0, tail_s=0.0)
    path = tmp_path / "long.flac"
    times = int(np.ceil(LONG_S * RATE_HZ / len(track.sound)))
    soundfile.write(path, np.tile(track.sound, (times, 1))[: round(LONG_S * RATE_HZ)], RATE_HZ)
    measure(probe(path))  # what is imported and compiled once is not what the track needs

    tracemalloc.start()
    try:
        measure(probe(path))
        peak_mb = tracemalloc.get_traced_memory()[1] / 2**20
    finally:
        tracemalloc.stop()

    print(f"{peak_mb:.0f} MB (bound {MOST_MB:.0f} MB)")
    assert peak_mb <= MOST_MB
