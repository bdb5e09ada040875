"""The six scores of the demo, and their FLAC files written into a folder."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixrender.audio.atomic import atomic_path
from mixrender.demo.arrange import render
from mixrender.demo.score import Score
from mixrender.demo.scores_club import FERROW, GLASSWORK
from mixrender.demo.scores_drive import ENGINE, PINWHEEL
from mixrender.demo.scores_slow import CARTOGRAPHY, KITE
from mixrender.errors import MachineError
from mixrender.progress import NoProgress, Progress

SCORES: tuple[Score, ...] = (FERROW, GLASSWORK, ENGINE, PINWHEEL, CARTOGRAPHY, KITE)
"""In the order of the mix. Each knows its own truth: `tempo_bpm`, `bar_1_s`, `key`, `grid`, `first_bar`."""

TRACK_FOLDER = "tracks"
SYNTH_VERSION = 1
"""Raised whenever the sound of any voice changes, so that tracks from before are made anew."""


def track_path(folder: Path, score: Score) -> Path:
    """Where the track of a score lies in a demo folder."""
    return folder / TRACK_FOLDER / f"{score.name}.flac"


def make_tracks(
    folder: Path, *, scores: Sequence[Score] = SCORES, progress: Progress | None = None
) -> list[Path]:
    """Write the tracks (24-bit FLAC, tagged) into `folder`/tracks and return their paths in mix order.

    A file that already holds the same track, whole, is left alone. Files appear complete or not at all.
    Raises MachineError where the folder cannot be written.
    """
    paths = [track_path(folder, score) for score in scores]
    total_s = sum(score.duration_s for score in scores)
    with (progress or NoProgress()).task("Synthesising tracks", total_s) as advance:
        for path, score in zip(paths, scores, strict=True):
            if not _is_current(path, score):
                _write(path, score)
            advance(score.duration_s)
    return paths


def _fingerprint(score: Score) -> str:
    """Names the score and the version of the instruments; stands in the file's comment."""
    text = f"{SYNTH_VERSION} {score!r}"
    return hashlib.blake2b(text.encode(), digest_size=12).hexdigest()


def _comment(score: Score, pcm: NDArray[np.int32]) -> str:
    checksum = hashlib.blake2b(pcm.tobytes(), digest_size=12).hexdigest()
    return f"Synthesised by mixrender demo; score {_fingerprint(score)}, sound {checksum}"


def _is_current(path: Path, score: Score) -> bool:
    """Whether the file was made from this score and its sound is as it was written."""
    if not path.is_file():
        return False
    try:
        with soundfile.SoundFile(path) as file:
            comment = str(file.comment)
            if _fingerprint(score) not in comment:
                return False
            return comment == _comment(score, file.read(dtype="int32", always_2d=True))
    except soundfile.LibsndfileError:
        return False


def _write(path: Path, score: Score) -> None:
    sound = render(score)
    pcm = np.round(sound * np.float64(2**23 - 1)).astype(np.int32) << 8  # 24 bits, left-justified
    with atomic_path(path) as partial:
        try:
            _write_flac(partial, score, pcm)
        except (OSError, soundfile.LibsndfileError) as error:
            raise MachineError(
                f"{path}: cannot be written ({error}); choose a folder with room that you may write in"
            ) from error


def _write_flac(path: Path, score: Score, pcm: NDArray[np.int32]) -> None:
    with soundfile.SoundFile(
        path, "w", samplerate=score.sample_rate_hz, channels=2, subtype="PCM_24", format="FLAC"
    ) as file:
        file.title = score.title
        file.artist = score.artist
        file.comment = _comment(score, pcm)
        file.write(pcm)
