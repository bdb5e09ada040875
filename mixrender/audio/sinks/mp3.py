"""MP3 of a constant bit rate: samples go in; a file whose info tag states delay and length comes out."""

from __future__ import annotations

import soundfile

from mixrender.audio.sinks.base import Samples, Wish
from mixrender.audio.tags import OutputTags, tag_mp3

_LOWEST_KBIT_S, _HIGHEST_KBIT_S = 32.0, 320.0
"""What libsndfile's levels of compression, 1 to 0, span at the rates of MPEG-1 (its mpeg_l3_encode.c)."""


class Mp3:
    """The encoder in libsndfile, LAME. Info tag and ID3v2.3 stand before the sound."""

    def __init__(self, wish: Wish):
        self._part = wish.part
        level = (_HIGHEST_KBIT_S - wish.kbit_s) / (_HIGHEST_KBIT_S - _LOWEST_KBIT_S)
        self._file = soundfile.SoundFile(
            str(wish.part),
            "w",
            wish.sample_rate_hz,
            2,
            format="MP3",
            bitrate_mode="CONSTANT",
            compression_level=level,
        )

    def __enter__(self) -> Mp3:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.close()

    def write(self, samples: Samples) -> None:
        """Encode frames."""
        self._file.write(samples)

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
        self._file.close()
        if tags:
            tag_mp3(self._part, tags, duration_s)
