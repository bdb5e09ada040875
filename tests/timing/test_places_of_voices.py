"""Where voices lie in a mix, and what is said of those that cannot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from timelines import steady

from mixrender.errors import PlanError
from mixrender.facts import Doubt, Grid, Loudness, TrackFacts
from mixrender.plan.check import check_plan
from mixrender.plan.load import parse_plan
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

BPM = 120.0
BAR_S = 4 * 60.0 / BPM


def speech(duration_s: float, *, silent: bool = False) -> TrackFacts:
    """Facts of a voice: no beat, a loudness."""
    return TrackFacts(
        content_hash="2" * 32,
        duration_s=duration_s,
        sample_rate_hz=48000,
        channels=1,
        decoder="none",
        grid=Grid("none"),
        last_sound_s=0.0 if silent else duration_s,
        loudness=Loudness(duration_s, integrated_lufs=-20.0),
    )


def placed(voices: str, *voice_facts: TrackFacts, folder: Path, fields: str = "") -> Timeline:
    """Two tracks of 96 bars at 120 BPM, the second from bar 81 of the first on its bar 9, and voices."""
    for name in ("a.wav", "b.wav", "hello.wav", "bye.wav"):
        (folder / name).touch()
    text = f"""
start: {{at: 1}}
tracks:
  a: {{file: {folder}/a.wav, cues: {{drop: 33}}{fields and ", " + fields}}}
  b: {{file: {folder}/b.wav}}
transitions:
  - {{from: a, to: b, leave: 81, enter: 9, overlap: 16 bars}}
voices:
{voices.format(folder=folder)}
"""
    facts = [steady(BPM), steady(BPM), *voice_facts]
    return build_timeline(parse_plan(text), facts)


def faults(voices: str, *voice_facts: TrackFacts, folder: Path) -> list[str]:
    with pytest.raises(PlanError) as caught:
        placed(voices, *voice_facts, folder=folder)
    return [problem.message for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("place", "start_s"),
    [
        ("at: 62.5 s", 62.5),
        ("track: a, at: 5", 4 * BAR_S),
        ("track: a, at: drop - 2", 30 * BAR_S),
        ("track: a, at: 12.25 s", 12.25),
        ("track: b, at: 9", 80 * BAR_S),
        ("track: b, at: 20.5", 91.5 * BAR_S),
    ],
)
def test_a_voice_begins_where_its_place_in_the_track_or_the_mix_sounds(
    place: str, start_s: float, tmp_path: Path
) -> None:
    voices = f"  - {{{{file: '{{folder}}/hello.wav', {place}}}}}"
    voice = placed(voices, speech(5.0), folder=tmp_path).voices[0]
    print(f"{place}: {voice.start_s:.6f} s, asked {start_s:.6f} s, bound 0.001 ms")
    assert abs(voice.start_s - start_s) < 1e-6
    assert abs(voice.end_s - start_s - 5.0) < 1e-6


@pytest.mark.parametrize(
    ("bar", "bars_before"), [("33 pass 1", 32), ("33", 36), ("34 pass 2", 37), ("40", 43)]
)
def test_in_a_track_with_edits_a_voice_begins_in_the_pass_that_is_named_or_the_last(
    bar: str, bars_before: int, tmp_path: Path
) -> None:
    """Bars 33 to 36 sound twice: what comes after them lies four bars later than without."""
    voices = f"  - {{{{file: '{{folder}}/hello.wav', track: a, at: {bar}}}}}"
    edits = "edits: [{repeat: 33, length: 4 bars}]"
    voice = placed(voices, speech(5.0), folder=tmp_path, fields=edits).voices[0]
    print(f"{bar}: {voice.start_s:.6f} s, asked {bars_before * BAR_S:.6f} s, bound 0.001 ms")
    assert abs(voice.start_s - bars_before * BAR_S) < 1e-6


def test_a_place_in_bars_that_are_skipped_is_a_fault(tmp_path: Path) -> None:
    voices = "  - {{file: '{folder}/hello.wav', track: a, at: 34}}"
    with pytest.raises(PlanError) as caught:
        placed(voices, speech(5.0), folder=tmp_path, fields="edits: [{skip: 33, length: 4 bars}]")
    (problem,) = caught.value.problems
    print(problem.message)
    assert problem.path == "voices[1].at"


def test_lanes_are_counted_in_seconds_of_the_file_and_lengths_in_beats_of_the_track(tmp_path: Path) -> None:
    voices = """  - file: {folder}/hello.wav
    track: a
    at: 5
    moves:
      level: {{0 s: 0 dB, 2 s: -6 dB in 2 beats}}
      echo: {{amount: {{3 s: 40 %}}, feedback: 30 %}}"""
    voice = placed(voices, speech(5.0), folder=tmp_path).voices[0]
    beats_per_s = BPM / 60.0
    level = [(point.beat, point.value, point.move) for point in voice.lanes["level"]]
    assert level == [(pytest.approx(16.0), 0.0, None), (pytest.approx(16.0 + 2 * beats_per_s), -6.0, 2.0)]
    assert voice.lanes["echo"][0].beat == pytest.approx(16.0 + 3 * beats_per_s)
    # What holds throughout holds from the start of the voice on, and not before.
    assert voice.lanes["echo.feedback"][0].beat == pytest.approx(16.0)


def test_the_fields_of_a_voice_reach_its_placement(tmp_path: Path) -> None:
    voices = (
        "  - {{file: '{folder}/hello.wav', at: 9 s, gain: -2 dB, over: 6 LU, duck: false, "
        "attack: 0.2 s, release: 1.5 s}}"
    )
    voice = placed(voices, speech(5.0), folder=tmp_path).voices[0]
    found = (voice.gain_db, voice.over_lu, voice.duck, voice.attack_s, voice.release_s)
    assert found == (-2.0, 6.0, False, 0.2, 1.5)
    assert voice.file == tmp_path / "hello.wav"


def test_facts_go_to_tracks_and_voices_in_the_order_of_the_plan(tmp_path: Path) -> None:
    voices = "  - {{file: '{folder}/hello.wav', at: 9 s}}\n  - {{file: '{folder}/bye.wav', at: 30 s}}"
    timeline = placed(voices, speech(5.0), speech(7.0), folder=tmp_path)
    assert [voice.facts.duration_s for voice in timeline.voices] == [5.0, 7.0]
    assert [track.facts.duration_s for track in timeline.tracks] == [steady(BPM).duration_s] * 2
    assert not timeline.problems


def test_a_doubt_about_the_beats_of_a_voice_is_nobodys_business(tmp_path: Path) -> None:
    doubted = replace(speech(5.0), doubts=(Doubt("tempo", "60 BPM", "--half"),), warnings=("mono",))
    timeline = placed("  - {{file: '{folder}/hello.wav', at: 9 s}}", doubted, folder=tmp_path)
    assert not timeline.problems


def test_a_voice_that_begins_after_the_end_of_the_mix_is_a_fault(tmp_path: Path) -> None:
    (message,) = faults("  - {{file: '{folder}/hello.wav', at: 900 s}}", speech(5.0), folder=tmp_path)
    print(message)
    assert "begins at 15:00.0, but the mix ends at 5:36.0" in message


def test_a_voice_that_outlasts_the_mix_is_a_fault_that_says_by_how_much(tmp_path: Path) -> None:
    (message,) = faults("  - {{file: '{folder}/hello.wav', at: 330 s}}", speech(20.0), folder=tmp_path)
    print(message)
    assert "runs 14.0 s past the end of the mix at 5:36.0" in message


def test_a_place_in_a_track_that_does_not_sound_is_a_fault(tmp_path: Path) -> None:
    (early,) = faults("  - {{file: '{folder}/hello.wav', track: b, at: 3}}", speech(5.0), folder=tmp_path)
    (late,) = faults("  - {{file: '{folder}/hello.wav', track: a, at: 98}}", speech(5.0), folder=tmp_path)
    print(early, late, sep="\n")
    assert "`3` of `b` does not sound in the mix: it lies before it comes in, at 2:40.0" in early
    assert "`98` of `a` does not sound in the mix: it lies after it has gone, at 3:12.0" in late


def test_bars_without_a_track_are_a_fault(tmp_path: Path) -> None:
    for name in ("a.wav", "hello.wav"):
        (tmp_path / name).touch()
    plan = parse_plan(f"tracks: [{tmp_path}/a.wav]\nvoices: [{{file: {tmp_path}/hello.wav, at: 17}}]")
    (problem,) = check_plan(plan)
    assert "without `track` this is a time of the mix" in problem.message


def test_an_event_in_a_voice_is_a_fault(tmp_path: Path) -> None:
    voices = "  - {{file: '{folder}/hello.wav', at: 9 s, moves: {{reverse: {{1 s: 1 beat}}}}}}"
    (message,) = faults(voices, speech(5.0), folder=tmp_path)
    assert "`reverse` is for tracks" in message


def test_moves_of_a_voice_that_run_into_each_other_are_a_fault(tmp_path: Path) -> None:
    voices = (
        "  - {{file: '{folder}/hello.wav', at: 9 s, moves: {{level: {{1 s: -6 dB in 4 beats, 2 s: 0 dB}}}}}}"
    )
    (message,) = faults(voices, speech(5.0), folder=tmp_path)
    assert "not over when the next one begins" in message


def test_a_silent_voice_is_warned_of_and_speaks_with_nobody(tmp_path: Path) -> None:
    voices = "  - {{file: '{folder}/hello.wav', at: 9 s}}\n  - {{file: '{folder}/bye.wav', at: 12 s}}"
    (problem,) = placed(voices, speech(5.0), speech(7.0, silent=True), folder=tmp_path).problems
    assert problem.severity == "warning" and "the file is silent" in problem.message


def test_two_voices_at_once_are_warned_of(tmp_path: Path) -> None:
    voices = "  - {{file: '{folder}/hello.wav', at: 9 s}}\n  - {{file: '{folder}/bye.wav', at: 12 s}}"
    (problem,) = placed(voices, speech(5.0), speech(7.0), folder=tmp_path).problems
    assert problem.severity == "warning" and problem.path == "voices[2].at"
    assert "two voices sound at once for 2.0 s from 0:12.0 on" in problem.message
