"""The path of an audio file in, the hash of its sound out: the same whatever its tags and pictures say.

The rule for what is left out: the decoded samples must follow from what is hashed. So of FLAC, WAV, AIFF and
MP3 the tags are left out, whose place in the file is certain, and of everything else, files of those kinds
included that are not built as they should be, all bytes are hashed.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from mixrender.audio.access import faults_named, require_file
from mixrender.audio.containers import begins_with_mp3_frames

_CHUNK_BYTES = 1 << 20
_MP3_START_BYTES = 1 << 14
_LONG_SIZE = 0xFFFF_FFFF
"""What a chunk of RF64 states as its size when the size stands elsewhere."""


@dataclass(frozen=True)
class Span:
    """Bytes `start` to `stop` (exclusive) of a file."""

    start: int
    stop: int


@dataclass(frozen=True)
class _File:
    """Bytes of an open file from any place."""

    file: BinaryIO
    size: int

    def at(self, start: int, count: int) -> bytes:
        """Up to `count` bytes from `start` on; none before the beginning or after the end."""
        if start < 0:
            return b""
        self.file.seek(start)
        return self.file.read(count)


def content_hash(path: Path) -> str:
    """BLAKE2b of the sound in a file, 32 hexadecimal digits; AudioError if the file cannot be read.

    Of FLAC count STREAMINFO and the frames; of WAV, RF64 and BW64 the chunks `fmt `, `fact` and `data`; of
    AIFF `COMM` and `SSND`; of MP3 what lies between the ID3v2 tags at the start and the ID3v1, APEv2,
    Lyrics3 and ID3v2 tags at the end, the encoder's info frame included. Of all others every byte.
    """
    path = Path(path)
    require_file(path)
    with faults_named(path), path.open("rb") as opened:
        file = _File(opened, opened.seek(0, 2))
        for kind, find in _KINDS.items():
            spans = find(file)
            if spans:
                return _digest(file, spans, kind)
        return _digest(file, [Span(0, file.size)], b"")


def whole_file_hash(path: Path) -> str:
    """BLAKE2b of all bytes of a file, 32 hexadecimal digits; AudioError if the file cannot be read."""
    path = Path(path)
    require_file(path)
    with faults_named(path), path.open("rb") as opened:
        file = _File(opened, opened.seek(0, 2))
        return _digest(file, [Span(0, file.size)], b"")


def _digest(file: _File, spans: list[Span], kind: bytes) -> str:
    digest = hashlib.blake2b(digest_size=16, person=kind)
    for span in spans:
        file.file.seek(span.start)
        left = span.stop - span.start
        while left and (chunk := file.file.read(min(_CHUNK_BYTES, left))):
            digest.update(chunk)
            left -= len(chunk)
    return digest.hexdigest()


def _flac_sound(file: _File) -> list[Span] | None:
    """STREAMINFO and the frames (RFC 9639 sections 8.1, 8.2 and 9)."""
    start = _after_id3v2(file)
    if start is None or file.at(start, 4) != b"fLaC":
        return None
    at, is_last, info = start + 4, False, None
    while not is_last:
        header = file.at(at, 4)
        if len(header) < 4:
            return None
        is_last, kind = bool(header[0] & 0x80), header[0] & 0x7F
        size = int.from_bytes(header[1:], "big")
        if (kind == 0) != (info is None) or (kind == 0 and size != 34):
            return None
        info = info or Span(at + 4, at + 4 + size)
        at += 4 + size
    if info is None or file.at(at, 2) not in (b"\xff\xf8", b"\xff\xf9"):
        return None
    return [info, Span(at, file.size)]


def _wav_sound(file: _File) -> list[Span] | None:
    """The chunks of RIFF WAVE, RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088) that make the samples."""
    head = file.at(0, 12)
    if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return None
    return _chunks(file, "<I", wanted=(b"fmt ", b"data", b"fact"), needed=(b"fmt ", b"data"))


def _aiff_sound(file: _File) -> list[Span] | None:
    """The chunks of AIFF and AIFF-C (Apple, 1989 and 1991) that make the samples."""
    head = file.at(0, 12)
    if head[:4] != b"FORM" or head[8:] not in (b"AIFF", b"AIFC"):
        return None
    return _chunks(file, ">I", wanted=(b"COMM", b"SSND"), needed=(b"COMM", b"SSND"))


def _chunks(
    file: _File, size_format: str, *, wanted: tuple[bytes, ...], needed: tuple[bytes, ...]
) -> list[Span] | None:
    """The wanted chunks, headers included; None unless chunk follows chunk right to the end of the file."""
    found: dict[bytes, Span] = {}
    at, long_bytes = 12, None
    while at < file.size:
        header = file.at(at, 8)
        if len(header) < 8:
            return None
        name, size = header[:4], struct.unpack(size_format, header[4:])[0]
        if name == b"ds64":
            long_bytes = int.from_bytes(file.at(at + 16, 8), "little")
        if name == b"data" and size == _LONG_SIZE and long_bytes:
            size = long_bytes
        stop = at + 8 + size
        if stop > file.size or name in found or (name in needed and not size):
            return None
        if name in wanted:
            found[name] = Span(at, stop)
        at = stop + size % 2
    return list(found.values()) if found.keys() >= set(needed) else None


def _mp3_sound(file: _File) -> list[Span] | None:
    """What lies between the tags, if frames begin there at once."""
    start = _after_id3v2(file)
    if start is None or not begins_with_mp3_frames(file.at(start, _MP3_START_BYTES)):
        return None
    stop = file.size
    while tag_bytes := max(find(file, stop) for find in _END_TAGS):
        stop -= tag_bytes
        if stop <= start:
            return None
    return [Span(start, stop)]


def _after_id3v2(file: _File) -> int | None:
    """Where the ID3v2 tags at the start end (ID3v2.4.0 structure, section 3.1); None if one is broken."""
    at = 0
    while len(header := file.at(at, 10)) == 10 and header[:3] == b"ID3":
        size = _syncsafe(header[6:])
        if size is None:
            return None
        at += 10 + size + (10 if header[5] & 0x10 else 0)
    return at if at < file.size else None


def _syncsafe(four: bytes) -> int | None:
    if any(byte & 0x80 for byte in four):
        return None
    return four[0] << 21 | four[1] << 14 | four[2] << 7 | four[3]


def _id3v1_bytes(file: _File, stop: int) -> int:
    """Size of the ID3v1 tag that ends at `stop`, with the extension before it; 0 if there is none."""
    if file.at(stop - 128, 3) != b"TAG":
        return 0
    return 128 + 227 if file.at(stop - 128 - 227, 4) == b"TAG+" else 128


def _ape_bytes(file: _File, stop: int) -> int:
    """Size of the APE tag that ends at `stop` (APEv2 specification: the footer states it)."""
    footer = file.at(stop - 32, 32)
    if footer[:8] != b"APETAGEX":
        return 0
    version, size, _, flags = struct.unpack("<4I", footer[8:24])
    has_header = version >= 2000 and bool(flags & 0x8000_0000)
    total = size + (32 if has_header else 0)
    is_whole = not has_header or file.at(stop - total, 8) == b"APETAGEX"
    return total if size >= 32 and total <= stop and is_whole else 0


def _lyrics3_bytes(file: _File, stop: int) -> int:
    """Size of the Lyrics3 tag that ends at `stop`: version 2 states it, version 1 is at most 5100 bytes."""
    mark = file.at(stop - 9, 9)
    if mark == b"LYRICS200":
        digits = file.at(stop - 15, 6)
        total = int(digits) + 15 if digits.isdigit() else 0
        return total if total and file.at(stop - total, 11) == b"LYRICSBEGIN" else 0
    if mark == b"LYRICSEND":
        room = min(stop, 5100 + 20)
        begin = file.at(stop - room, room).rfind(b"LYRICSBEGIN")
        return room - begin if begin >= 0 else 0
    return 0


def _id3v2_end_bytes(file: _File, stop: int) -> int:
    """Size of the ID3v2.4 tag that ends at `stop`, known by its footer."""
    footer = file.at(stop - 10, 10)
    size = _syncsafe(footer[6:]) if footer[:3] == b"3DI" else None
    return size + 20 if size is not None and file.at(stop - size - 20, 3) == b"ID3" else 0


_END_TAGS: tuple[Callable[[_File, int], int], ...] = (
    _id3v1_bytes,
    _ape_bytes,
    _lyrics3_bytes,
    _id3v2_end_bytes,
)

_KINDS: dict[bytes, Callable[[_File], list[Span] | None]] = {
    b"flac": _flac_sound,
    b"wav": _wav_sound,
    b"aiff": _aiff_sound,
    b"mp3": _mp3_sound,
}
