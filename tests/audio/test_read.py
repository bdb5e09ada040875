from __future__ import annotations

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender.audio import programs
from mixrender.audio.file_tags import read_tags
from mixrender.audio.read import probe, read_blocks
from mixrender.audio.sound_hash import content_hash
from mixrender.errors import AudioError, ToolError

RATE_HZ = 44100


def noise(seconds: float, *, seed: int = 1, rate_hz: int = RATE_HZ) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((round(seconds * rate_hz), 2)) * 0.1


def tone(frames: int, rate_hz: int, *, duration_s: float, frequency_hz: float = 997.0) -> np.ndarray:
    """A sine on the left and a cosine on the right, faded in and out over `duration_s`."""
    time_s = np.arange(frames) / rate_hz
    phase = 2 * np.pi * frequency_hz * time_s
    fade = np.sin(np.pi * time_s / duration_s) ** 2
    return 0.5 * fade[:, None] * np.stack([np.sin(phase), np.cos(phase)], axis=1)


def whole(path: Path, *, sample_rate_hz: int | None = None, block_frames: int = 65536) -> np.ndarray:
    return np.concatenate(list(read_blocks(path, sample_rate_hz=sample_rate_hz, block_frames=block_frames)))


def convert(source: Path, target: Path, *options: str) -> Path:
    args = [str(programs.ffmpeg()), "-v", "error", "-y", "-i", str(source), *options, str(target)]
    subprocess.run(args, check=True, timeout=60)
    return target


@pytest.fixture(scope="module")
def click(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A 24-bit WAV of 3 s: a Hann-windowed 2 kHz burst of 20 ms centred on frame 50000, in faint noise."""
    x = noise(3.0) * 1e-4
    burst = np.hanning(883) * np.cos(2 * np.pi * 2000 * (np.arange(883) - 441) / RATE_HZ)
    x[50000 - 441 : 50000 + 442] += 0.7 * burst[:, None]
    path = tmp_path_factory.mktemp("click") / "click.wav"
    soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
    return path


def lag_frames(found: np.ndarray, source: np.ndarray, *, scale: float = 1.0) -> float:
    """By how many frames `found` lies after `source`: the peak of their correlation, between samples."""
    centre = round(50000 * scale)
    window = slice(centre - 4000, centre + 4000)
    a, b = found[window, 0].astype(float), source[window, 0].astype(float)
    correlation = np.correlate(a, b, mode="full")
    top = int(np.argmax(correlation))
    before, here, after = correlation[top - 1 : top + 2]
    return top - (len(b) - 1) + 0.5 * (before - after) / (before - 2 * here + after)


@pytest.mark.parametrize(
    ("name", "subtype"),
    [
        ("a.wav", "PCM_16"),
        ("a.wav", "PCM_24"),
        ("a.wav", "FLOAT"),
        ("a.aiff", "PCM_24"),
        ("a.flac", "PCM_24"),
    ],
)
def test_lossless_formats_come_back_to_half_a_step(tmp_path: Path, name: str, subtype: str) -> None:
    x = noise(1.0)
    soundfile.write(tmp_path / name, x, RATE_HZ, subtype=subtype)
    y = whole(tmp_path / name)
    # libsndfile rounds down where it writes whole numbers, so a whole step; float32 keeps 24 bits.
    bound = 2.0**-15 if subtype == "PCM_16" else 2.0**-23
    error = np.abs(y - x).max()
    print(f"{name} {subtype}: error {error:.3g} (bound {bound:.3g} of full scale)")
    assert y.dtype == np.float32
    assert y.shape == x.shape
    assert error <= bound


@pytest.mark.parametrize(
    ("name", "options", "bound_frames"),
    [
        ("c.mp3", ("-c:a", "libmp3lame", "-b:a", "192k"), 0.5),
        ("c.ogg", ("-c:a", "libvorbis", "-q:a", "6"), 0.5),
        ("c.opus", ("-c:a", "libopus", "-b:a", "160k"), 0.5),
        ("c.m4a", ("-c:a", "aac", "-b:a", "192k"), 0.5),
        ("alac.m4a", ("-c:a", "alac"), 0.001),
        ("c.wma", ("-c:a", "wmav2", "-b:a", "192k"), None),
    ],
)
def test_sound_stands_where_the_encoder_got_it(
    click: Path, tmp_path: Path, name: str, options: tuple[str, ...], bound_frames: float | None
) -> None:
    """The click is found again by correlation with the source; common practice, no source."""
    path = convert(click, tmp_path / name, *options)
    info = probe(path)
    y = whole(path, sample_rate_hz=RATE_HZ)
    source = whole(click)
    lag = lag_frames(y, source)
    print(f"{name}: {info.decoder}, {lag:+.4f} frames, length {len(y) - len(source):+d}")
    if bound_frames is None:  # WMA states no delay: where it begins is the decoder's to say, and it is kept
        assert abs(lag) < 2 * 2048
    else:
        assert abs(lag) < bound_frames
        assert abs(len(y) - len(source)) < 1200


def test_m4a_needs_ffmpeg_and_says_so_without_it(
    click: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = convert(click, tmp_path / "c.m4a")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(
        ToolError, match=r"c\.m4a: reading it needs ffmpeg.*\n.*not installed(.|\n)*apt install"
    ):
        probe(path)
    assert probe(click).decoder.startswith("libsndfile")


def test_ffprobe_is_taken_from_the_environment(
    click: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = convert(click, tmp_path / "c.m4a")
    monkeypatch.setenv("MIXRENDER_FFMPEG", str(programs.ffmpeg()))
    monkeypatch.setenv("MIXRENDER_FFPROBE", str(programs.ffprobe()))
    monkeypatch.setenv("PATH", str(tmp_path))
    assert probe(path).sample_rate_hz == RATE_HZ


@pytest.mark.parametrize("rate_hz", [22050, 32000, 48000, 96000])
def test_resampling_is_exact_to_120_db_and_in_place(tmp_path: Path, rate_hz: int) -> None:
    """Against the same tone computed at the target rate; soxr's VHQ is a 28-bit filter (soxr.h, SOXR_VHQ)."""
    frames = 2 * rate_hz + 17
    x = tone(frames, rate_hz, duration_s=frames / rate_hz)
    soundfile.write(tmp_path / "t.wav", x, rate_hz, subtype="FLOAT")
    y = whole(tmp_path / "t.wav", sample_rate_hz=44100)
    expected = tone(len(y), 44100, duration_s=frames / rate_hz)
    error_db = 20 * np.log10(np.abs(y - expected).max())
    print(f"{rate_hz} Hz: worst error {error_db:.1f} dBFS (bound -120 dBFS), {len(y)} frames")
    assert len(y) == round(frames * 44100 / rate_hz)
    assert error_db < -120.0


@pytest.mark.parametrize("sample_rate_hz", [None, 48000])
@pytest.mark.parametrize("name", ["b.flac", "b.mp3", "b.m4a"])
def test_samples_do_not_depend_on_the_block_size(
    click: Path, tmp_path: Path, name: str, sample_rate_hz: int | None
) -> None:
    options = ("-c:a", "libmp3lame", "-q:a", "4") if name.endswith("mp3") else ()
    path = convert(click, tmp_path / name, *options)
    reference = whole(path, sample_rate_hz=sample_rate_hz)
    for block_frames in (1000, 8192, 10_000_000):
        blocks = list(read_blocks(path, sample_rate_hz=sample_rate_hz, block_frames=block_frames))
        assert {len(block) for block in blocks[:-1]} <= {block_frames}
        np.testing.assert_array_equal(np.concatenate(blocks), reference)


def test_mono_becomes_two_equal_channels(tmp_path: Path) -> None:
    x = noise(0.2)[:, 0]
    soundfile.write(tmp_path / "m.wav", x, RATE_HZ, subtype="FLOAT")
    convert(tmp_path / "m.wav", tmp_path / "m.m4a", "-c:a", "alac")
    for name in ("m.wav", "m.m4a"):
        y = whole(tmp_path / name)
        assert probe(tmp_path / name).channels == 1
        assert y.shape == (len(x), 2)
        np.testing.assert_array_equal(y[:, 0], y[:, 1])
    np.testing.assert_array_equal(whole(tmp_path / "m.wav")[:, 0], x.astype(np.float32))


def test_variable_mp3_without_a_length_is_read_to_its_end(tmp_path: Path) -> None:
    """The decoder guesses the length from the first frames, and would stop at about half of this one."""
    x = noise(12.0, seed=3)
    x[: len(x) // 2] *= 1e-4
    soundfile.write(tmp_path / "v.wav", x, RATE_HZ)
    path = convert(tmp_path / "v.wav", tmp_path / "v.mp3", "-q:a", "4", "-write_xing", "0")
    guessed = soundfile.info(path).frames
    frames = len(whole(path))
    print(f"libsndfile's guess {guessed}, read {frames}, encoded {len(x)}")
    assert guessed < 0.8 * len(x)
    assert 0 <= frames - len(x) < 3 * 1152


def test_joined_mp3s_are_read_to_their_end(click: Path, tmp_path: Path) -> None:
    """The first info tag states the first part alone."""
    one = convert(click, tmp_path / "one.mp3", "-id3v2_version", "0").read_bytes()
    (tmp_path / "two.mp3").write_bytes(one + one)
    frames = len(whole(tmp_path / "two.mp3"))
    print(f"{frames} frames of two times {3 * RATE_HZ}")
    assert abs(frames - 6 * RATE_HZ) < 3 * 1152


def test_a_flac_that_states_no_length_is_read_to_its_end(click: Path, tmp_path: Path) -> None:
    args = [str(programs.ffmpeg()), "-v", "error", "-i", str(click), "-f", "flac", "-"]
    (tmp_path / "p.flac").write_bytes(subprocess.run(args, check=True, capture_output=True).stdout)
    assert len(whole(tmp_path / "p.flac")) == 3 * RATE_HZ
    assert 0 < probe(tmp_path / "p.flac").expected_s < 60


@pytest.mark.parametrize("name", ["t.wav", "t.aiff", "t.flac", "t.ogg", "t.opus", "t.mp3", "t.m4a", "t.wma"])
def test_a_cut_file_is_refused_with_the_time_where_it_ends(tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / "s.wav", noise(6.0), RATE_HZ, subtype="PCM_24")
    options = ("-movflags", "+faststart") if name == "t.m4a" else ()
    path = convert(tmp_path / "s.wav", tmp_path / name, *options)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(AudioError, match=rf"{name}: it is damaged or cut off: .* about 0:0[23]\.\d \("):
        whole(path)


@pytest.mark.parametrize("name", ["d.flac", "d.ogg", "d.mp3", "d.m4a"])
def test_a_file_damaged_in_the_middle_is_refused(
    tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    soundfile.write(tmp_path / "s.wav", noise(6.0), RATE_HZ, subtype="PCM_24")
    path = convert(tmp_path / "s.wav", tmp_path / name)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 5000] = np.random.default_rng(5).integers(0, 256, 5000, dtype=np.uint8).tobytes()
    path.write_bytes(data)
    with pytest.raises(AudioError, match=rf"{name}: it is damaged or cut off: .* about 0:0[2-5]\.\d \("):
        whole(path)
    assert capfd.readouterr().err == ""


def test_a_wav_from_a_pipe_is_no_cut_file(click: Path, tmp_path: Path) -> None:
    args = [str(programs.ffmpeg()), "-v", "error", "-i", str(click), "-f", "wav", "-"]
    (tmp_path / "p.wav").write_bytes(subprocess.run(args, check=True, capture_output=True).stdout)
    assert len(whole(tmp_path / "p.wav")) == 3 * RATE_HZ


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_samples_that_are_no_numbers_are_refused_with_their_time(tmp_path: Path, value: float) -> None:
    x = noise(3.0)
    x[round(2.5 * RATE_HZ), 1] = value
    soundfile.write(tmp_path / "n.wav", x, RATE_HZ, subtype="FLOAT")
    with pytest.raises(AudioError, match=r"not numbers \(NaN or infinite\), the first at 0:02\.5"):
        whole(tmp_path / "n.wav")


def test_more_than_two_channels_are_refused_with_the_way_out(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "six.wav", np.zeros((100, 6)), RATE_HZ)
    with pytest.raises(AudioError, match=r"6 channels; only mono and stereo .* ffmpeg -i .*-ac 2"):
        probe(tmp_path / "six.wav")


def test_what_is_no_audio_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.mp3").write_text("these are not notes\n" * 500)
    (tmp_path / "noise.wav").write_bytes(np.random.default_rng(2).bytes(5000))
    (tmp_path / "take.raw").write_bytes(bytes(5000))
    (tmp_path / "empty.wav").touch()
    for name in ("notes.mp3", "noise.wav", "take.raw"):
        with pytest.raises(AudioError, match=rf"{name}: it is not an audio file"):
            probe(tmp_path / name)
    with pytest.raises(AudioError, match=r"empty\.wav: the file is empty"):
        probe(tmp_path / "empty.wav")
    with pytest.raises(AudioError, match="it is a folder"):
        probe(tmp_path)


def test_a_missing_file_names_its_likely_neighbour(tmp_path: Path) -> None:
    (tmp_path / "Ferry (mix).flac").touch()
    with pytest.raises(AudioError, match=r"no such file\. Did you mean 'Ferry \(mix\)\.flac'\?"):
        probe(tmp_path / "ferry (mixx).flac")
    with pytest.raises(AudioError, match=r"no such file\.$"):
        probe(tmp_path / "lantern.wav")
    with pytest.raises(AudioError, match=r"folder .* does not exist either"):
        probe(tmp_path / "nowhere" / "lantern.wav")


def test_a_file_without_frames_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "z.wav", np.zeros((0, 2)), RATE_HZ)
    with pytest.raises(AudioError, match=r"holds no sound \(no frames\)"):
        whole(tmp_path / "z.wav")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_refused(click: Path, tmp_path: Path) -> None:
    path = tmp_path / "shut.wav"
    path.write_bytes(click.read_bytes())
    path.chmod(0)
    with pytest.raises(AudioError, match="permissions must allow reading"):
        probe(path)


def test_reading_leaves_the_source_as_it_is(click: Path) -> None:
    before = (click.read_bytes(), click.stat().st_mtime_ns)
    whole(click)
    content_hash(click)
    read_tags(click)
    assert (click.read_bytes(), click.stat().st_mtime_ns) == before
