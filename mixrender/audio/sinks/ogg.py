"""Vorbis and Opus in Ogg: samples go in; a file whose bytes repeat comes out."""

from __future__ import annotations

import numpy as np
import soundfile

from mixrender.audio.ogg_pages import stamp_serial
from mixrender.audio.sinks.base import Samples, Wish
from mixrender.audio.tags import OutputTags, tag_opus, tag_vorbis

PIECE_FRAMES = 4096
"""libsndfile keeps what it is given at once on its stack, and crashes where that is minutes long."""

VORBIS_QUALITIES = np.arange(0.0, 1.01, 0.1)
VORBIS_KBIT_S = np.array([64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 500], dtype=np.float64)
"""Nominal bit rates of the qualities at 44.1 and 48 kHz in stereo (libvorbis, modes/setup_44.h)."""


class _Ogg:
    """An Ogg file by libsndfile, which numbers the stream at random: in the end it gets its own number."""

    def __init__(self, wish: Wish, *, subtype: str, level: float):
        self._part = wish.part
        self._kept = np.empty((0, 2), dtype=np.float32)
        self._file = soundfile.SoundFile(
            str(wish.part),
            "w",
            wish.sample_rate_hz,
            2,
            format="OGG",
            subtype=subtype,
            compression_level=min(max(level, 0.0), 1.0),
        )

    def __exit__(self, *error: object) -> None:
        self._file.close()

    def write(self, samples: Samples) -> None:
        """Encode frames, always in the same pieces: where pages end follows from them."""
        samples = np.concatenate([self._kept, samples])
        whole = len(samples) // PIECE_FRAMES * PIECE_FRAMES
        for start in range(0, whole, PIECE_FRAMES):
            self._file.write(samples[start : start + PIECE_FRAMES])
        self._kept = samples[whole:].copy()

    def _close(self) -> None:
        self._file.write(self._kept)
        self._file.close()


class Vorbis(_Ogg):
    """Vorbis of a quality whose nominal bit rate is the wished one; the true rate follows the sound."""

    def __init__(self, wish: Wish):
        quality = float(np.interp(wish.kbit_s, VORBIS_KBIT_S, VORBIS_QUALITIES))
        super().__init__(wish, subtype="VORBIS", level=1.0 - quality)

    def __enter__(self) -> Vorbis:
        return self

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
        self._close()
        if tags:
            tag_vorbis(self._part, tags)
        stamp_serial(self._part)


class Opus(_Ogg):
    """Opus with a variable bit rate around the wished one."""

    def __init__(self, wish: Wish):
        # Levels of compression 1 to 0 span 6 to 256 kbit/s for each channel (libsndfile, ogg_opus.c).
        super().__init__(wish, subtype="OPUS", level=1.0 - (wish.kbit_s / 2.0 - 6.0) / 250.0)

    def __enter__(self) -> Opus:
        return self

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
        self._close()
        if tags:
            tag_opus(self._part, tags)
        stamp_serial(self._part)
