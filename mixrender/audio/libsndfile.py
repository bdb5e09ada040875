"""The first decoder, libsndfile: a path goes in, header facts or blocks of sound come out."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import soundfile

from mixrender.audio import containers
from mixrender.audio.containers import Mp3Frames
from mixrender.audio.info import DECODE_FRAMES, AudioInfo, Blocks, damaged

NAME = f"libsndfile {soundfile.__libsndfile_version__}"
"""The decoder with its version."""

_UNKNOWN_FRAMES = 2**48
"""libsndfile gives a greater number as the length of a stream that states none."""

_USUAL_BYTES_PER_S = 100_000
"""What a second of FLAC takes, about: the guess for a stream that states no length."""

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}
"""Bits of a sample by libsndfile's name of its form; lossy forms have none."""

_XIPH_ORDER = {3: (0, 2, 1), 5: (0, 2, 1, 3, 4), 6: (0, 2, 1, 5, 3, 4)}
"""Where each channel of WAV's order lies in Vorbis and Opus (Vorbis I, 4.3.9; RFC 7845, 5.1.1.2); others do
not differ. libsndfile leaves them as they lie."""

_SHORT_FRAMES = 4096
"""Frames that may be missing at the end: formats made of packets pad or drop a part of the last one."""

_MP3_LOST = 2
"""MP3 frames by which an info tag may miscount."""

_MP3_PADDING_FRAMES = 3 * 1152
"""Most frames that an encoder's delay and padding take from an MP3's length."""


class _Sequential(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file that is only read onward.

    soundfile seeks to where it stands after each read of a seekable file; in MP3s with a variable bit rate
    that alters the samples that follow, so that they would depend on the block size.
    """

    def seekable(self) -> bool:
        return False


def _name(path: Path) -> str | bytes:
    """A file's name as soundfile takes it: it stumbles over the text of a name that is no text."""
    return str(path) if sys.platform == "win32" else os.fsencode(path)


def probe(path: Path) -> AudioInfo | None:
    """What libsndfile says of a file; None if it cannot read it, or would not read all of it."""
    mp3 = containers.mp3_frames(path)
    if mp3 is not None and not _is_plain(path, mp3):  # found out first: libsndfile would chat on the terminal
        return None
    try:
        with _Sequential(_name(path)) as file:
            if mp3 is not None and file.frames < mp3.length_frames - _MP3_PADDING_FRAMES:
                return None
            cut_s = containers.breaks_off_at_s(path, kind=file.format, sample_rate_hz=file.samplerate)
            if cut_s is not None:
                raise damaged(path, cut_s, "the file is shorter than it says, or its order is broken")
            frames = file.frames if file.frames < _UNKNOWN_FRAMES else 0
            return AudioInfo(
                path=path,
                sample_rate_hz=file.samplerate,
                channels=file.channels,
                decoder=NAME,
                expected_s=frames / file.samplerate or path.stat().st_size / _USUAL_BYTES_PER_S,
                bits=_BITS.get(file.subtype),
            )
    except (soundfile.LibsndfileError, TypeError):  # TypeError: a name that ends in .raw asks for a rate
        return None


def _is_plain(path: Path, mp3: Mp3Frames) -> bool:
    """Whether an MP3 holds what it states and nothing between its frames; AudioError if it holds less."""
    if mp3.is_whole and mp3.stated is not None and mp3.count < mp3.stated - _MP3_LOST:
        raise damaged(path, mp3.end_s, f"it holds {mp3.count} MP3 frames of {mp3.stated}")
    return mp3.is_whole and (mp3.stated is None or mp3.count <= mp3.stated + _MP3_LOST)


def decode(info: AudioInfo) -> Blocks:
    """The file in blocks of shape (n, channels), to its end; AudioError if it ends before its time.

    Channels come in the order of WAV: left, right, centre, LFE, surround.
    """
    done = 0
    try:
        with _Sequential(_name(info.path)) as file:
            stated = _stated_frames(info.path, file)
            order = _XIPH_ORDER.get(info.channels) if file.subtype in ("VORBIS", "OPUS") else None
            while True:
                block = file.read(out=np.empty((DECODE_FRAMES, info.channels), dtype=np.float32))
                if not len(block):
                    break
                done += len(block)
                yield block if order is None else block[:, order]
    except soundfile.LibsndfileError as error:
        raise damaged(info.path, done / info.sample_rate_hz, str(error.error_string)) from None
    if done < stated - _SHORT_FRAMES:
        missing = (
            f"{(stated - done) / info.sample_rate_hz:.1f} s of sound are missing inside it or at its end"
        )
        raise damaged(info.path, done / info.sample_rate_hz, missing)


def _stated_frames(path: Path, file: _Sequential) -> int:
    """How many frames must come; 0 if the header does not know. For MP3 the header may guess too high."""
    stated = int(file.frames) if file.frames < _UNKNOWN_FRAMES else 0
    mp3 = containers.mp3_frames(path) if file.format == "MP3" else None
    return min(stated, mp3.length_frames) if mp3 else stated
