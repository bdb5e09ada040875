"""The second decoder, ffmpeg, for what libsndfile cannot read: a path goes in, facts or blocks come out."""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from mixrender.audio import containers, programs
from mixrender.audio.info import DECODE_FRAMES, AudioInfo, Blocks, damaged
from mixrender.errors import AudioError, ToolError

_STATING_FORMATS = ("mov", "asf", "matroska", "ape", "wv", "tta", "caf")
"""Containers, as ffprobe names them, whose length is written down rather than guessed from the bit rate."""

_STRICT = ("-nostdin", "-v", "error", "-xerror", "-protocol_whitelist", "file")
"""Errors end the decoding: ffmpeg alone would leave out what is broken, and all that follows would shift.
Playlists that call themselves audio may not fetch anything."""

_SHORT_S = 0.5
"""Seconds that may be missing from a stated length: whole packets, and what an encoder added."""


def name() -> str:
    """The decoder with its version; ToolError if there is no ffmpeg."""
    return f"ffmpeg {programs.version('ffmpeg', programs.ffmpeg())}"


def probe(path: Path) -> AudioInfo:
    """What ffprobe says of a file; AudioError if it finds no sound in it, ToolError if there is no ffmpeg."""
    try:
        decoder = name()
        found = _media_info(path)
    except ToolError as error:
        raise ToolError(
            f"{path}: reading it needs ffmpeg; only WAV, AIFF, FLAC, Ogg and plain MP3 do without.\n{error}"
        ) from error
    streams = [stream for stream in found.get("streams", ()) if stream.get("codec_type") == "audio"]
    if not streams or not int(streams[0].get("sample_rate") or 0) or not int(streams[0].get("channels") or 0):
        raise AudioError(path, "it is not an audio file, or it is damaged: no sound was found in it.")
    stream = streams[0]
    form = found.get("format", {})
    mp3 = containers.mp3_frames(path)  # of an MP3 that came here, ffprobe guesses the length as well
    duration_s = mp3.end_s if mp3 else float(stream.get("duration") or form.get("duration") or 0.0)
    return AudioInfo(
        path=path,
        sample_rate_hz=int(stream["sample_rate"]),
        channels=int(stream["channels"]),
        decoder=decoder,
        expected_s=duration_s,
        is_length_stated=str(form.get("format_name")).startswith(_STATING_FORMATS),
    )


def _media_info(path: Path) -> dict[str, Any]:
    with warnings.catch_warnings():
        # pydub warns on import where no ffmpeg is on PATH and of its own regular expressions. It is imported
        # here because most files never need it.
        warnings.simplefilter("ignore")
        import pydub.utils
    # pydub looks in the current folder and on PATH alone; MIXRENDER_FFPROBE must count as well.
    pydub.utils.get_prober_name = lambda: str(programs.ffprobe())
    try:
        return dict(pydub.utils.mediainfo_json(str(path.absolute())))
    except ToolError:
        raise
    except Exception:  # pydub stumbles over what ffprobe says of files that are no media
        return {}


def decode(info: AudioInfo) -> Blocks:
    """The file in blocks of shape (n, channels), to its end; AudioError with the first fault found."""
    args: list[str | Path] = [programs.ffmpeg(), *_STRICT, "-i", f"file:{info.path.absolute()}"]
    args += ["-map", "0:a:0", "-ac", str(info.channels), "-ar", str(info.sample_rate_hz)]
    args += ["-f", "f32le", "pipe:1"]
    done = 0
    with programs.started(args) as child:
        assert child.process.stdout is not None
        while data := child.process.stdout.read(DECODE_FRAMES * 4 * info.channels):
            whole = len(data) // (4 * info.channels) * 4 * info.channels
            block = np.frombuffer(data[:whole], dtype="<f4").reshape(-1, info.channels)
            done += len(block)
            yield block.astype(np.float32, copy=False)
        if child.process.wait() != 0:
            raise damaged(info.path, done / info.sample_rate_hz, _without_address(child.last_lines()))
    if info.is_length_stated and done / info.sample_rate_hz < info.expected_s - _SHORT_S:
        missing = f"the file states {info.expected_s:.1f} s"
        raise damaged(info.path, done / info.sample_rate_hz, missing)


def _without_address(lines: list[str]) -> str:
    """The last line without the place in memory that ffmpeg puts before it, which differs each time."""
    return re.sub(r"^\[(\S+) @ \w+\]", r"ffmpeg, \1:", lines[-1]) if lines else "ffmpeg failed"
