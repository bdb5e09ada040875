"""Writes WAV: interleaved samples as bytes go in, a file whose bytes repeat comes out, RF64 above 4 GiB.

libsndfile stamps the time into float WAVs and must be told beforehand that a file will be long; this writer
does neither. Layout: RIFF/WAVE (Microsoft, "Multimedia Programming Interface", 1991), with room for the
`ds64` chunk of RF64 (EBU Tech 3306, 2009) kept by a `JUNK` chunk until the length is known.
"""

from __future__ import annotations

import struct
from pathlib import Path

RIFF_LIMIT_BYTES = 0xFFFF_FFFF
"""The largest size that the 32-bit fields of RIFF can state."""

_DS64_BYTES = 28
_PCM, _IEEE_FLOAT = 1, 3


class WavFile:
    """A stereo WAV file under way: `write` samples, then `close`, which completes the header.

    `bits` is 16, 24 (integers) or 32 (float). `riff_limit_bytes` is where RF64 begins.
    """

    def __init__(
        self, path: Path, *, sample_rate_hz: int, bits: int, riff_limit_bytes: int = RIFF_LIMIT_BYTES
    ):
        self._file = path.open("wb")
        self._is_float = bits == 32
        self._frame_bytes = 2 * bits // 8
        self._riff_limit_bytes = riff_limit_bytes
        self._data_bytes = 0
        code = _IEEE_FLOAT if self._is_float else _PCM
        form = struct.pack(
            "<HHIIHH", code, 2, sample_rate_hz, sample_rate_hz * self._frame_bytes, self._frame_bytes, bits
        )
        head = b"RIFF\0\0\0\0WAVE" + _chunk(b"JUNK", bytes(_DS64_BYTES))
        if self._is_float:  # what is not PCM states the size of its extension, and its length in `fact`
            head += _chunk(b"fmt ", form + b"\0\0") + _chunk(b"fact", bytes(4))
        else:
            head += _chunk(b"fmt ", form)
        self._data_at = len(head) + 8
        self._file.write(head + b"data\0\0\0\0")

    def abandon(self) -> None:
        """Close the file as it is; nothing happens if it is closed."""
        self._file.close()

    def write(self, samples: bytes) -> None:
        """Add whole frames, little-endian, left before right."""
        self._file.write(samples)
        self._data_bytes += len(samples)

    def close(self, *, id3: bytes = b"") -> None:
        """Add the tags, if there are any, complete the header, and close the file."""
        if id3:
            self._file.write(_chunk(b"id3 ", id3))
        riff_bytes = self._file.tell() - 8
        frames = self._data_bytes // self._frame_bytes
        is_long = riff_bytes > self._riff_limit_bytes
        if is_long:
            sizes = struct.pack("<QQQI", riff_bytes, self._data_bytes, frames, 0)
            self._patch(0, b"RF64" + b"\xff" * 4 + b"WAVE" + _chunk(b"ds64", sizes))
        else:
            self._patch(4, struct.pack("<I", riff_bytes))
        if self._is_float:
            self._patch(self._data_at - 12, struct.pack("<I", min(frames, 0xFFFF_FFFF)))
        self._patch(self._data_at - 4, b"\xff" * 4 if is_long else struct.pack("<I", self._data_bytes))
        self._file.close()

    def _patch(self, at: int, data: bytes) -> None:
        self._file.seek(at)
        self._file.write(data)


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)
