"""Without key lock, pitch and tempo are one: in cents 1200 log2 of the speed, held and along a ramp."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from markers import RATE_HZ, MarkerTrack, Sound, make_track, rendered

from mixrender.audio.cache import Cache
from mixrender.facts import Grid

TONE_HZ = 440.0
WITHIN_CENTS = 0.1
"""A fiftieth of what trained ears tell apart in a tone (common practice, no source)."""


def tone_track(path: Path, bpm: float) -> MarkerTrack:
    t = np.arange(24 * RATE_HZ) / RATE_HZ
    sound = 0.5 * np.sin(2 * np.pi * TONE_HZ * t)[:, None] * np.ones(2)
    return make_track(path, sound, Grid("steady", bpm, 0.3))


def turns(sound: Sound) -> Sound:
    """Phase in turns of a tone near TONE_HZ at every frame: its one-sided spectrum's angle, unwrapped."""
    spectrum = np.fft.fft(sound)
    hz = np.abs(np.fft.fftfreq(len(sound), 1.0 / RATE_HZ))
    spectrum[len(sound) // 2 :] = 0.0
    spectrum[hz > 2.0 * TONE_HZ] = 0.0
    return np.unwrap(np.angle(np.fft.ifft(spectrum))) / (2.0 * np.pi)


@pytest.mark.parametrize(
    "transition_tempo", ["hold", "{to: 128 BPM, over: 4 bars}", "{to: 112 BPM, over: 4 bars}"]
)
def test_each_beats_pitch_is_1200_log2_of_its_speed(
    transition_tempo: str, tmp_path: Path, cache: Cache
) -> None:
    """The tone's phase over each beat, against the track's beat divided by the mix's."""
    tracks = [tone_track(tmp_path / "a.wav", 124.0), tone_track(tmp_path / "b.wav", 124.0)]
    text = f"""
    tempo: {120 if transition_tempo == "hold" else 124} BPM
    match_loudness: false
    start: {{at: 1}}
    end: {{at: 9}}
    transitions:
      - {{from: a, to: b, leave: 3, enter: 2, overlap: 4 bars, recipe: none, tempo: {transition_tempo}}}
    # a: key_lock: false
    # b: key_lock: false
    """
    found = rendered(text, tracks, cache)
    track = found.timeline.tracks[0]
    sound = found.mix.strips[0].source(0, found.mix.frames)[:, 0]
    phase = turns(sound)
    # From before the ramp to its end; at the ends of the sound the phase is disturbed.
    beats = np.arange(3, 23)
    beats_s = found.timeline.tempo_map.time_at(beats.astype(float))
    at = np.interp(beats_s, np.arange(len(phase)) / RATE_HZ, phase)
    heard = 1200.0 * np.log2(np.diff(at) / np.diff(beats_s) / TONE_HZ)
    own_s = np.diff([track.source_s_at(float(beat), found.timeline.tempo_map) for beat in beats])
    wanted = 1200.0 * np.log2(own_s / np.diff(beats_s))
    error = float(np.abs(heard - wanted).max())
    print(
        f"{len(wanted)} beats, {wanted.min():+.2f} to {wanted.max():+.2f} cents, off by {error:.4f} <= "
        f"{WITHIN_CENTS} cent"
    )
    assert np.ptp(wanted) > 40.0 or transition_tempo == "hold"
    assert np.abs(wanted).max() > 40.0
    assert error <= WITHIN_CENTS
