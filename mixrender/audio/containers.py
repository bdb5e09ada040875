"""Reads how a file is built: its path goes in, where it breaks off and how long an MP3 really is come out.

libsndfile plays a WAV, AIFF or Ogg file that was cut off to its end without a word, and an MP3 with a
variable bit rate and no info tag only to the length it guesses from the first frames, often half of it. The
walks below look at headers only, and take some milliseconds.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
Bytes = mmap.mmap | bytes

_SLACK_BYTES = 1024
"""Writers that miscount by a few bytes are forgiven; a copy that broke off lacks more."""

_MP3_KBPS = {  # MPEG-1 and MPEG-2/2.5 layer III (ISO/IEC 11172-3 table B.1, 13818-3)
    True: (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    False: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_MP3_RATES_HZ = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}
_END_MARKS = (b"TAG", b"APETAGEX", b"LYRICSBEGIN")
_CHAIN = 3
"""How many headers must follow each other before bytes count as MP3 frames."""


@dataclass(frozen=True)
class Mp3Frames:
    """What an MP3 holds: its frames of sound, the number its info tag states (None: no tag), samples in each.

    `is_whole` is False when other bytes lie between the frames: the walk ends there.
    """

    count: int
    stated: int | None
    samples_per_frame: int
    sample_rate_hz: int
    is_whole: bool

    @property
    def length_frames(self) -> int:
        """Sample frames of all MP3 frames, encoder delay and padding included."""
        return self.count * self.samples_per_frame

    @property
    def end_s(self) -> float:
        """Where the walk ended, in seconds."""
        return self.length_frames / self.sample_rate_hz


def breaks_off_at_s(path: Path, *, kind: str, sample_rate_hz: int) -> float | None:
    """Time in seconds at which a WAV, AIFF or Ogg file breaks off; None if it is whole, or of another kind.

    `kind` is libsndfile's name of the format.
    """
    walk = _WALKS.get(kind)
    return _mapped(path, lambda data: walk(data, sample_rate_hz)) if walk else None


def mp3_frames(path: Path) -> Mp3Frames | None:
    """The frames of a layer III file, counted; None for other files, and for those in free format."""
    with path.open("rb") as file:
        start = file.read(3)
    if start != b"ID3" and start[:1] not in (b"\xff", b"\0"):
        return None
    return _mapped(path, _walk_mp3)


def begins_with_mp3_frames(data: bytes) -> bool:
    """Whether several layer III frames follow each other from the first byte on."""
    return _next_frame(data, 0) == 0


def _mapped(path: Path, walk: Callable[[Bytes], T]) -> T:
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        return walk(data)


def _walk_riff(data: Bytes, sample_rate_hz: int) -> float | None:
    bytes_per_second, long_size = 0, None
    at = 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        body = at + 8
        if name == b"ds64" and body + 16 <= len(data):
            long_size = struct.unpack_from("<Q", data, body + 8)[0]
        elif name == b"fmt " and body + 12 <= len(data):
            bytes_per_second = struct.unpack_from("<I", data, body + 8)[0]
        elif name == b"data":
            if data[:4] != b"RIFF" and long_size is not None:
                size = long_size
            elif size == 0 or size >= 0x7FFF_0000:  # a length that was never filled in, as in a pipe
                return None
            return _cut_s(len(data) - body, size, bytes_per_second)
        at = body + size + size % 2
    return None


def _cut_s(have_bytes: int, stated_bytes: int, bytes_per_second: float) -> float | None:
    if have_bytes + _SLACK_BYTES >= stated_bytes or not bytes_per_second:
        return None
    return have_bytes / bytes_per_second


def _walk_aiff(data: Bytes, sample_rate_hz: int) -> float | None:
    frames, at = 0, 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], struct.unpack_from(">I", data, at + 4)[0]
        body = at + 8
        if name == b"COMM" and body + 6 <= len(data):
            frames = struct.unpack_from(">I", data, body + 2)[0]
        elif name == b"SSND" and frames and size:
            return _cut_s(len(data) - body, size, size * sample_rate_hz / frames)
        at = body + size + size % 2
    return None


def _walk_ogg(data: Bytes, sample_rate_hz: int) -> float | None:
    """Go from page to page (RFC 3533 section 6); the position of the last whole page tells the time."""
    at, position, is_ended = 0, 0, False
    while at < len(data):
        segments = data[at + 26] if at + 27 <= len(data) else 0
        table = data[at + 27 : at + 27 + segments]
        end = at + 27 + segments + sum(table)
        if data[at : at + 4] != b"OggS" or end > len(data):
            is_junk = is_ended and data.find(b"OggS", at) < 0
            return None if is_junk else position / sample_rate_hz
        granule = struct.unpack_from("<q", data, at + 6)[0]
        position = max(position, granule)
        is_ended = bool(data[at + 5] & 4)
        at = end
    return None


_WALKS: dict[str, Callable[[Bytes, int], float | None]] = {
    "WAV": _walk_riff,
    "WAVEX": _walk_riff,
    "RF64": _walk_riff,
    "AIFF": _walk_aiff,
    "OGG": _walk_ogg,
}


@dataclass(frozen=True)
class _Header:
    size: int
    rate_hz: int
    is_mpeg1: bool
    is_mono: bool


def _header(data: Bytes, at: int) -> _Header | None:
    """The layer III frame header at a byte, or None (ISO/IEC 11172-3 section 2.4.1.3)."""
    if at + 4 > len(data) or data[at] != 0xFF or data[at + 1] & 0xE6 != 0xE2:
        return None
    version, kbps, rate = data[at + 1] >> 3 & 3, data[at + 2] >> 4, data[at + 2] >> 2 & 3
    if version == 1 or kbps in (0, 15) or rate == 3:
        return None
    rate_hz, is_mpeg1 = _MP3_RATES_HZ[version][rate], version == 3
    size = (144 if is_mpeg1 else 72) * _MP3_KBPS[is_mpeg1][kbps] * 1000 // rate_hz + (data[at + 2] >> 1 & 1)
    return _Header(size, rate_hz, is_mpeg1, data[at + 3] >> 6 == 3)


def _walk_mp3(data: Bytes) -> Mp3Frames | None:
    start = _after_id3(data, 0)
    if data[start : start + 4] in (b"fLaC", b"RIFF", b"OggS", b"FORM"):
        return None
    at = _next_frame(data, start)
    first = _header(data, at) if at is not None else None
    if at is None or first is None:
        return None
    has_tag, stated = _info_tag(data, at, first)
    if has_tag:
        at += first.size
    count = 0
    while (header := _header(data, at)) is not None and header.rate_hz == first.rate_hz:
        if at + header.size > len(data):  # the last frame is cut: usual, and no loss
            at = len(data)
            break
        at += header.size
        count += 1
    is_end = data[at : at + 11].startswith(_END_MARKS) or _next_frame(data, at) is None
    return Mp3Frames(count, stated, 1152 if first.is_mpeg1 else 576, first.rate_hz, is_end)


def _after_id3(data: Bytes, at: int) -> int:
    while data[at : at + 3] == b"ID3" and at + 10 <= len(data):
        size = 0
        for byte in data[at + 6 : at + 10]:
            size = size << 7 | byte & 0x7F
        at += 10 + size + (10 if data[at + 5] & 0x10 else 0)
    return at


def _next_frame(data: Bytes, at: int) -> int | None:
    """Where the next frames begin: the first byte from which several headers follow each other."""
    while (at := data.find(b"\xff", at)) >= 0:
        place, length = at, 0
        while length < _CHAIN and (header := _header(data, place)) is not None:
            place += header.size
            length += 1
        if length == _CHAIN or (length and place >= len(data)):
            return at
        at += 1
    return None


def _info_tag(data: Bytes, at: int, header: _Header) -> tuple[bool, int | None]:
    """Whether the first frame is an info tag instead of sound, and the number of frames it states."""
    side = (17 if header.is_mono else 32) if header.is_mpeg1 else (9 if header.is_mono else 17)
    tag = at + 4 + side
    if data[tag : tag + 4] in (b"Xing", b"Info") and tag + 12 <= len(data):
        flags, frames = struct.unpack_from(">II", data, tag + 4)
        return True, frames if flags & 1 and frames else None
    if data[at + 36 : at + 40] == b"VBRI" and at + 54 <= len(data):
        return True, struct.unpack_from(">I", data, at + 50)[0] or None
    return False, None
