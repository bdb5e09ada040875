"""What `analyze` writes to look at and to listen to: pictures, and tracks with a click on their beats."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from mixrender.api.loudness import measure_loudness
from mixrender.api.proofs import click_tracks, draw_tracks, proof_paths
from mixrender.errors import InputError, MachineError
from mixrender.facts import Grid, Section, TrackFacts
from mixrender.mixdown.click_track import beats_of, levels, write_click_track
from mixrender.units import db_to_gain

RATE_HZ = 44100
BPM = 123.7
BAR_1_S = 0.1234


def noise_with_kicks(*, seconds, seed=1, peak=0.999):
    """Loud music of a sort: kicks on the beats, noise between, up to full scale."""
    rng = np.random.default_rng(seed)
    sound = 0.1 * rng.normal(size=(round(seconds * RATE_HZ), 2))
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    kick = np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-t * 40)))) * np.exp(-t * 25)
    for beat_s in np.arange(BAR_1_S, seconds - 0.2, 60 / BPM):
        start = round(beat_s * RATE_HZ)
        sound[start : start + kick.size] += kick[:, None]
    return sound * peak / np.abs(sound).max()


def facts_of(file, grid, **known):
    """The facts of a file as an analysis would find them, with a grid that is given."""
    loudness = measure_loudness(file)
    info = soundfile.info(file)
    return TrackFacts(
        content_hash="0" * 32,
        duration_s=info.frames / info.samplerate,
        sample_rate_hz=info.samplerate,
        channels=info.channels,
        decoder="libsndfile",
        grid=grid,
        loudness=loudness,
        **known,
    )


STEADY = Grid("steady", BPM, BAR_1_S)


@pytest.fixture(scope="module")
def track(tmp_path_factory):
    """A loud file of 24 bits and its facts: twenty seconds, a section on bar 5."""
    file = tmp_path_factory.mktemp("music") / "loud.flac"
    soundfile.write(file, noise_with_kicks(seconds=20.0), RATE_HZ, subtype="PCM_24")
    sections = (Section(1, BAR_1_S), Section(5, STEADY.time_at(16)))
    return file, facts_of(file, STEADY, sections=sections)


# --- the metronome ---------------------------------------------------------------------------------------


def only_clicks(track, out):
    """What the file with clicks holds beyond the track at its gain."""
    file, facts = track
    made = write_click_track(file, facts, out)
    source, _ = soundfile.read(file)
    mixed, rate_hz = soundfile.read(out)
    assert rate_hz == RATE_HZ and mixed.shape == source.shape
    return mixed - source * db_to_gain(made.gain_db), mixed, made


def test_clicks_begin_on_the_beats_within_a_tenth_of_a_millisecond(track, tmp_path):
    clicks, _, _ = only_clicks(track, tmp_path / "out.flac")
    times_s, accents = beats_of(track[1])

    worst_ms, found = 0.0, 0
    for time_s in times_s:
        start = round((time_s - 0.01) * RATE_HZ)
        if start < 0 or start + 2000 > len(clicks):
            continue
        near = np.abs(clicks[start : start + 2000, 0])
        onset = int(np.argmax(near > 0.02 * near.max()))
        worst_ms = max(worst_ms, abs((start + onset) / RATE_HZ - time_s) * 1000)
        found += 1
    print(f"{found} clicks within {worst_ms:.4f} ms")
    assert found >= 40 and worst_ms <= 0.1  # ms
    assert accents[0] == "section" and accents[1:5] == ["beat", "beat", "beat", "bar"]
    assert accents[16] == "section"


def test_between_the_clicks_the_track_is_its_own_times_one_gain(track, tmp_path):
    clicks, _, made = only_clicks(track, tmp_path / "out.flac")
    times_s, _ = beats_of(track[1])
    frames = np.arange(len(clicks)) / RATE_HZ
    since_s = frames - np.array([0.0, *times_s])[np.searchsorted(times_s, frames, side="right")]
    between = clicks[(since_s > 0.0185) | (frames < times_s[0])]
    left_db = 20 * np.log10(np.abs(between).max())

    print(f"gain {made.gain_db:.2f} dB, rest between clicks {left_db:.1f} dBFS")
    assert len(between) > 0.9 * len(clicks)
    assert left_db <= -90.0  # dBFS: half a step of 24 bits is -144
    assert -20.0 < made.gain_db < 0.0


def test_nothing_clips_however_loud_the_track(track, tmp_path):
    clicks, mixed, _ = only_clicks(track, tmp_path / "out.flac")
    peak_db = 20 * np.log10(np.abs(mixed).max())

    print(f"peak {peak_db:.2f} dBFS, clicks {20 * np.log10(np.abs(clicks).max()):.2f} dBFS")
    assert peak_db <= -1.0  # dBFS, the ceiling


def test_a_quiet_track_is_not_raised_and_its_clicks_are_quiet_too(tmp_path):
    file = tmp_path / "quiet.flac"
    soundfile.write(file, noise_with_kicks(seconds=10.0, peak=0.01), RATE_HZ, subtype="PCM_24")
    level_db, gain_db = levels(facts_of(file, STEADY))

    print(f"clicks {level_db:.1f} dBFS")
    assert gain_db == 0.0
    assert level_db <= -30.0  # dBFS, for a peak of -40: no click jumps out of a quiet track


def test_the_file_does_not_depend_on_the_blocks(track, tmp_path):
    for name, frames in (("a", 65536), ("b", 1000), ("c", 777)):
        write_click_track(*track, tmp_path / f"{name}.flac", block_frames=frames)

    sounds = [soundfile.read(tmp_path / f"{name}.flac", dtype="int32")[0] for name in "abc"]
    assert np.array_equal(sounds[0], sounds[1]) and np.array_equal(sounds[0], sounds[2])


def test_a_changing_tempo_and_a_mono_file_at_another_rate_have_clicks(tmp_path):
    file = tmp_path / "mono.wav"
    soundfile.write(file, noise_with_kicks(seconds=8.0)[:, 0], 32000)
    beats_s = (0.3, 0.8, 1.31, 1.83, 2.36, 2.9)
    grid = Grid("drifting", 116.0, 0.8, beats_s=beats_s, first_beat=-1)
    made = write_click_track(file, facts_of(file, grid), tmp_path / "out.flac")
    source, _ = soundfile.read(file, always_2d=True)
    mixed, rate_hz = soundfile.read(tmp_path / "out.flac")
    clicks = mixed - source * db_to_gain(made.gain_db)

    assert rate_hz == 32000 and mixed.shape[1] == 2
    assert np.abs(clicks[:, 0] - clicks[:, 1]).max() < 1e-6
    for beat_s in beats_s:
        first = int(np.ceil(beat_s * 32000))
        assert np.abs(clicks[first - 30 : first]).max() < 1e-6 < np.abs(clicks[first : first + 30]).max()


def test_a_track_without_beats_has_no_click_track(track, tmp_path):
    file, facts = track
    none = facts_of(file, Grid("none"))

    with pytest.raises(InputError, match="no beat was found"):
        write_click_track(file, none, tmp_path / "out.flac")
    assert list(click_tracks([(file, none)], tmp_path)) == [(file, None)]
    assert list(tmp_path.iterdir()) == []
    assert facts.grid.kind == "steady"


# --- names of files --------------------------------------------------------------------------------------


def test_tracks_of_one_stem_are_numbered(tmp_path):
    music = tmp_path / "music"
    files = [
        music / name for name in ("a/song.flac", "b/song.mp3", "b/Song.wav", "c/song-2.flac", "d/x.flac")
    ]
    names = [path.name for path in proof_paths(files, tmp_path / "out", suffix=".png")]

    assert names == ["song.png", "song-2.png", "Song-3.png", "song-2-2.png", "x.png"]


@pytest.mark.parametrize(
    "stem", ["two\nlines\x1b[31m", "lone \udc80 surrogate", "x" * 250, "漢" * 83, "..", "$ _"]
)
def test_odd_names_become_names_that_every_file_system_takes(tmp_path, stem):
    (path,) = proof_paths([tmp_path / "music" / f"{stem}.flac"], tmp_path, suffix="-click.flac")

    assert path.parent == tmp_path
    assert path.name.isprintable() and len(os.fsencode(path.name)) <= 200
    assert len(path.name) > len("-click.flac")
    path.touch()


@pytest.mark.parametrize("where", [".", "../music", "link"])
def test_nothing_is_written_beside_music(track, tmp_path, where):
    music = tmp_path / "music"
    music.mkdir()
    (music / "song.flac").write_bytes(track[0].read_bytes())
    (music / "link").symlink_to(music)
    found = [(music / "song.flac", track[1])]

    for make in (draw_tracks, click_tracks):
        with pytest.raises(InputError, match=r"song\.flac is there.*Choose another folder"):
            list(make(found, music / where))
    assert sorted(p.name for p in music.iterdir()) == ["link", "song.flac"]


def test_a_file_that_is_gone_does_not_stop_the_others(track, tmp_path):
    gone = (tmp_path / "gone.flac", track[1])
    out = tmp_path / "out"

    for make in (draw_tracks, click_tracks):
        (_, fault), (_, made) = list(make([gone, track], out))
        assert isinstance(fault, InputError) and "there is no such file" in str(fault)
        assert not isinstance(made, Exception)
    assert sorted(p.name for p in out.iterdir()) == ["loud-click.flac", "loud.png"]


def test_a_folder_that_is_a_file_is_a_clear_fault(track, tmp_path):
    (tmp_path / "out").write_text("mine")

    for make in (draw_tracks, click_tracks):
        with pytest.raises(MachineError, match="cannot be written"):
            list(make([track], tmp_path / "out"))
    assert (tmp_path / "out").read_text() == "mine"


# --- the command -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def run(cache):
    def run(*args):
        return subprocess.run(
            [sys.executable, "-m", "mixrender", "analyze", *map(str, args)],
            env=os.environ | {"MIXRENDER_CACHE": str(cache)},
            capture_output=True,
            text=True,
            timeout=120,
        )

    return run


@pytest.fixture
def music(tmp_path, track):
    """Two folders with a track of one name each, one that drones without a beat, and their bytes."""
    for name in ("a/song.flac", "b/song.flac"):
        file = tmp_path / "music" / name
        file.parent.mkdir(parents=True)
        file.write_bytes(track[0].read_bytes())
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    soundfile.write(tmp_path / "music" / "drone.flac", 0.1 * np.sin(2 * np.pi * 220 * t), RATE_HZ)
    return tmp_path / "music"


def digests(folder):
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_analyze_writes_pictures_and_clicks_and_says_so(run, music, tmp_path):
    before = digests(music)
    out = tmp_path / "proofs"
    done = run(music, "--picture", out, "--click", out)

    assert done.returncode == 0, done.stderr
    assert digests(music) == before
    assert sorted(p.name for p in out.iterdir()) == [
        "drone.png", "song-2-click.flac", "song-2.png", "song-click.flac", "song.png"
    ]  # fmt: skip
    assert f"Pictures in {out}: 3." in done.stdout
    assert "song-click.flac: the track is" in done.stdout and "dB lower than in its own file" in done.stdout
    assert "Mind your ears" in done.stdout
    assert "drone.flac: warning: no beat was found in it, so there is nothing to click on" in done.stderr


def test_pictures_alone_need_no_caution_and_can_be_svg(run, music, tmp_path):
    done = run(music / "a", "--picture", tmp_path / "out", "--picture-format", "svg")

    assert done.returncode == 0, done.stderr
    (made,) = (tmp_path / "out").iterdir()
    assert made.name == "song.svg" and b"<svg" in made.read_bytes()[:2000]
    assert "Mind your ears" not in done.stdout


def test_json_tells_where_pictures_and_clicks_are(run, music, tmp_path):
    done = run(music, "--json", "--picture", tmp_path / "p", "--click", tmp_path / "c")
    tracks = json.loads(done.stdout)["tracks"]

    assert [track["picture"] for track in tracks] == [
        str(tmp_path / "p" / name) for name in ("song.png", "song-2.png", "drone.png")
    ]
    assert [track["click"] and track["click"]["file"] for track in tracks] == [
        str(tmp_path / "c" / "song-click.flac"), str(tmp_path / "c" / "song-2-click.flac"), None
    ]  # fmt: skip
    assert tracks[0]["click"]["gain_db"] < 0.0
    plain = json.loads(run(music / "a", "--json").stdout)["tracks"][0]
    assert "picture" not in plain and "click" not in plain


def test_a_folder_with_music_in_it_is_refused_before_the_work(run, music):
    done = run(music, "--click", music / "a")

    assert done.returncode == 2
    assert "song.flac is there, and nothing is written beside music" in done.stderr
    assert "Traceback" not in done.stderr and done.stdout == ""
    assert sorted(p.name for p in (music / "a").iterdir()) == ["song.flac"]
