"""Lossless files: samples go in; WAV (whole numbers or floats), AIFF or FLAC comes out."""

from __future__ import annotations

import numpy as np
import soundfile

from mixrender.audio.sinks.base import Samples, Wish
from mixrender.audio.tags import OutputTags, id3_bytes, tag_aiff, tag_flac
from mixrender.audio.wav import WavFile
from mixrender.errors import InputError
from mixrender.formats import FORMATS

HEAD_BYTES = 1 << 20
"""What is kept free in an AIFF for all but the sound: chunks, and a cover of this size."""


class Wav:
    """WAV by our own writer: RF64 where it gets long, and no time stamp in floats."""

    def __init__(self, wish: Wish):
        self._bits = wish.bits
        bits = 32 if wish.bits == "float" else int(wish.bits)
        self._file = WavFile(wish.part, sample_rate_hz=wish.sample_rate_hz, bits=bits)

    def __enter__(self) -> Wav:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.abandon()

    def write(self, samples: Samples) -> None:
        """Write frames, the lowest byte first."""
        if self._bits == "24":  # three of the four bytes
            low_bytes = samples.reshape(-1, 1).view(np.uint8)[:, :3]
            self._file.write(low_bytes.tobytes())
        else:
            self._file.write(samples.astype("<i2" if self._bits == "16" else "<f4", copy=False).tobytes())

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, with an ID3 chunk."""
        self._file.close(id3=id3_bytes(tags, duration_s) if tags else b"")


class _Integers:
    """What libsndfile writes as whole numbers: it wants the bits at the top of 32."""

    def __init__(self, wish: Wish, *, format: str):
        self._part = wish.part
        self._shift = 32 - int(wish.bits)
        subtype = f"PCM_{wish.bits}"
        self._file = soundfile.SoundFile(
            str(wish.part), "w", wish.sample_rate_hz, 2, format=format, subtype=subtype
        )

    def __exit__(self, *error: object) -> None:
        self._file.close()

    def write(self, samples: Samples) -> None:
        """Write frames."""
        self._file.write(np.left_shift(samples, self._shift))


class Flac(_Integers):
    """FLAC, with Vorbis comments."""

    def __init__(self, wish: Wish):
        super().__init__(wish, format="FLAC")

    def __enter__(self) -> Flac:
        return self

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
        self._file.close()
        if tags:
            tag_flac(self._part, tags)


class Aiff(_Integers):
    """AIFF, with an ID3 chunk; its size has a limit, as the format states it in 32 bits."""

    def __init__(self, wish: Wish, *, largest_bytes: int | None = FORMATS["aiff"].largest_bytes):
        super().__init__(wish, format="AIFF")
        self._frame_bytes = 2 * int(wish.bits) // 8
        self._room_bytes = (largest_bytes or 0) - HEAD_BYTES

    def __enter__(self) -> Aiff:
        return self

    def write(self, samples: Samples) -> None:
        """Write frames; InputError where the file would become too long for its format."""
        self._room_bytes -= len(samples) * self._frame_bytes
        if self._room_bytes < 0:
            raise InputError("AIFF ends at 4 GiB, and this is longer; write `format: wav` or `format: flac`")
        super().write(samples)

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
        self._file.close()
        if tags:
            tag_aiff(self._part, tags, duration_s)
