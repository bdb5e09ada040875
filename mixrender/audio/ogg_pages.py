"""An Ogg file of one stream goes in; the same comes out with a serial number that follows from its content.

Encoders choose the number at random, as streams that are joined must not share one (RFC 3533, section 4).
A checksum of the content tells streams apart as well, and repeats.
"""

from __future__ import annotations

import errno
import mmap
import os
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

_SERIAL_AT, _CHECKSUM_AT, _COUNT_AT = 14, 22, 26
_END_OF_STREAM = 4
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def stamp_serial(path: Path) -> None:
    """Give every page of a file a serial number made of all that the pages hold.

    Raises OSError if the file does not end with the end of its stream: then the encoder could not write it
    all, which libsndfile does not say.
    """
    if path.stat().st_size == 0:
        raise _unfinished()
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 0) as data:
        serial = 0
        for begin, end in _pages(data):
            serial = zlib.crc32(data[begin + _COUNT_AT : end], serial)
        for begin, end in _pages(data):
            page = bytearray(data[begin:end])
            struct.pack_into("<I", page, _SERIAL_AT, serial)
            struct.pack_into("<I", page, _CHECKSUM_AT, 0)
            struct.pack_into("<I", page, _CHECKSUM_AT, checksum(bytes(page)))
            data[begin:end] = bytes(page)


def checksum(page: bytes) -> int:
    """The checksum of a page whose own field is zero: CRC of 0x04C11DB7, the highest bit first (RFC 3533, 6).

    zlib has the same polynomial with the lowest bit first, so bits are turned round before and after.
    """
    found = zlib.crc32(page.translate(_REVERSED), 0xFFFF_FFFF) ^ 0xFFFF_FFFF
    return int.from_bytes(found.to_bytes(4, "little").translate(_REVERSED), "big")


def _pages(data: mmap.mmap) -> Iterator[tuple[int, int]]:
    """Where each page begins and ends."""
    at, is_ended = 0, False
    while at < len(data):
        count = data[at + _COUNT_AT] if at + _COUNT_AT < len(data) else 0
        end = at + _COUNT_AT + 1 + count + sum(data[at + _COUNT_AT + 1 : at + _COUNT_AT + 1 + count])
        if data[at : at + 4] != b"OggS" or end > len(data):
            break
        is_ended = bool(data[at + 5] & _END_OF_STREAM)
        yield at, end
        at = end
    if at != len(data) or not is_ended:
        raise _unfinished()


def _unfinished() -> OSError:
    return OSError(errno.EIO, os.strerror(errno.EIO))
