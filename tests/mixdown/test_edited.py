"""The edited source by itself: loops to the sample, reversed spans, stops, edges without clicks, any cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from markers import RATE_HZ, Sound
from test_no_clicks import check_quiet_above_2_khz

from mixrender.audio.raw import RawAudio
from mixrender.dsp.brake import brake_gain, brake_positions, spin_up_gain, spin_up_positions
from mixrender.dsp.varispeed import varispeed
from mixrender.mixdown.edited import FADE_S, EditedAudio, edited
from mixrender.timing.play_order import Passage, Patch, PatchKind

FADE = round(FADE_S * RATE_HZ)


def raw_of(folder: Path, sound: Sound) -> RawAudio:
    path = folder / "sound.f32"
    path.write_bytes(sound.astype("<f4").tobytes())
    return RawAudio(path, len(sound), RATE_HZ)


def noise(folder: Path, seconds: float = 4.0) -> tuple[RawAudio, Sound]:
    sound = np.random.default_rng(3).uniform(-0.5, 0.5, (round(seconds * RATE_HZ), 2)).astype(np.float32)
    return raw_of(folder, sound), sound


def tone(folder: Path) -> RawAudio:
    """A sine of 100 Hz at -6 dBFS (peak), ten seconds long."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    return raw_of(folder, 0.5012 * np.sin(2 * np.pi * 100.0 * t + 0.7)[:, None] * np.ones(2))


def loop(start_s: float, length_s: float, times: int, *, duration_s: float = 4.0) -> list[Passage]:
    """A stretch that sounds some times, and the rest of the file behind it."""
    end_s = start_s + length_s
    again = [Passage(end_s + i * length_s, start_s, length_s) for i in range(times - 1)]
    return [
        Passage(0.0, 0.0, end_s),
        *again,
        Passage(end_s + (times - 1) * length_s, end_s, duration_s - end_s),
    ]


def test_a_loop_of_whole_frames_is_periodic_to_the_sample(tmp_path: Path) -> None:
    raw, sound = noise(tmp_path)
    period, start = RATE_HZ // 2, RATE_HZ
    played = EditedAudio(raw, loop(1.0, 0.5, 8)).read(0, 8 * RATE_HZ)
    passes = [played[start + k * period :][:period] for k in range(8)]

    # The first seven end in the same joint; the last goes on with the file.
    assert all(np.array_equal(passes[0], other) for other in passes[1:7])
    assert np.array_equal(passes[7], sound[start : start + period])
    assert np.array_equal(passes[0][: period - FADE], sound[start : start + period - FADE])
    assert np.array_equal(played[: start + period - FADE], sound[: start + period - FADE])
    rest = played[start + 8 * period :]
    assert np.array_equal(rest[: 2 * RATE_HZ], sound[start + period :][: 2 * RATE_HZ])


def test_passes_of_a_loop_between_frames_are_the_same_and_stay_within_half_a_frame(tmp_path: Path) -> None:
    # A quarter of a beat at 127.43 BPM: 5190.9 frames. Each pass begins on the frame nearest to its place.
    raw, sound = noise(tmp_path)
    length_s = 15.0 / 127.43
    played = EditedAudio(raw, loop(0.517, length_s, 16)).read(0, 6 * RATE_HZ)
    first = round(0.517 * RATE_HZ)
    inside = int(length_s * RATE_HZ) - FADE - 1
    for k in range(16):
        begin = round((0.517 + k * length_s) * RATE_HZ)
        assert np.array_equal(played[begin : begin + inside], sound[first : first + inside]), k
    print("16 passes of 5190.9 frames: each to the bit from its nearest frame on, so within 0.5 frames")


def test_what_begins_at_a_joint_begins_whole_and_is_led_up_to(tmp_path: Path) -> None:
    raw, sound = noise(tmp_path)
    played = EditedAudio(raw, [Passage(0.0, 0.0, 1.0), Passage(1.0, 2.0, 2.0)]).read(0, 2 * RATE_HZ)
    joint, share = RATE_HZ, np.sin(0.5 * np.pi * np.arange(FADE) / FADE)[:, None] ** 2

    assert np.array_equal(played[joint:], sound[2 * RATE_HZ : 3 * RATE_HZ])
    mixed = (1 - share) * sound[joint - FADE : joint] + share * sound[2 * RATE_HZ - FADE : 2 * RATE_HZ]
    assert np.abs(played[joint - FADE : joint] - mixed).max() <= 1e-7


def test_a_reversed_span_is_the_reverse_of_its_frames_to_the_bit(tmp_path: Path) -> None:
    raw, sound = noise(tmp_path)
    a, b = round(1.2345 * RATE_HZ), round(1.789 * RATE_HZ)
    played = EditedAudio(raw, [], [Patch("reverse", 1.2345, 1.789)]).read(0, raw.frames)

    assert np.array_equal(played[a + FADE : b - FADE], sound[a:b][::-1][FADE:-FADE])
    assert np.array_equal(played[:a], sound[:a]) and np.array_equal(played[b:], sound[b:])


def test_a_muted_span_is_silent_within_its_edges(tmp_path: Path) -> None:
    raw, sound = noise(tmp_path)
    a, b = round(1.5 * RATE_HZ), round(1.9 * RATE_HZ)
    played = EditedAudio(raw, [], [Patch("mute", 1.5, 1.9)]).read(0, raw.frames)

    assert not played[a + FADE : b - FADE].any()
    assert np.array_equal(played[:a], sound[:a]) and np.array_equal(played[b:], sound[b:])
    assert np.all(np.abs(played[a:b]) <= np.abs(sound[a:b]) + 1e-7)


def test_a_brake_and_a_spin_up_read_the_sound_where_an_even_force_brings_it(tmp_path: Path) -> None:
    # From p(t) = t - t²/2T and its mirror image, beside the reading of the whole file in one call.
    raw, sound = noise(tmp_path)
    a, n = RATE_HZ, RATE_HZ // 2
    for kind, positions, gain, inner in (
        ("brake", brake_positions(n), brake_gain(n, least_fade_frames=FADE), slice(0, n - FADE)),
        ("spin_up", spin_up_positions(n), spin_up_gain(n, least_fade_frames=FADE), slice(FADE, n)),
    ):
        played = EditedAudio(raw, [], [Patch(kind, 1.0, 1.5)]).read(0, raw.frames)  # type: ignore[arg-type]
        wanted = varispeed(sound, positions + a) * gain[:, None]
        apart = float(np.abs(played[a : a + n] - wanted)[inner].max())
        print(f"{kind}: {apart:.1e} <= 1e-6 from the whole file read there")
        assert apart <= 1e-6
        assert np.array_equal(played[:a], sound[:a]) and np.array_equal(played[a + n :], sound[a + n :])


PATCHES = [
    Patch("reverse", 0.9, 1.4),
    Patch("mute", 1.5003, 1.62),
    Patch("brake", 1.7, 2.11),
    Patch("spin_up", 2.11, 2.5),
]


@pytest.mark.parametrize("size", [1, 257, 4096, 65537])
def test_any_cut_gives_the_same_bytes(size: int, tmp_path: Path) -> None:
    raw, _ = noise(tmp_path, 2.0)
    source = EditedAudio(raw, loop(0.8, 0.11, 8, duration_s=2.0), PATCHES)
    start, stop = (RATE_HZ - 500, RATE_HZ + 500) if size == 1 else (-5000, source.frames + 5000)
    whole = source.read(start, stop)
    cut = [source.read(at, min(at + size, stop)) for at in range(start, stop, size)]

    assert whole.any() and whole.dtype == np.float32
    assert np.concatenate(cut).tobytes() == whole.tobytes()
    # Backwards, too: nothing depends on what was read before.
    back = [source.read(at, min(at + size, stop)) for at in reversed(range(start, stop, size))]
    assert np.concatenate(back[::-1]).tobytes() == whole.tobytes()


@pytest.mark.parametrize("kind", ["mute", "reverse", "brake", "spin_up"])
def test_no_edge_of_a_patch_clicks(kind: PatchKind, tmp_path: Path) -> None:
    source = EditedAudio(tone(tmp_path), [], [Patch(kind, 2.0031, 3.0), Patch(kind, 4.0, 4.126)])
    _check_clean(source)


@pytest.mark.parametrize("length_s", [1.937, 0.4839, 0.12097, 0.0302])
def test_no_joint_of_a_loop_clicks(length_s: float, tmp_path: Path) -> None:
    _check_clean(EditedAudio(tone(tmp_path), loop(2.0013, length_s, 6, duration_s=10.0)))


def test_no_skip_clicks(tmp_path: Path) -> None:
    _check_clean(EditedAudio(tone(tmp_path), [Passage(0.0, 0.0, 2.0), Passage(2.0, 5.0037, 4.0)]))


def _check_clean(source: EditedAudio) -> None:
    sound = source.read(0, source.frames).astype(np.float64)
    fade = np.clip(np.minimum(np.arange(len(sound)), np.arange(len(sound))[::-1]) / 4410.0, 0.0, 1.0)
    check_quiet_above_2_khz(sound * np.sin(0.5 * np.pi * fade)[:, None] ** 2)


def test_frames_outside_of_the_file_are_silent(tmp_path: Path) -> None:
    raw, sound = noise(tmp_path)
    source = EditedAudio(raw, loop(1.0, 0.5, 3))

    assert source.frames == raw.frames + RATE_HZ
    assert not source.read(-1000, 0).any()
    assert not source.read(source.frames, source.frames + 1000).any()
    assert np.array_equal(source.read(-1000, 1000)[1000:], sound[:1000])


def test_the_name_holds_order_and_patches_and_a_plain_file_stays_as_it_is(tmp_path: Path) -> None:
    raw, _ = noise(tmp_path)
    kinds = [
        EditedAudio(raw, loop(1.0, 0.5, 3)),
        EditedAudio(raw, loop(1.0, 0.5, 4)),
        EditedAudio(raw, loop(1.0, 0.25, 3)),
        EditedAudio(raw, loop(1.0, 0.5, 3), PATCHES[:1]),
        EditedAudio(raw, [], PATCHES[:1]),
        EditedAudio(raw, [], PATCHES[1:2]),
    ]

    assert edited(raw, (), ()) is raw and raw.name == "sound"
    assert len({source.name for source in kinds}) == len(kinds)
    assert EditedAudio(raw, loop(1.0, 0.5, 3)).name == kinds[0].name
