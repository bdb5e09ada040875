"""Audio files of any kind: find them in folders, measure their loudness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from mixrender.audio.read import probe, read_blocks
from mixrender.errors import InputError, MixrenderError
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.progress import NoProgress, Progress

AUDIO_SUFFIXES = frozenset(
    [
        ".wav",
        ".wave",
        ".aif",
        ".aiff",
        ".aifc",
        ".flac",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".m4a",
        ".mp4",
        ".aac",
        ".alac",
        ".wma",
        ".caf",
        ".w64",
        ".rf64",
    ]
)
"""What is taken for audio in a folder; a file that is named is tried whatever it is called."""


def audio_files(paths: Sequence[Path]) -> list[Path]:
    """Files as they are given, and the audio files in the folders among them, in order of their names."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in AUDIO_SUFFIXES and p.is_file())
            if not inside:
                raise InputError(f"{path}: no audio file was found in this folder")
            found.extend(inside)
        else:
            found.append(path)
    return found


def measure_loudness(file: Path | str, *, progress: Progress | None = None) -> Loudness:
    """The loudness of one audio file by ITU-R BS.1770-5; figures that cannot be measured are None.

    Raises AudioError if the file cannot be used.
    """
    file = Path(file)
    info = probe(file)
    meter = Meter(sample_rate_hz=info.sample_rate_hz, channels=min(info.channels, 2))
    with (progress or NoProgress()).task(f"Measuring {file.name}", total=info.expected_s) as advance:
        for block in read_blocks(file):
            meter.push(block[:, : min(info.channels, 2)])
            advance(len(block) / info.sample_rate_hz)
    return meter.result()


def measure_many(
    files: Sequence[Path], *, progress: Progress | None = None
) -> Iterator[tuple[Path, Loudness | MixrenderError]]:
    """The loudness of each file, folders being searched; a file that cannot be used yields its fault."""
    for file in audio_files(files):
        try:
            yield file, measure_loudness(file, progress=progress)
        except InputError as fault:
            yield file, fault
