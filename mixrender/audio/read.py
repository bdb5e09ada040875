"""Reads sound: the path of an audio file goes in, stereo blocks at any sample rate come out."""

from __future__ import annotations

import difflib
import hashlib
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from mixrender.audio import programs
from mixrender.errors import AudioError, ToolError
from mixrender.units import format_time

Block = NDArray[np.float32]

DECODE_FRAMES = 8192
"""Frames decoded and resampled at a time: always the same, whatever blocks the caller wants."""


@dataclass(frozen=True)
class AudioInfo:
    """What a file's header says: sample rate, channels, and which decoder reads it.

    `decoder` names program and version, such as `libsndfile 1.2.2`: times measured with one decoder may be
    wrong in another. `expected_s` is the duration in seconds by the header; it may be wrong, and serves
    progress and space alone.
    """

    path: Path
    sample_rate_hz: int
    channels: int
    decoder: str
    expected_s: float = 0.0


@dataclass(frozen=True)
class Tags:
    """What a file's tags say; None where they say nothing."""

    title: str | None = None
    artist: str | None = None


def probe(path: Path) -> AudioInfo:
    """Header facts of an audio file, and the decoder that will read it: libsndfile, else ffmpeg.

    Raises AudioError if the file is missing, is no audio, or has more than two channels; ToolError if it
    needs ffmpeg and there is none.
    """
    path = Path(path)
    _require_file(path)
    info = _probe_soundfile(path) or _probe_ffmpeg(path)
    if info.channels > 2:
        raise AudioError(
            path,
            f"it has {info.channels} channels; only mono and stereo can be mixed. "
            f'Fold it down to stereo first, for instance with: ffmpeg -i "{path.name}" -ac 2 "stereo.flac"',
        )
    return info


def read_blocks(
    path: Path, *, sample_rate_hz: int | None = None, block_frames: int = 65536
) -> Iterator[Block]:
    """The whole file in blocks of `block_frames` frames (the last may be shorter), float32 of shape (n, 2).

    A mono file becomes two equal channels. With `sample_rate_hz` the sound is resampled (soxr, VHQ, delay
    compensated) to round(frames * ratio) frames. The samples do not depend on `block_frames`, and the
    number of frames is that of the decoded sound, whatever the header says.

    Raises AudioError if the file cannot be used or breaks off, ToolError if it needs ffmpeg and that is
    missing.
    """
    info = probe(path)
    blocks = _finite(info, _decode(info))
    if sample_rate_hz is not None and sample_rate_hz != info.sample_rate_hz:
        blocks = _resampled(blocks, info.sample_rate_hz, sample_rate_hz)
    total = 0
    for block in _reblocked(blocks, block_frames):
        total += len(block)
        yield block
    if total == 0:
        raise AudioError(info.path, "it holds no sound (no frames).")


def content_hash(path: Path) -> str:
    """BLAKE2b of the file's bytes, 32 hexadecimal digits; AudioError if it cannot be read."""
    path = Path(path)
    _require_file(path)
    digest = hashlib.blake2b(digest_size=16)
    with _access(path), path.open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def read_tags(path: Path) -> Tags:
    """Title and artist from the file's tags; empty Tags for whatever cannot be read."""
    try:
        found = mutagen.File(path, easy=True)
        if found is None or found.tags is None:
            return Tags()
        return Tags(title=_tag(found, "title"), artist=_tag(found, "artist"))
    except Exception:  # tags are a convenience: no odd file may stop a mix for them
        return Tags()


def _tag(found: Any, name: str) -> str | None:
    values = found.get(name)
    first = values[0] if isinstance(values, list) and values else values
    text = str(first).strip() if first is not None else ""
    return text or None


def _require_file(path: Path) -> None:
    if path.is_dir():
        raise AudioError(path, "it is a folder, not an audio file.")
    if not path.exists():
        raise AudioError(path, f"there is no such file.{_similar(path)}")
    if not path.is_file():
        raise AudioError(path, "it is not a regular file.")
    with _access(path):
        size = path.stat().st_size
        os.close(os.open(path, os.O_RDONLY))
    if size == 0:
        raise AudioError(path, "the file is empty (0 bytes).")


def _similar(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f" The folder {path.parent} does not exist either." if not path.parent.exists() else ""
    by_lower = {name.lower(): name for name in names}
    near = difflib.get_close_matches(path.name.lower(), by_lower, n=1, cutoff=0.7)
    near += [name.lower() for name in names if Path(name).stem.lower() == path.stem.lower()]
    return f" Did you mean {by_lower[near[0]]!r}?" if near else ""


@contextmanager
def _access(path: Path) -> Iterator[None]:
    try:
        yield
    except PermissionError:
        raise AudioError(path, "this user may not read it; its permissions must allow reading.") from None
    except OSError as error:
        raise AudioError(path, f"it cannot be read ({error.strerror}).") from error


class _Sequential(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file that is only read onward.

    soundfile seeks to where it stands after each read of a seekable file; in MP3s with a variable bit rate
    that alters the samples that follow, so that they would depend on the block size.
    """

    def seekable(self) -> bool:
        return False


def _probe_soundfile(path: Path) -> AudioInfo | None:
    try:
        with _Sequential(str(path)) as file:
            return AudioInfo(
                path=path,
                sample_rate_hz=file.samplerate,
                channels=file.channels,
                decoder=f"libsndfile {soundfile.__libsndfile_version__}",
                expected_s=file.frames / file.samplerate,
            )
    except (soundfile.LibsndfileError, TypeError):  # TypeError: a name that ends in .raw asks for a rate
        return None


def _probe_ffmpeg(path: Path) -> AudioInfo:
    try:
        program = programs.ffmpeg()
        found = _media_info(path)
    except ToolError as error:
        raise ToolError(
            f"{path}: it is not WAV, AIFF, FLAC, Ogg or MP3; reading it needs ffmpeg.\n{error}"
        ) from error
    streams = [stream for stream in found.get("streams", ()) if stream.get("codec_type") == "audio"]
    if not streams or not int(streams[0].get("sample_rate") or 0) or not int(streams[0].get("channels") or 0):
        raise AudioError(path, "it is not an audio file, or it is damaged: no sound was found in it.")
    stream = streams[0]
    duration = stream.get("duration") or found.get("format", {}).get("duration") or 0.0
    return AudioInfo(
        path=path,
        sample_rate_hz=int(stream["sample_rate"]),
        channels=int(stream["channels"]),
        decoder=f"ffmpeg {programs.version('ffmpeg', program)}",
        expected_s=float(duration),
    )


def _media_info(path: Path) -> dict[str, Any]:
    with warnings.catch_warnings():
        # pydub warns on import where no ffmpeg is on PATH and of its own regular expressions. It is imported
        # here because most files never need it.
        warnings.simplefilter("ignore")
        import pydub.utils
    # pydub looks in the current folder and on PATH alone; MIXRENDER_FFPROBE must count as well.
    pydub.utils.get_prober_name = lambda: str(programs.ffprobe())
    try:
        return dict(pydub.utils.mediainfo_json(str(path.absolute())))
    except ToolError:
        raise
    except Exception:  # pydub stumbles over what ffprobe says of files that are no media
        return {}


def _decode(info: AudioInfo) -> Iterator[Block]:
    blocks = _decode_soundfile(info) if info.decoder.startswith("libsndfile") else _decode_ffmpeg(info)
    for block in blocks:
        yield np.repeat(block, 2, axis=1) if info.channels == 1 else block


def _decode_soundfile(info: AudioInfo) -> Iterator[Block]:
    done = 0
    try:
        with _Sequential(str(info.path)) as file:
            while True:
                block = file.read(out=np.empty((DECODE_FRAMES, info.channels), dtype=np.float32))
                if not len(block):
                    break
                done += len(block)
                yield block
    except soundfile.LibsndfileError as error:
        raise _damaged(info, done, str(error.error_string)) from None


def _decode_ffmpeg(info: AudioInfo) -> Iterator[Block]:
    args: list[str | Path] = [
        *(programs.ffmpeg(), "-nostdin", "-v", "error", "-xerror", "-i", f"file:{info.path.absolute()}"),
        *("-map", "0:a:0", "-vn", "-sn", "-dn"),
        *("-ac", str(info.channels), "-ar", str(info.sample_rate_hz), "-f", "f32le", "pipe:1"),
    ]
    done = 0
    with programs.started(args) as child:
        assert child.process.stdout is not None
        while data := child.process.stdout.read(DECODE_FRAMES * 4 * info.channels):
            whole = len(data) // (4 * info.channels) * 4 * info.channels
            block = np.frombuffer(data[:whole], dtype="<f4").reshape(-1, info.channels)
            done += len(block)
            yield block.astype(np.float32, copy=False)
        if child.process.wait() != 0:
            raise _damaged(info, done, " ".join(child.last_lines()[-1:]))


def _damaged(info: AudioInfo, done_frames: int, reason: str) -> AudioError:
    at = format_time(done_frames / info.sample_rate_hz)
    return AudioError(
        info.path,
        f"it is damaged or cut off: decoding ended at about {at} ({info.decoder}: {reason.strip()}). "
        f"Get another copy of it.",
    )


def _finite(info: AudioInfo, blocks: Iterator[Block]) -> Iterator[Block]:
    done = 0
    for block in blocks:
        if not np.isfinite(block).all():
            first = done + int(np.argmin(np.isfinite(block).all(axis=1)))
            raise AudioError(
                info.path,
                f"it holds samples that are not numbers (NaN or infinite), the first at "
                f"{format_time(first / info.sample_rate_hz)}. Export it again from the program that made it.",
            )
        done += len(block)
        yield block


def _resampled(blocks: Iterator[Block], from_hz: int, to_hz: int) -> Iterator[Block]:
    stream = soxr.ResampleStream(from_hz, to_hz, 2, dtype="float32", quality="VHQ")
    for block in blocks:
        yield stream.resample_chunk(block)
    yield stream.resample_chunk(np.empty((0, 2), dtype=np.float32), last=True)


def _reblocked(blocks: Iterator[Block], block_frames: int) -> Iterator[Block]:
    if block_frames < 1:
        raise ValueError(f"block_frames is {block_frames}; it must be 1 or more")
    kept: list[Block] = []
    held = 0
    for block in blocks:
        kept.append(block)
        held += len(block)
        if held < block_frames:
            continue
        joined = np.concatenate(kept)
        whole = held // block_frames * block_frames
        for start in range(0, whole, block_frames):
            yield joined[start : start + block_frames]
        kept, held = [joined[whole:]], held - whole
    if held:
        yield np.concatenate(kept)
