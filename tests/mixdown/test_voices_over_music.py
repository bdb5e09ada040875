"""Voices over a mix: how loud they are, how the music gives way, and that nothing else changes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from markers import RATE_HZ, MarkerTrack, Rendered, Sound, facts_of, level_db, music
from markers import music_track as track_of
from spoken import SPOKEN_S, VoiceEntry, plan_with_voices, speech, voice_file

from mixrender.audio.cache import Cache
from mixrender.facts import Grid, TrackFacts
from mixrender.loudness.meter import integrated
from mixrender.mixdown.prepare import prepare
from mixrender.progress import NoProgress

BPM = 120.0
JOINT = "start: {at: 1}\ntransitions: [{from: a, to: b, leave: 8, enter: 2, overlap: 4 bars}]\n"


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> list[MarkerTrack]:
    """Two tracks of one tempo, so that nothing is stretched, the second much quieter."""
    folder = tmp_path_factory.mktemp("tracks")
    first = track_of(folder / "a.wav", BPM, 0.3, seed=1)
    sound = 0.3 * music(0.3 + 14 * 240.0 / BPM, BPM, 0.3, RATE_HZ, 2)
    soundfile.write(folder / "b.wav", sound.astype(np.float32), RATE_HZ, subtype="FLOAT")
    facts = facts_of(folder / "b.wav", Grid("steady", BPM, 0.3))
    return [first, MarkerTrack(folder / "b.wav", facts, np.zeros(0), 0.0)]


def mixed(
    voices: Sequence[VoiceEntry],
    tracks: Sequence[MarkerTrack],
    cache: Cache,
    *,
    text: str = JOINT,
    windows_s: Sequence[tuple[float, float]] | None = None,
) -> Rendered:
    plan, timeline = plan_with_voices(text, voices, tracks)
    prepared = prepare(plan, timeline, cache=cache, progress=NoProgress(), windows_s=windows_s)
    return Rendered(plan, timeline, prepared)


@pytest.fixture
def hello(tmp_path: Path) -> tuple[Path, TrackFacts]:
    """One sentence in a mono file."""
    path = tmp_path / "hello.wav"
    return path, voice_file(path, speech(RATE_HZ), RATE_HZ)


def voice_of(found: Rendered, start: int, stop: int) -> Sound:
    return sum((strip.read(start, stop) for strip in found.mix.voices), np.zeros((stop - start, 2)))


def gain_of(found: Rendered, start: int, stop: int) -> Sound:
    """Gain of the music as it is in the sound, from frames where there is some."""
    plain, ducked = found.mix.music(start, stop), found.mix.ducked(start, stop)
    heard = np.abs(plain[:, 0]) > 1e-4
    return np.interp(np.arange(start, stop), np.flatnonzero(heard) + start, (ducked / plain)[heard, 0])


@pytest.mark.parametrize("over_lu", [6.0, 10.0, 15.0])
@pytest.mark.parametrize("matched", ["", "match_loudness: false\n", "match_loudness: regions\n"])
def test_speech_is_louder_than_music_by_what_was_asked(
    over_lu: float, matched: str, hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    """Measured on the strips with BS.1770, within 0.5 LU: less than listeners notice (from memory).

    10 LU is the advice of Torcoli et al., JAES 67(12), 2019.
    """
    found = mixed([(*hello, f"at: 6 s, over: {over_lu:g} LU")], tracks, cache, text=matched + JOINT)
    start, stop = (round((6.0 + s) * RATE_HZ) for s in SPOKEN_S)
    voice_lufs = integrated(voice_of(found, start, stop), sample_rate_hz=RATE_HZ)
    music_lufs = integrated(found.mix.ducked(start, stop), sample_rate_hz=RATE_HZ)
    assert voice_lufs is not None and music_lufs is not None
    print(f"{voice_lufs:.2f} over {music_lufs:.2f} LUFS: {voice_lufs - music_lufs:.2f} LU, asked {over_lu:g}")
    assert abs(voice_lufs - music_lufs - over_lu) <= 0.5
    (measure,) = found.prepared.voices
    assert measure.over_lu == pytest.approx(voice_lufs - music_lufs, abs=0.1)


def test_a_voice_is_as_loud_as_the_tracks_are_and_its_gain_goes_on_top(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    """The goal is the tracks' median loudness; mono in two channels counts as what is heard, 0.1 LU."""
    goal_lufs = np.median([track.facts.loudness.loud_lufs for track in tracks])
    for gain_db in (0.0, -4.0):
        found = mixed([(*hello, f"at: 6 s, gain: {gain_db:g} dB")], tracks, cache)
        spoken = voice_of(found, *(round((6.0 + s) * RATE_HZ) for s in SPOKEN_S))
        lufs = integrated(spoken, sample_rate_hz=RATE_HZ)
        print(f"gain {gain_db:g} dB: {lufs:.2f} LUFS, goal {goal_lufs + gain_db:.2f}")
        assert lufs == pytest.approx(goal_lufs + gain_db, abs=0.1)


def test_music_that_is_quiet_enough_stays_as_it_is(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    found = mixed([(*hello, "at: 6 s, gain: 12 dB, over: 3 LU")], tracks, cache)
    assert not found.mix.dips
    assert found.prepared.voices[0].duck_db == 0.0


def test_the_music_has_given_way_when_the_first_syllable_begins(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    """All of the depth within 1 ms of the first syllable, none of it before the attack."""
    found = mixed([(*hello, "at: 6 s, attack: 0.25 s, release: 1 s")], tracks, cache)
    (dip,) = found.mix.dips
    first, last = (round((6.0 + s) * RATE_HZ) for s in SPOKEN_S)
    early_ms, late_ms = ((first - dip.start) / RATE_HZ * 1e3, (dip.stop - last) / RATE_HZ * 1e3)
    print(f"complete {early_ms:+.2f} ms before the first syllable, until {late_ms:+.2f} ms after the last")
    assert -1.0 <= early_ms <= 1.0
    gain_db = 20 * np.log10(gain_of(found, 5 * RATE_HZ, 11 * RATE_HZ))
    at = {s: gain_db[round((s - 5.0) * RATE_HZ)] for s in (6.1, 6.275, 6.41, 7.9, 8.5, 9.05)}
    print({s: round(float(db), 2) for s, db in at.items()}, f"depth {dip.depth_db:.2f} dB")
    assert [at[6.41], at[7.9]] == pytest.approx([-dip.depth_db] * 2, abs=1e-6)
    assert [at[6.1], at[9.05]] == pytest.approx([0.0, 0.0], abs=1e-9)
    # Half-way through the time it is half of the depth; a millisecond more or less is 0.06 dB there.
    assert [at[6.275], at[8.5]] == pytest.approx([-dip.depth_db / 2] * 2, abs=0.1)


def test_without_ducking_the_music_is_untouched_to_the_bit(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    plain = mixed([], tracks, cache)
    found = mixed([(*hello, "at: 6 s, duck: false")], tracks, cache)
    start, stop = 4 * RATE_HZ, 12 * RATE_HZ
    assert np.array_equal(found.mix.ducked(start, stop), plain.mix.read(start, stop))
    assert found.prepared.voices[0].duck_db == 0.0 and found.prepared.voices[0].passages
    # And so it is away from a voice that ducks.
    ducking = mixed([(*hello, "at: 6 s")], tracks, cache)
    for span_s in ((0.0, 5.5), (10.0, 20.0)):
        span = [round(s * RATE_HZ) for s in span_s]
        assert np.array_equal(ducking.mix.read(*span), plain.mix.read(*span))


def test_a_mono_voice_is_in_the_middle_and_plays_as_it_is(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    found = mixed([(*hello, "at: 6 s")], tracks, cache)
    voice = voice_of(found, 6 * RATE_HZ, round(8.5 * RATE_HZ))
    assert np.array_equal(voice[:, 0], voice[:, 1])
    gain = 10 ** (found.prepared.voices[0].gain_db / 20)
    source = speech(RATE_HZ).astype(np.float32).astype(np.float64)
    inside = slice(round(0.02 * RATE_HZ), -round(0.02 * RATE_HZ))
    worst = np.abs(voice[inside, 0] - source[inside] * gain).max()
    print(f"worst distance from the file {worst:.1e} <= 1e-12")
    assert worst <= 1e-12


def test_a_mix_with_voices_is_the_same_however_it_is_cut(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    moves = "moves: {highpass: {0 s: 120 Hz}, lowpass: {0.5 s: open, 1.5 s: 3 kHz}, low: {0.3 s: -6 dB}}"
    found = mixed([(*hello, f"at: 6 s, {moves}"), (*hello, "at: 7.2 s, over: 14 LU")], tracks, cache)
    start, stop = round(5.5 * RATE_HZ), round(11.3 * RATE_HZ)
    whole = found.mix.read(start, stop)
    for block in (997, 8192, 65536):
        cut = np.concatenate(list(found.mix.blocks(start, stop, block_frames=block)))
        assert np.array_equal(cut, whole)
    assert np.array_equal(found.mix.read(start + 70_001, stop), whole[70_001:])


def test_nothing_clicks_where_the_music_gives_way_at_once(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    """An attack of 0 s takes the 10 ms that every step takes: pi/2 of the depth over them is the steepest."""
    found = mixed([(*hello, "at: 6 s, attack: 0 s, release: 0 s")], tracks, cache)
    (dip,) = found.mix.dips
    gain_db = 20 * np.log10(gain_of(found, 6 * RATE_HZ, 9 * RATE_HZ))
    steepest_db = np.abs(np.diff(gain_db)).max() * RATE_HZ * 0.010
    print(f"steepest {steepest_db:.2f} dB in 10 ms <= {dip.depth_db * np.pi / 2:.2f}")
    assert steepest_db <= dip.depth_db * np.pi / 2 * 1.05


def test_sentences_duck_apart_and_words_together(
    tmp_path: Path, tracks: list[MarkerTrack], cache: Cache
) -> None:
    spans_s = ((0.2, 0.6), (1.0, 1.5), (3.5, 4.5))
    facts = voice_file(path := tmp_path / "two.wav", speech(RATE_HZ, seconds=5.0, spans_s=spans_s), RATE_HZ)
    found = mixed([(path, facts, "at: 5 s, release: 0.6 s")], tracks, cache)
    passages = [(p.start_s - 5.0, p.end_s - 5.0) for p in found.prepared.voices[0].passages]
    assert np.allclose(passages, [(0.2, 1.5), (3.5, 4.5)], atol=2e-3)
    assert len(found.mix.dips) == 2


@pytest.mark.parametrize("rate_hz", [8000, 48000])
@pytest.mark.parametrize("channels", [1, 2])
def test_voices_of_any_rate_and_width_have_one_level(
    rate_hz: int, channels: int, tmp_path: Path, tracks: list[MarkerTrack], cache: Cache
) -> None:
    """The goal is the tracks' median loudness, held to 0.1 LU whatever the file; other side -20 dB."""
    sound = speech(rate_hz) if channels == 1 else speech(rate_hz)[:, None] * np.array([1.0, 0.1])
    path = tmp_path / "voice.wav"
    found = mixed([(path, voice_file(path, sound, rate_hz), "at: 6 s")], tracks, cache)
    goal_lufs = np.median([track.facts.loudness.loud_lufs for track in tracks])
    voice = voice_of(found, *(round((6.0 + s) * RATE_HZ) for s in SPOKEN_S))
    lufs = integrated(voice, sample_rate_hz=RATE_HZ)
    over_lu = found.prepared.voices[0].over_lu
    print(f"{rate_hz} Hz, {channels} channels: {lufs:.2f} LUFS, goal {goal_lufs:.2f}; over {over_lu:.2f} LU")
    assert lufs == pytest.approx(goal_lufs, abs=0.1)
    assert over_lu == pytest.approx(10.0, abs=0.5)
    side_db = level_db(voice[:, 1]) - level_db(voice[:, 0])
    assert side_db == pytest.approx(0.0 if channels == 1 else -20.0, abs=0.01)


def test_an_echo_rings_on_after_a_voice_but_the_music_comes_back(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    """Two beats after the last syllable it sounds again, at 0 dB where all of it is sent, within 0.1 dB.

    What gives way, and by how much, is as without the echo.
    """
    echo = "moves: {echo: {amount: {0 s: 100 %}, time: 2 beats, feedback: 0 %, damping: open}}"
    plain = mixed([(*hello, "at: 6 s")], tracks, cache)
    found = mixed([(*hello, f"at: 6 s, {echo}")], tracks, cache)
    assert found.mix.dips == plain.mix.dips
    last = [round((6.0 + s) * RATE_HZ) for s in (1.6, 1.9)]
    later = [frame + RATE_HZ for frame in last]
    repeat_db = level_db(voice_of(found, *later)) - level_db(voice_of(plain, *last))
    print(f"first repeat {repeat_db:+.2f} dB, bound 0.1 dB")
    assert abs(repeat_db) <= 0.1
    back = round((6.0 + SPOKEN_S[1] + 0.8) * RATE_HZ) + 200
    assert np.array_equal(found.mix.ducked(back, back + RATE_HZ), found.mix.music(back, back + RATE_HZ))


def test_a_window_after_a_voice_has_what_rings_on_of_it(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    voices = [(*hello, "at: 6 s, moves: {reverb: {amount: {0 s: 80 %}, time: 8 beats}}")]
    whole = mixed(voices, tracks, cache)
    part = mixed(voices, tracks, cache, windows_s=[(9.5, 11.0)])
    span = round(9.5 * RATE_HZ), 11 * RATE_HZ
    assert np.any(voice_of(part, *span))
    assert np.array_equal(part.mix.read(*span), whole.mix.read(*span))


def test_a_silent_voice_changes_nothing(tmp_path: Path, tracks: list[MarkerTrack], cache: Cache) -> None:
    path = tmp_path / "silent.wav"
    facts = voice_file(path, np.zeros(2 * RATE_HZ), RATE_HZ)
    found, plain = mixed([(path, facts, "at: 6 s")], tracks, cache), mixed([], tracks, cache)
    (warning,) = found.timeline.problems
    assert warning.severity == "warning" and "nothing to hear" in warning.message
    assert np.array_equal(found.mix.read(5 * RATE_HZ, 9 * RATE_HZ), plain.mix.read(5 * RATE_HZ, 9 * RATE_HZ))
    measure = found.prepared.voices[0]
    assert (measure.gain_db, measure.passages, measure.voice_lufs) == (0.0, (), None)


def test_one_word_is_measured_though_no_gating_block_fits(
    tmp_path: Path, tracks: list[MarkerTrack], cache: Cache
) -> None:
    path = tmp_path / "word.wav"
    facts = voice_file(path, speech(RATE_HZ, seconds=0.5, spans_s=((0.1, 0.35),)), RATE_HZ)
    found = mixed([(path, facts, "at: 6 s")], tracks, cache)
    (measure,) = found.prepared.voices
    print(f"{measure.voice_lufs:.2f} LUFS, {measure.over_lu:.2f} LU over the music, asked 10")
    assert measure.over_lu == pytest.approx(10.0, abs=0.5)


def test_a_window_has_the_same_voice_and_ducking_as_the_whole_mix(
    hello: tuple[Path, TrackFacts], tracks: list[MarkerTrack], cache: Cache
) -> None:
    voices = [(*hello, "at: 6 s"), (*hello, "at: 30 s")]
    whole = mixed(voices, tracks, cache)
    part = mixed(voices, tracks, cache, windows_s=[(7.0, 12.0)])
    start, stop = 7 * RATE_HZ, 12 * RATE_HZ
    assert np.array_equal(part.mix.read(start, stop), whole.mix.read(start, stop))
    # A voice that the window does not hear is not read.
    assert [measure.index for measure in part.prepared.voices] == [0]
    assert part.prepared.voices[0] == whole.prepared.voices[0]
