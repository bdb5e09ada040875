"""What the report says of the voices of a mix."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace

import pytest
import soundfile
from markers import RATE_HZ
from rich.console import Console
from small_mixes import UNMATCHED, uneven_tracks
from spoken import plan_with_voices, speech, voice_file

from mixrender.audio.cache import Cache
from mixrender.loudness.meter import integrated
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.render import render_mix
from mixrender.progress import NoProgress
from mixrender.report.document import mix_document, timeline_document, to_json
from mixrender.report.mix_tables import clips_tables, mix_tables

TWO = UNMATCHED.split("  - {from: b")[0]


@pytest.fixture(scope="module")
def spoken_mix(tmp_path_factory):
    folder = tmp_path_factory.mktemp("spoken")
    path = folder / "hello.wav"
    facts = voice_file(path, speech(RATE_HZ), RATE_HZ)
    voices = [(path, facts, "at: 6 s"), (path, facts, "at: 24 s, duck: false, gain: -3 dB")]
    plan, timeline = plan_with_voices(TWO, voices, uneven_tracks(folder)[:2])
    cache = Cache(folder / "cache")
    mix = render_mix(plan, timeline, folder=folder / "mix", cache=cache, progress=NoProgress())
    clips = render_clips(
        plan, timeline, folder=folder / "clips", cache=cache, progress=NoProgress(), tail_bars=2
    )
    return mix, clips


def test_the_report_has_each_voice_as_placed_and_as_measured(spoken_mix):
    result, _ = spoken_mix
    report = json.loads(to_json(mix_document(result)))
    first, second = report["voices"]
    assert (first["name"], first["start_s"], first["end_s"]) == ("voice-1", 6.0, 8.5)
    assert first["file"].endswith("hello.wav")
    ((start_s, end_s, depth_db),) = first["passages"]
    assert (start_s, end_s) == pytest.approx((6.4, 8.0), abs=0.002)
    assert depth_db == first["duck_db"] > 0.0
    assert first["over_lu"] == pytest.approx(10.0, abs=0.5)
    assert first["over_lu"] == pytest.approx(first["voice_lufs"] - first["music_lufs"])
    assert (second["duck_db"], second["passages"][0][2]) == (0.0, 0.0)
    assert {entry["file"] for entry in report["inputs"]} >= {first["file"]}


def test_the_delivered_file_is_as_loud_as_voice_and_music_together_say(spoken_mix):
    """Powers of unrelated sounds add: the passage in the file, 0.3 LU, less than a tenth of its power."""
    result, _ = spoken_mix
    (sound, rate_hz), measure = soundfile.read(result.files[0]), result.voices[0]
    passage = measure.passages[0]
    start, stop = round(passage.start_s * rate_hz), round(passage.end_s * rate_hz)
    found_lufs = integrated(sound[start:stop], sample_rate_hz=rate_hz) - result.master.gain_db
    expected_lufs = measure.voice_lufs + 0.41  # 10 log10(1 + 10^(-10/10))
    print(f"{found_lufs:.2f} LUFS before the master, expected {expected_lufs:.2f}")
    assert found_lufs == pytest.approx(expected_lufs, abs=0.3)


def test_tables_have_a_row_for_each_voice(spoken_mix):
    result, clips = spoken_mix
    for tables, rows in ((mix_tables(result), 2), (clips_tables(clips), len(clips.voices))):
        console = Console(width=120, record=True, file=io.StringIO())
        console.print(tables[-1])
        text = console.export_text()
        print(text)
        assert len(re.findall(r"hello\.wav", text)) == rows > 0
        assert "ducked dB" in text


def test_the_placed_voices_are_known_before_anything_is_rendered(spoken_mix, tmp_path):
    result, _ = spoken_mix
    document = timeline_document(result.timeline, plan_file=tmp_path / "plan.yaml")
    first, second = json.loads(to_json(document))["voices"]
    assert (first["start_s"], second["start_s"]) == (6.0, 24.0)
    assert first["gain_db"] is None and first["passages"] == []


def test_a_mix_without_voices_has_no_table_of_them(spoken_mix):
    result, _ = spoken_mix
    plain = replace(result, voices=())
    assert len(mix_tables(plain)) == len(mix_tables(result)) - 1
    assert mix_document(plain)["voices"] == []
