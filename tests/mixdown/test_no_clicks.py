"""A pure low tone through every kind of step, edge and joint leaves nothing above 2 kHz: no clicks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from markers import RATE_HZ, MarkerTrack, Sound, make_track, rendered
from scipy import signal

from mixrender.audio.cache import Cache
from mixrender.facts import Grid

LIMIT_DBFS = -60.0
TONE_HZ = 100.0


def tone_track(
    path: Path, bpm: float, *, bars: int = 14, phase: float = 0.7, offset_s: float = 0.5
) -> MarkerTrack:
    """A sine of 100 Hz at -6 dBFS (peak) that fills the file; its grid is only said."""
    t = np.arange(round((offset_s + bars * 240.0 / bpm + 2.0) * RATE_HZ)) / RATE_HZ
    sound = 0.5012 * np.sin(2 * np.pi * TONE_HZ * t + phase)[:, None] * np.ones(2)
    return make_track(path, sound, Grid("steady", bpm, offset_s))


def check_quiet_above_2_khz(mix: Sound, *, rate_hz: int = RATE_HZ) -> None:
    """Peak above 2 kHz of the mix between silence: a linear-phase high-pass, 90 dB down below 1.5 kHz."""
    taps = signal.firwin(501, 1800.0, window=("kaiser", 9.0), fs=rate_hz, pass_zero=False)
    padded = np.concatenate((np.zeros((rate_hz // 2, 2)), mix, np.zeros((rate_hz // 2, 2))))
    rest = np.abs(signal.fftconvolve(padded, taps[:, None], mode="same", axes=0)).max(axis=1)
    at = int(np.argmax(rest))
    peak_dbfs = 20.0 * np.log10(rest[at])
    at_s = at / rate_hz - 0.5
    print(f"peak above 2 kHz {peak_dbfs:.1f} <= {LIMIT_DBFS} dBFS, at {at_s:.3f} s")
    assert peak_dbfs <= LIMIT_DBFS, f"a click at {at_s:.3f} s"


PLANS = {
    "cut": "{from: a, to: b, leave: 7, enter: 3, overlap: 0 bars, tempo: hold}",
    "gap": "{from: a, to: b, leave: 7, enter: 3, gap: 1 bar, tempo: hold}",
    "cut between tempos": "{from: a, to: b, leave: 7, enter: 3, overlap: 0 bars}",
    "gap between tempos": "{from: a, to: b, leave: 7, enter: 3, gap: 2 beats}",
    "glide": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars}",
    "full level, cut at the end": "{from: a, to: b, leave: 7, enter: 3, overlap: 2 bars, recipe: none}",
    "tempo jumps at a cut": "{from: a, to: b, leave: 7, enter: 3, overlap: 0 bars, "
    "tempo: {to: 126 BPM, over: 0 bars}}",
    "tempo goes on changing": "{from: a, to: b, leave: 7, enter: 3, overlap: 2 bars, "
    "tempo: [{to: 126 BPM, start: -2, over: 1 bar}, {to: 123 BPM, start: 1, over: 3 bars}]}",
    "bass-swap": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: bass-swap}",
    "steps of level": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {level: {0: -12 dB at once, 1: 0 dB at once, 2: silent at once, 3: 0 dB at once}}, "
    "b: {level: {0.5: silent at once, 0.75: 6 dB at once, 2.5: 0 dB at once}}}}",
    "kills": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {low: {0: kill at once, 1: 6 dB at once, 2: 0 dB at once}, "
    "mid: {1.5: kill at once, 2.5: 0 dB at once}}, "
    "b: {low: {0: kill, 1: 0 dB at once}, high: {1: kill at once, 3: 0 dB at once}}}}",
    "filters": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {highpass: {0: 400 Hz at once, 1: open at once, 2: 300 Hz, 3: open at once}}, "
    "b: {lowpass: {0: 150 Hz, 1: open at once, 2: 90 Hz at once, 4: open}}}}",
    "opened at a step": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {highpass: {-2: open, 0: 1500 Hz, 0.5: open at once}}, "
    "b: {highpass: {0: 2000 Hz, 4: open at once}}}}",
    "sends": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {echo: {amount: {0: 70 % at once, 1: 0 % at once, 2: 60 % at once}, "
    "feedback: {0: 80 %, 1: 20 % at once}, "
    "damping: {0: 2 kHz, 3: open at once}}}, "
    "b: {reverb: {amount: {0: 0 %, 0.5: 90 % at once, 1: 20 % at once, 3: 0 % at once}}}}}",
    "inserts": "{from: a, to: b, leave: 7, enter: 3, overlap: 4 bars, recipe: none, moves: {"
    "a: {phaser: {amount: {0: 100 % at once, 2: 0 % at once, 3: 60 % at once}, "
    "feedback: 80 %, time: {0: 4 beats, 1: 2 beats at once}}, "
    "gate: {amount: {1: 100 % at once, 3: 50 % at once}, "
    "open: {0: 50 %, 2: 20 % at once}, time: {1: 1/2 beat, 1.5: 1/4 beat at once, 2: 1 beat, 3: 1/4 beat}}}, "
    "b: {phaser: {amount: {0: 100 %, 4: 0 %}, time: 1 beat, feedback: 50 %}, "
    "flanger: {amount: {0: 0 %, 1: 100 % at once, 4: 0 % at once}, feedback: 70 %, delay: 5 ms}}}}",
}

STRETCHED = {
    "cut between tempos",
    "gap between tempos",
    "glide",
    "tempo jumps at a cut",
    "tempo goes on changing",
}
"""Here the tempos of the two differ; elsewhere they are one, so that the step alone is heard."""

SLOWER = {
    "gap between tempos",
    "tempo jumps at a cut",
    "tempo goes on changing",
    "opened at a step",
    "sends",
    "inserts",
}


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.accuracy) if name in SLOWER else name for name in PLANS]
)
def test_a_low_tone_passes_every_step_without_a_click(name: str, tmp_path: Path, cache: Cache) -> None:
    b_bpm = 128.0 if name in STRETCHED else 124.0
    a, b = (
        tone_track(tmp_path / "a.wav", 124.0),
        tone_track(tmp_path / "b.wav", b_bpm, phase=2.1, offset_s=0.333),
    )
    text = f"match_loudness: false\nstart: {{at: 2}}\nend: {{at: 11}}\ntransitions:\n  - {PLANS[name]}\n"
    check_quiet_above_2_khz(rendered(text, [a, b], cache).whole())


@pytest.mark.accuracy
def test_fades_of_the_ends_and_a_held_tempo_leave_no_click(tmp_path: Path, cache: Cache) -> None:
    a, b = (
        tone_track(tmp_path / "a.wav", 124.0),
        tone_track(tmp_path / "b.wav", 128.0, phase=2.1, offset_s=0.333),
    )
    text = """
    match_loudness: false
    tempo: 126 BPM
    start: {at: 2, fade: 1 bar}
    end: {at: 10.5, fade: 2 bars}
    transitions:
      - {from: a, to: b, leave: 6, enter: 3, overlap: 2 bars}
    """
    check_quiet_above_2_khz(rendered(text, [a, b], cache).whole())


ODD = {
    "varispeed": "# a: key_lock: false\n# b: key_lock: false\n",
    "varispeed at a held tempo": "tempo: 133 BPM\n# a: key_lock: false\n# b: key_lock: false\n",
    "transposed": "# a: shift: 1\n# b: shift: -2\n",
    "at another rate": "output: {rate: 48000}\n",
}


@pytest.mark.accuracy
@pytest.mark.parametrize("name", ODD)
def test_a_low_tone_stays_clean_at_another_pitch_or_rate(name: str, tmp_path: Path, cache: Cache) -> None:
    a, b = (
        tone_track(tmp_path / "a.wav", 124.0),
        tone_track(tmp_path / "b.wav", 128.0, phase=2.1, offset_s=0.333),
    )
    text = f"match_loudness: false\nstart: {{at: 2}}\nend: {{at: 11}}\ntransitions:\n  - {PLANS['glide']}\n"
    text += ODD[name]
    found = rendered(text, [a, b], cache)
    check_quiet_above_2_khz(found.whole(), rate_hz=found.mix.sample_rate_hz)


@pytest.mark.accuracy
@pytest.mark.parametrize("order", ["ab", "ba"])
def test_a_low_tone_on_a_drifting_grid_stays_clean(order: str, tmp_path: Path, cache: Cache) -> None:
    steady, other = tone_track(tmp_path / "a.wav", 124.0), tone_track(tmp_path / "b.wav", 122.0, phase=2.1)
    beats_s = 0.4 + np.concatenate(([0.0], np.cumsum(60.0 / (122.0 + 2.0 * np.sin(np.arange(50) / 7.0)))))
    grid = Grid("drifting", 122.0, 0.4, beats_s=tuple(beats_s.tolist()))
    drifts = replace(other, facts=replace(other.facts, grid=grid))
    text = "match_loudness: false\nstart: {at: 2}\nend: {at: 11}\ntransitions:\n"
    text += "  - {from: a, to: b, leave: 6, enter: 2, overlap: 3 bars, nudge: 5 ms}\n"
    tracks = [steady, drifts] if order == "ab" else [drifts, steady]
    check_quiet_above_2_khz(rendered(text, tracks, cache).whole())


def test_a_file_without_a_beat_comes_and_goes_without_a_click(tmp_path: Path, cache: Cache) -> None:
    a = tone_track(tmp_path / "a.wav", 124.0)
    free = make_track(
        tmp_path / "b.wav",
        0.5 * np.sin(np.arange(20 * RATE_HZ) * 2 * np.pi * 100 / RATE_HZ + 1.0)[:, None] * np.ones(2),
        Grid("none"),
    )
    text = """
    match_loudness: false
    start: {at: 2}
    end: {at: 15.3 s}
    transitions:
      - {from: a, to: b, leave: 12.3 s, enter: 4.567 s, overlap: 3 s}
    """
    check_quiet_above_2_khz(rendered(text, [a, free], cache).whole())
