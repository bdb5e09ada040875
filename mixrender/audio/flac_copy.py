"""A file of whole numbers in, the same samples as FLAC, which more programs play, out."""

from __future__ import annotations

from pathlib import Path

import soundfile

from mixrender.audio.atomic import atomic_path, writing

BLOCK_FRAMES = 1 << 18


def copy_as_flac(source: Path, target: Path) -> None:
    """Write the samples of `source`, of 16 or 24 bits, to `target`, all or nothing; not one differs.

    Raises MachineError if it cannot be written, or `source` cannot be read any more.
    """
    with (
        atomic_path(target) as part,
        writing(target),
        soundfile.SoundFile(source) as sound,
        soundfile.SoundFile(
            part, "w", sound.samplerate, sound.channels, sound.subtype, format="FLAC"
        ) as copy,
    ):
        for block in sound.blocks(BLOCK_FRAMES, dtype="int32"):
            copy.write(block)
