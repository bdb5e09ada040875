"""Audio files in, the facts or the fault of each out, in their order; several processes hear what is new."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Generator, Sequence
from contextlib import closing
from pathlib import Path

from mixrender.api import fault_lines, workers
from mixrender.audio.cache import Cache
from mixrender.errors import AudioError, InputError, MachineError, MixrenderError, ToolError
from mixrender.facts import TrackFacts
from mixrender.progress import Progress

MOST_JOBS = 8
"""Processes at most unless more are asked for: beyond that, disks and memory are the limit."""

_KILLED = f"signal {getattr(signal, 'SIGKILL', 9)}"
_WORKER = "mixrender.api.analysis_worker"

Outcome = TrackFacts | MixrenderError


def usual_jobs() -> int:
    """How many processes analyse at once unless told: one for each processor, up to MOST_JOBS."""
    available = getattr(os, "sched_getaffinity", None)
    return min(len(available(0)) if available else os.cpu_count() or 1, MOST_JOBS)


def analyze_all(
    files: Sequence[Path], *, cache: Cache, progress: Progress, jobs: int | None = None
) -> Generator[tuple[Path, Outcome]]:
    """The facts of each file in the order given; a file that cannot be used yields its fault.

    Files that are known cost a look at their size and times. One alone that is not is analysed in this
    process, several in up to `jobs` others; each is kept as soon as it is done, so that a search that is
    broken off goes on where it stopped. Raises MachineError if the library cannot be used.
    """
    # The library imports what half of the commands do without.
    from mixrender.analysis.library import analyze_file, is_known

    new = [index for index, file in enumerate(files) if not is_known(file, cache=cache)]
    apart = set(_first_of_each(new, files) if len(new) > 1 else ())
    faults: dict[int, MixrenderError | None] = {}
    with closing(_analyzed_apart(files, sorted(apart), cache, progress, jobs or usual_jobs())) as done:
        for index, file in enumerate(files):
            while index in apart and index not in faults:
                finished, fault = next(done)
                faults[finished] = fault
            try:
                yield file, faults.pop(index, None) or analyze_file(file, cache=cache, progress=progress)
            except (InputError, ToolError) as own_fault:
                yield file, own_fault


def _first_of_each(indices: Sequence[int], files: Sequence[Path]) -> list[int]:
    """The indices without those of files that come a second time."""
    first: dict[Path, int] = {}
    for index in indices:
        first.setdefault(files[index].absolute(), index)
    return list(first.values())


def _analyzed_apart(
    files: Sequence[Path], indices: Sequence[int], cache: Cache, progress: Progress, jobs: int
) -> Generator[tuple[int, MixrenderError | None]]:
    """Have the files at these indices analysed into the library by other processes; indices as they come."""
    if not indices:
        return
    lines = [json.dumps(str(files[index].absolute())) for index in indices]
    environment = {"MIXRENDER_CACHE": str(cache.root), "MIXRENDER_LIBRARY": str(cache.library_path)}
    answers = workers.answers(_WORKER, lines, processes=jobs, environment=environment)
    label = f"Analysing {len(indices)} tracks"
    with closing(answers), progress.task(label, total=len(indices), counted=True) as advance:
        for answer in answers:
            index = indices[answer.index]
            advance(1.0)
            yield index, _fault(files[index], answer)


def _fault(file: Path, answer: workers.Answer) -> MixrenderError | None:
    """What went wrong with one file; raises what goes wrong with every file."""
    if answer.died == _KILLED:
        return AudioError(
            file, "the analysis was killed, probably for want of memory; fewer --jobs take less."
        )
    if answer.died is not None:
        return AudioError(
            file,
            f"the analysis crashed on it ({answer.died}); it is probably damaged. Get another copy of it, or "
            "if it plays to its end elsewhere, convert it to FLAC there.",
        )
    fault = fault_lines.from_line(answer.line)
    if isinstance(fault, MachineError) and not isinstance(fault, ToolError):
        raise fault
    return fault
