"""From a file to everything known of the track."""

import numpy as np
import pytest
import soundfile
import soxr
from loop_music import RATE_HZ, make_track

from mixrender.analysis.library import analyze_file, library_of
from mixrender.analysis.listen import listen
from mixrender.analysis.onsets import RATE_HZ as ANALYSIS_RATE_HZ
from mixrender.analysis.store import Edit
from mixrender.audio.cache import Cache
from mixrender.audio.read import probe
from mixrender.errors import AudioError
from mixrender.facts import Grid

SAME_GRID_BOUND_S = 0.0005


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture(scope="module")
def track():
    return make_track(tempo_bpm=128.0, lead_s=0.5, tail_s=3.0)


@pytest.fixture(scope="module")
def analyzed(tmp_path_factory, track):
    folder = tmp_path_factory.mktemp("analyzed")
    path, cache = write(folder, track.sound), Cache(folder / "cache")
    return path, cache, analyze_file(path, cache=cache)


def write(folder, sound, *, name="track.wav", rate_hz=RATE_HZ):
    path = folder / name
    with soundfile.SoundFile(path, "w", rate_hz, 1 if sound.ndim == 1 else sound.shape[1]) as file:
        # In pieces: libsndfile 1.2.2 can crash on a Vorbis file that is written at one go.
        for start in range(0, len(sound), 4096):
            file.write(sound[start : start + 4096])
    return path


def test_a_track_gets_all_its_facts(analyzed, track):
    _, _, facts = analyzed

    print(facts.grid, facts.sections, facts.first_enter_bar, facts.last_leave_bar, facts.first_sound_s)
    assert facts.grid.kind == "steady"
    assert facts.grid.tempo_bpm == 128.0
    assert facts.duration_s == pytest.approx(len(track.sound) / RATE_HZ)
    assert facts.first_sound_s == pytest.approx(0.5, abs=0.002)
    assert facts.grid.bar_1_s >= facts.first_sound_s - 0.005
    assert facts.key == "A minor"
    assert facts.sections[0].bar == 1
    assert {section.bar for section in facts.sections} >= {9, 17, 25, 41}
    assert [section.drums for section in facts.sections] == [True, True, False, True, True]
    assert len(facts.bars.kick) == len(facts.bars.bass) == len(facts.bars.level_lufs)
    assert (facts.first_enter_bar, facts.last_leave_bar) == (1, 49)
    assert (facts.drums_from_bar, facts.drums_until_bar) == (1, 49)
    assert facts.enter_reason == "drums from the start"
    assert facts.leave_reason == "drums to the end; hardly a sound after it"
    assert facts.loudness.integrated_lufs is not None
    assert facts.tempo_confidence >= 0.9
    assert facts.decoder.startswith("libsndfile")
    assert len(facts.content_hash) == 32


def test_a_section_lies_on_its_bar_line(analyzed):
    _, _, facts = analyzed

    for section in facts.sections:
        assert section.start_s == pytest.approx(facts.grid.time_at(4 * (section.bar - 1)), abs=1e-6)


def test_a_second_run_reads_the_library_and_gives_the_same(analyzed, monkeypatch, tmp_path):
    path, cache, first = analyzed

    def no_measuring(*args, **options):
        raise AssertionError("measured again")

    monkeypatch.setattr("mixrender.analysis.track.measure", no_measuring)
    copy = tmp_path / "copy.wav"
    copy.write_bytes(path.read_bytes())

    assert analyze_file(copy, cache=cache) == first
    assert set(library_of(cache).files()) == {(copy, first.content_hash), (path, first.content_hash)}


def test_a_grid_set_by_hand_replaces_the_measured_one(analyzed):
    path, cache, facts = analyzed
    by_hand = Grid("steady", 64.0, 0.5)
    library_of(cache).add_edit(facts.content_hash, Edit("half the tempo", by_hand))

    corrected = analyze_file(path, cache=cache)
    assert corrected.grid == by_hand
    # Half the tempo has half as many bars: bars 1, 9, 17, 25, 41 become 1, 5, 9, 13, 21.
    assert [section.bar for section in corrected.sections] == [1, 5, 9, 13, 21]
    assert (corrected.first_enter_bar, corrected.last_leave_bar) == (1, 25)
    assert corrected.key == facts.key
    assert (corrected.corrections, corrected.locked) == (("half the tempo",), False)
    library_of(cache).undo_edit(facts.content_hash)
    assert analyze_file(path, cache=cache) == facts


@pytest.mark.parametrize("channels", [1, 2])
def test_silence_has_no_grid_no_key_and_no_loudness(tmp_path, cache, channels):
    facts = analyze_file(write(tmp_path, np.zeros((6 * RATE_HZ, channels))), cache=cache)

    assert facts.grid.kind == "none"
    assert facts.key is None
    assert facts.loudness.integrated_lufs is None
    assert facts.first_enter_bar is None
    assert facts.warnings == ("silent: nothing is above -60 dBFS",)
    assert analyze_file(tmp_path / "track.wav", cache=cache) == facts


@pytest.mark.parametrize("frames", [1, 50, 3000, 3 * RATE_HZ])
def test_a_very_short_file_has_facts_without_a_grid(tmp_path, cache, frames):
    sound = 0.3 * np.sin(2 * np.pi * 440 * np.arange(1, frames + 1) / RATE_HZ)
    facts = analyze_file(write(tmp_path, sound), cache=cache)

    assert facts.grid.kind == "none"
    assert "too short" in facts.doubts[0].words
    assert facts.duration_s == frames / RATE_HZ


def test_a_sound_without_a_beat_still_has_its_key_and_loudness(tmp_path, cache):
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    chord = sum(np.sin(2 * np.pi * f * t) for f in (220.0, 261.63, 329.63)) * 0.1 * np.sin(np.pi * t / 12)
    facts = analyze_file(write(tmp_path, chord), cache=cache)

    assert facts.grid.kind == "none"
    assert facts.key == "A minor"
    assert facts.loudness.integrated_lufs is not None
    assert facts.doubts[0].words == "no steady beat found"


def test_a_file_that_is_no_sound_is_an_audio_error(tmp_path, cache):
    path = tmp_path / "notes.wav"
    path.write_text("no sound at all")

    with pytest.raises(AudioError, match=r"notes\.wav"):
        analyze_file(path, cache=cache)


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("name", "rate_hz", "channels"),
    [
        ("mono.wav", 44100, 1),
        ("high.flac", 96000, 2),
        ("low.flac", 22050, 2),
        ("vorbis.ogg", 48000, 2),
        ("lossy.mp3", 44100, 2),
    ],
)
def test_every_form_of_a_track_gets_the_same_grid(tmp_path, cache, analyzed, track, name, rate_hz, channels):
    sound = soxr.resample(track.sound[:, :channels], RATE_HZ, rate_hz)
    reference = analyzed[2].grid
    grid = analyze_file(write(tmp_path, sound, name=name, rate_hz=rate_hz), cache=cache).grid

    apart_s = grid.bar_1_s - reference.bar_1_s
    print(f"{name}: bar 1 {1e3 * apart_s:.3f} ms apart (bound {1e3 * SAME_GRID_BOUND_S} ms)")
    assert grid.tempo_bpm == reference.tempo_bpm
    assert abs(apart_s) <= SAME_GRID_BOUND_S


def test_listening_reports_the_whole_work_once(tmp_path, track):
    done = []
    heard = listen(probe(write(tmp_path, track.sound)), advance=done.append)

    print(f"advanced by {sum(done):.3f} (bound 0.5 +- 0.01)")
    assert sum(done) == pytest.approx(0.5, abs=0.01)
    assert abs(heard.signal.size - heard.duration_s * ANALYSIS_RATE_HZ) <= 1
