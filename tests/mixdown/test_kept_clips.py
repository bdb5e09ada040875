"""A clip is kept under all that it depends on and nothing else: what did not change is not made again."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from markers import RATE_HZ, click_track
from spoken import speech, voice_file

from mixrender.audio.cache import Cache
from mixrender.errors import PlanError
from mixrender.facts import TrackFacts
from mixrender.mixdown import preview
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.result import Clip, MixResult
from mixrender.plan.load import parse_plan
from mixrender.progress import NoProgress
from mixrender.timing.build import build_timeline

Settings = dict[str, str]

TEMPOS_BPM = {"a": 124.0, "b": 126.0, "c": 125.0, "d": 128.0}

BASE: Settings = {
    "top": "",
    "a": "",
    "b": "",
    "c": "",
    "overlap 1": "2 bars",
    "overlap 2": "2 bars",
    "overlap 3": "2 bars",
    "leave 2": "16",
    "moves 1": "b: {high: {0: -6 dB, 2: 0 dB}}",
    "moves 2": "b: {low: {1: 0 dB, 1.5: kill in 1 beat}}",
    "moves 3": "d: {highpass: {0: 400 Hz, 2: open}}",
    "more 2": "",
    "more 3": "",
    "voices": "",
}

EDITS: dict[str, list[str]] = {
    "top": ["loudness: -14 LUFS", "match_loudness: false", "tempo: 126 BPM", "click: true", "limiter: false"],
    "a": ["gain: -2 dB", "moves: {reverb: {3: 0 %, 4: 30 %, 9: 0 %}}", "edits: [{repeat: 3, length: 1 bar}]"],
    "b": [
        "moves: {mute: {10: 1 beat}}",
        "moves: {reverse: {15: 1 beat}}",
        "edits: [{skip: 9, length: 2 bars}]",
        "moves: {echo: {9: 0 %, 10: 50 %, 11: 0 %}}",
        "moves: {lowpass: {4: open, 6: 900 Hz, 12: open}}",
    ],
    "c": ["shift: 1", "gain: 1 dB", "moves: {gate: {5: 0 %, 6: 100 %, 7: 0 %}}", "title: Another"],
    "overlap 1": ["1 bar", "3 bars"],
    "overlap 2": ["1 bar", "3 bars"],
    "overlap 3": ["1 bar", "3 bars"],
    "leave 2": ["14", "15"],
    "moves 1": ["b: {high: {0: -9 dB, 2: 0 dB}}", "a: {phaser: {0: 0 %, 1: 80 %, end: 0 %}}"],
    "moves 2": [
        "b: {low: {1: 0 dB, 1.5: -9 dB}}",
        "c: {level: {0: silent, 1: 0 dB}}",
        "b: {mute: {1: 1 beat}}",
    ],
    "moves 3": ["d: {highpass: {0: 300 Hz, 2: open}}", "c: {echo: {1: 0 %, 1.5: 60 %}}"],
    "more 2": [
        "note: Louder.",
        "tempo: {to: 127 BPM, over: 1 bar}",
        "noise_sweep: {level: {0: silent, end: -20 dB, end + 0.25: silent}, cutoff: {0: 2 kHz}}",
        "curve: smooth",
        "layers: {x: {file: FOLDER/d.wav, length: 1 bar}}",
    ],
    "more 3": ["nudge: 3 ms", "layers: {x: {file: FOLDER/a.wav, at: 1, length: 1 bar, gain: -6 dB}}"],
    "voices": ["at: 24 s", "at: 52 s, duck: false", "at: 3, track: d"],
}


def plan_text(settings: Settings, folder: Path, *, fields: str) -> str:
    """Four tracks, three transitions; `fields` are those of every track."""
    lines = ["start: {at: 1}", settings["top"], "tracks:"]
    for name in TEMPOS_BPM:
        given = [f"file: {folder}/{name}.wav", fields, settings.get(name, "")]
        lines.append(f"  {name}: {{{', '.join(text for text in given if text)}}}")
    lines.append("transitions:")
    for number, (out, into) in enumerate(zip("abc", "bcd", strict=True), start=1):
        lines += [
            f"  - from: {out}",
            f"    to: {into}",
            f"    leave: {settings.get(f'leave {number}', '16')}",
            "    enter: 2",
            f"    overlap: {settings[f'overlap {number}']}",
            f"    moves: {{{settings[f'moves {number}']}}}",
        ]
        if settings.get(f"more {number}"):
            lines.append(f"    {settings[f'more {number}']}")
    if settings["voices"]:
        lines.append(f"voices: [{{file: {folder}/hello.wav, {settings['voices']}}}]")
    return "\n".join(lines).replace("FOLDER", str(folder))


@dataclass(frozen=True)
class Music:
    """Files to be mixed and what is known of them."""

    folder: Path
    facts: dict[Path, TrackFacts]

    def clips(
        self, settings: Settings, out: Path, cache: Cache, *, fields: str = "key_lock: false"
    ) -> tuple[MixResult, list[Clip]]:
        """The clips of all transitions, a bar to either side of each overlap."""
        plan = parse_plan(plan_text(settings, self.folder, fields=fields))
        timeline = build_timeline(plan, [self.facts[sound.path] for sound in plan.sounds])
        result = render_clips(
            plan, timeline, folder=out, cache=cache, progress=NoProgress(), lead_bars=1, tail_bars=1
        )
        clips = [measure.clip for measure in result.transitions if measure is not None]
        assert len(clips) == 3 and all(clips)
        return result, [clip for clip in clips if clip is not None]


@pytest.fixture(scope="module")
def music(tmp_path_factory: pytest.TempPathFactory) -> Music:
    folder = tmp_path_factory.mktemp("music")
    facts = {}
    for number, (name, bpm) in enumerate(TEMPOS_BPM.items()):
        hz = 900.0 * 1.5**number
        track = click_track(folder / f"{name}.wav", bpm, hz=hz, bars=18, bar_1_s=0.2, bed=0.1)
        facts[track.path] = track.facts
    facts[folder / "hello.wav"] = voice_file(folder / "hello.wav", speech(RATE_HZ), RATE_HZ)
    return Music(folder, facts)


def without_clips(cache: Cache) -> Cache:
    """The same cache, all kept clips removed: what is rendered next is rendered."""
    cache.remove(entry for entry in cache.entries() if entry.kind == "clips")
    return cache


def check_random_edits(
    music: Music, tmp_path: Path, cache: Cache, *, fields: str, edits: int, seed: int
) -> None:
    """Clips of plans that differ by up to two edits: those of equal digests are rendered to equal bytes."""
    rng = random.Random(seed)
    settings, bytes_of, equal, made = dict(BASE), dict[str, bytes](), 0, 0
    changed: list[str] = []
    for number in range(edits):
        try:
            _, clips = music.clips(settings, tmp_path / str(number), without_clips(cache), fields=fields)
        except PlanError:  # two edits may not go together
            assert len(changed) == 2, settings
            clips = []
        for clip in clips:
            found = clip.path.read_bytes()
            equal += clip.digest in bytes_of
            made += 1
            assert bytes_of.setdefault(clip.digest, found) == found, (number, settings, clip.path.name)
        settings = dict(BASE)
        changed = rng.sample(list(EDITS), 1 + number % 2)
        for what in changed:
            settings[what] = rng.choice(EDITS[what])
    print(f"{made} clips of {edits} plans: {len(bytes_of)} digests, {equal} clips were made before")
    assert equal >= edits // 2
    assert len(bytes_of) > edits // 2


def test_clips_of_one_digest_have_the_same_bytes(music: Music, tmp_path: Path, cache: Cache) -> None:
    check_random_edits(music, tmp_path, cache, fields="key_lock: false", edits=3, seed=1)


@pytest.mark.accuracy
@pytest.mark.parametrize("fields", ["key_lock: false", "key_lock: true"])
@pytest.mark.parametrize("seed", [2, 3])
def test_clips_of_one_digest_have_the_same_bytes_under_many_edits(
    fields: str, seed: int, music: Music, tmp_path: Path, cache: Cache
) -> None:
    check_random_edits(music, tmp_path, cache, fields=fields, edits=40, seed=seed)


@pytest.mark.parametrize(
    ("what", "text", "kept"),
    [
        ("moves 2", "b: {low: {1: 0 dB, 1.5: -9 dB}}", (True, False, True)),
        ("moves 2", "b: {mute: {1: 1 beat}}", (True, False, True)),
        ("overlap 2", "3 bars", (True, False, False)),
        ("leave 2", "15", (True, False, False)),
        (
            "more 2",
            "noise_sweep: {level: {0: silent, end: -20 dB, end + 0.25: silent}, cutoff: {0: 2 kHz}}",
            (True, False, True),
        ),
        ("more 2", "note: Louder.", (True, True, True)),
        ("a", "gain: -2 dB", (False, True, True)),
        ("c", "title: Another", (True, True, True)),
        ("moves 3", "c: {echo: {1: 0 %, 1.5: 60 %}}", (True, True, False)),
        ("voices", "at: 3, track: d", (True, True, False)),
        ("top", "bands: [200 Hz, 3 kHz]", (False, False, False)),
        ("top", "click: true", (False, False, False)),
        ("top", "output: {bits: 16}", (False, False, False)),
        ("top", "limiter: false", (False, False, False)),
        ("top", "title: Mix", (True, True, True)),
    ],
)
def test_an_edit_makes_only_the_clips_new_that_it_changes(
    what: str, text: str, kept: tuple[bool, ...], music: Music, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(preview, "_clips", no_clips)
    before, after = (digests(music, settings) for settings in (BASE, BASE | {what: text}))
    assert tuple(old == new for old, new in zip(before, after, strict=True)) == kept


class Digests(Exception):
    """Carries digests out of a preview."""


def no_clips(facts: object, orders: list[preview._Order], *_: object) -> None:
    raise Digests(*[order.digest for order in orders])


def digests(music: Music, settings: Settings) -> tuple[str, ...]:
    with pytest.raises(Digests) as found:
        music.clips(settings, music.folder / "out", Cache(music.folder / "cache"))
    return found.value.args


@pytest.fixture(scope="module")
def shown(music: Music, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Cache, MixResult]:
    """Clips with a voice over one of them and a layer in another, as they were made."""
    folder = tmp_path_factory.mktemp("shown")
    cache = Cache(folder / "cache")
    result, _ = music.clips(SPOKEN, folder / "out", cache)
    return folder, cache, result


SPOKEN = BASE | {"voices": "at: 3, track: d", "more 2": EDITS["more 2"][-1]}


def test_what_is_kept_is_what_was_measured(music: Music, shown: tuple[Path, Cache, MixResult]) -> None:
    folder, cache, first = shown
    again, clips = music.clips(SPOKEN, folder / "elsewhere", cache)
    for old, new, clip in zip(first.transitions, again.transitions, clips, strict=True):
        assert old is not None and new is not None and old.clip is not None
        assert (old.clip.loudness, old.clip.max_reduction_db) == (clip.loudness, clip.max_reduction_db)
        assert (old.beat_offset, old.loudness_step_lu) == (new.beat_offset, new.loudness_step_lu)
        assert old.clip.path.read_bytes() == clip.path.read_bytes()
        traces = old.clip.trace, clip.trace
        assert traces[0] is not None and traces[1] is not None
        assert traces[0].column_s == traces[1].column_s
        assert np.array_equal(traces[0].momentary_lufs, traces[1].momentary_lufs, equal_nan=True)
        for one, other in zip(traces[0].strips, traces[1].strips, strict=True):
            assert (one.index, one.side) == (other.index, other.side)
            for name in ("source", "heard", "low_db"):
                assert np.array_equal(getattr(one, name), getattr(other, name))
    assert first.voices == again.voices and len(again.voices) == 1
    assert clips[1].trace is not None and [s.side for s in clips[1].trace.strips] == ["from", "to", "layer"]


def test_a_clip_that_lies_there_already_is_not_touched(
    music: Music, shown: tuple[Path, Cache, MixResult]
) -> None:
    folder, cache, _ = shown
    files = sorted((folder / "out").glob("*.flac"))
    before = [file.stat().st_mtime_ns for file in files]
    _, clips = music.clips(SPOKEN, folder / "out", cache)
    assert [clip.is_new for clip in clips] == [False, False, False]
    assert [file.stat().st_mtime_ns for file in files] == before and len(files) == 3

    files[1].write_bytes(b"other")
    _, clips = music.clips(SPOKEN, folder / "out", cache)
    assert [clip.is_new for clip in clips] == [False, True, False]


def test_kept_clips_need_no_file_of_their_tracks(
    music: Music, shown: tuple[Path, Cache, MixResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, cache, _ = shown
    monkeypatch.setattr("mixrender.mixdown.prepare.decoded", lambda *a, **k: pytest.fail("a file was opened"))
    _, clips = music.clips(SPOKEN, folder / "out", cache)
    assert [clip.is_new for clip in clips] == [False, False, False]


def test_a_damaged_trace_is_made_again(music: Music, shown: tuple[Path, Cache, MixResult]) -> None:
    folder, cache, first = shown
    measure = first.transitions[0]
    assert measure is not None and measure.clip is not None
    kept = cache.find("clips", measure.clip.digest, ".npz")
    assert kept is not None
    kept.write_bytes(kept.read_bytes()[:200])
    _, clips = music.clips(SPOKEN, folder / "out", cache)
    assert clips[0].trace is not None and len(clips[0].trace.strips) == 2
    assert not clips[0].is_new
    assert cache.verify() == []


def test_what_is_kept_is_shown_and_cleared_with_the_rest(shown: tuple[Path, Cache, MixResult]) -> None:
    _, cache, _ = shown
    kinds = [entry.path.suffix for entry in cache.entries() if entry.kind == "clips"]
    assert sorted(kinds) == [".flac"] * 3 + [".npz"] * 3
    later = Cache(cache.root)
    later.clear()
    assert later.entries() == []
