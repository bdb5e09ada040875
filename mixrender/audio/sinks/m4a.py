"""AAC in M4A by ffmpeg: samples go in; a file whose edit list states the exact length comes out.

AAC has packets of 1024 frames, so the last one is filled up, and the first is there for the decoder to begin
with. The edit list (ISO/IEC 14496-12, 8.6.6) says what of them is to be played. When ffmpeg decodes the file
it leaves out the first packet but gives all of the last, up to 1023 frames more than were written; it heeds
neither the end of the edit nor an `iTunSMPB` tag. So what is measured of a mix ends where the edit does.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import os
import re
import signal

from mixrender.audio import programs
from mixrender.audio.sinks.base import Samples, Wish
from mixrender.audio.tags import OutputTags, tag_m4a
from mixrender.errors import ToolError

_FULL = {"No space left on device": errno.ENOSPC, "File too large": errno.EFBIG}
"""What ffmpeg says where the system would not let it write."""

_WROTE_TOO_MUCH = {-int(getattr(signal, name)) for name in ("SIGXFSZ",) if hasattr(signal, name)}
"""The status of a program that was ended for writing more than its user may; Windows has none."""


def require_aac() -> None:
    """Raise ToolError, with how to install it, where there is no ffmpeg that encodes AAC."""
    path = programs.ffmpeg()
    if not _encodes_aac(str(path)):
        raise ToolError(
            f"{path} has no encoder for AAC, so M4A cannot be written. Install a complete ffmpeg, or choose "
            f"another format.\n{programs.install_lines('ffmpeg')}"
        )


@functools.lru_cache(maxsize=4)  # asking starts a process, and the answer cannot change during a run
def _encodes_aac(path: str) -> bool:
    said = programs.run([path, "-hide_banner", "-encoders"], timeout_s=30.0).stdout
    return re.search(rb"^\s*A\S*\s+aac\s", said, re.MULTILINE) is not None


class M4a:
    """The AAC encoder of ffmpeg, low complexity profile, fed through a pipe."""

    def __init__(self, wish: Wish):
        require_aac()
        self._part = wish.part
        self._context = contextlib.ExitStack()
        args = [str(programs.ffmpeg()), "-nostdin", "-v", "error", "-y"]
        args += ["-f", "f32le", "-ar", str(wish.sample_rate_hz), "-ac", "2", "-i", "pipe:0"]
        # No version and no time in the file: its bytes repeat.
        args += ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact"]
        args += ["-c:a", "aac", "-b:a", f"{wish.kbit_s}k"]
        # The edit list counts in this: in milliseconds, ffmpeg's own choice, the end would not be exact.
        args += ["-movie_timescale", str(wish.sample_rate_hz)]
        args += ["-f", "ipod", f"file:{wish.part.absolute()}"]
        self._child = self._context.enter_context(programs.started(args, takes_input=True))

    def __enter__(self) -> M4a:
        return self

    def __exit__(self, *error: object) -> None:
        self._context.close()

    def write(self, samples: Samples) -> None:
        """Encode frames."""
        assert self._child.process.stdin is not None
        try:
            self._child.process.stdin.write(samples.tobytes())
        except OSError:  # ffmpeg has ended
            self._child.process.wait()
            raise self._fault() from None

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Let ffmpeg end, and tag the file."""
        assert self._child.process.stdin is not None
        with contextlib.suppress(OSError):  # ffmpeg has ended already: its status says why
            self._child.process.stdin.close()
        if self._child.process.wait() != 0:
            raise self._fault()
        self._context.close()
        if tags:
            tag_m4a(self._part, tags)

    def _fault(self) -> Exception:
        lines = self._child.last_lines()
        if self._child.process.returncode in _WROTE_TOO_MUCH:
            return OSError(errno.EFBIG, os.strerror(errno.EFBIG))
        for words, number in _FULL.items():
            if any(words in line for line in lines):
                return OSError(number, os.strerror(number))
        said = "\n".join(f"  {line}" for line in lines) or "  (it said nothing)"
        return ToolError(f"ffmpeg could not encode the M4A. It said:\n{said}")
