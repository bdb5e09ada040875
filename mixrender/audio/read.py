"""Reads sound: the path of an audio file goes in, stereo blocks at any sample rate come out."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from pathlib import Path

import numpy as np
import soxr

from mixrender.audio import ffmpeg, libsndfile
from mixrender.audio.access import require_file
from mixrender.audio.info import AudioInfo, Block
from mixrender.errors import AudioError, ToolError
from mixrender.units import format_time

__all__ = [
    "AudioInfo",
    "Block",
    "channel_blocks",
    "decoder_in",
    "is_present",
    "probe",
    "read_blocks",
    "reader_of",
]


def probe(path: Path, *, most_channels: int | None = 2) -> AudioInfo:
    """Header facts of an audio file, and the decoder that will read it: libsndfile, else ffmpeg.

    Raises AudioError if the file is missing, is no audio, or has more than `most_channels` channels (None:
    any number will do); ToolError if it needs ffmpeg and there is none.
    """
    path = Path(path)
    require_file(path)
    info = libsndfile.probe(path) or ffmpeg.probe(path)
    if most_channels is not None and info.channels > most_channels:
        raise AudioError(
            path,
            f"it has {info.channels} channels; only mono and stereo can be mixed. "
            f'Fold it down to stereo first, for instance with: ffmpeg -i "{path.name}" -ac 2 "stereo.flac"',
        )
    return info


def reader_of(decoder: str) -> str:
    """The programs by which a file came to be read by `decoder`: itself, and what was tried before it."""
    return decoder if decoder.startswith("libsndfile") else f"{decoder}, {libsndfile.NAME}"


def decoder_in(reader: str) -> str:
    """The decoder in what `reader_of` gave."""
    return reader.split(", ")[0]


def is_present(reader: str) -> bool:
    """Whether the programs that read a file are here in the same versions, to give the same samples."""
    decoder = decoder_in(reader)
    try:
        now = libsndfile.NAME if decoder.startswith("libsndfile") else ffmpeg.name()
    except ToolError:
        return False
    return reader == reader_of(now)


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
    blocks = _stereo(channel_blocks(info))
    if sample_rate_hz is not None and sample_rate_hz != info.sample_rate_hz:
        blocks = _resampled(blocks, info.sample_rate_hz, sample_rate_hz)
    yield from _reblocked(blocks, block_frames)


def channel_blocks(info: AudioInfo) -> Generator[Block]:
    """The whole file as it was decoded: blocks of shape (n, channels), float32, at its own rate.

    More than two channels come in the order of WAV: left, right, centre, LFE, left and right surround.
    Raises AudioError if the file cannot be used, holds nothing or breaks off.
    """
    is_sndfile = info.decoder.startswith("libsndfile")
    blocks = libsndfile.decode(info) if is_sndfile else ffmpeg.decode(info)
    total = 0
    for block in _finite(info, blocks):
        total += len(block)
        yield block
    if total == 0:
        raise AudioError(info.path, "it holds no sound (no frames).")


def _stereo(blocks: Iterator[Block]) -> Iterator[Block]:
    for block in blocks:
        yield np.repeat(block, 2, axis=1) if block.shape[1] == 1 else block


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
