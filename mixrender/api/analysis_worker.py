"""Run as a program: lines that name audio files in, each analysed into the library, for each a line out.

A line in is a path as a JSON text; a line out is what `fault_lines.to_line` makes of the fault, or of none.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from pathlib import Path
from typing import TextIO

from mixrender.api.fault_lines import to_line
from mixrender.api.workers import READY
from mixrender.audio.cache import Cache
from mixrender.audio.quiet_libraries import hush_libraries
from mixrender.errors import AudioError, MixrenderError, write_details


def main() -> None:
    """Say that all is loaded, and answer line after line until the input ends."""
    answers = _answers()
    hush_libraries()
    # All that takes time to load is loaded once, before the first file.
    import mixrender.analysis.library
    import mixrender.analysis.track  # noqa: F401

    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(lines,), daemon=True).start()
    cache = Cache()
    print(READY, file=answers, flush=True)
    while True:
        file = Path(json.loads(lines.get()))
        print(to_line(_fault_of(file, cache)), file=answers, flush=True)


def _answers() -> TextIO:
    """The output for answers alone: what libraries print goes where their complaints go."""
    own = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)
    return own


def _listen(lines: queue.SimpleQueue[str]) -> None:
    """Pass on the input; when it ends, nobody waits for answers any more, whatever is being worked on."""
    for line in sys.stdin:
        lines.put(line)
    os._exit(0)


def _fault_of(file: Path, cache: Cache) -> MixrenderError | None:
    from mixrender.analysis.library import analyze_file  # loaded by `main`

    try:
        analyze_file(file, cache=cache)
    except MixrenderError as fault:
        return fault
    except Exception as error:  # one odd file must not stop the search through a thousand others
        return AudioError(
            file,
            f"it could not be analysed, by a fault of mixrender itself: {type(error).__name__}: {error}; "
            f"details in {write_details()}",
        )
    return None


if __name__ == "__main__":
    main()
