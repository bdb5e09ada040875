"""Audio files go in; the loudness of each, that of all as one programme, and verdicts on them come out."""

from __future__ import annotations

import threading
from collections.abc import Generator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

from mixrender.api.files import find_audio
from mixrender.api.scan import usual_jobs
from mixrender.audio.info import AudioInfo
from mixrender.audio.read import channel_blocks, probe
from mixrender.errors import AudioError, InputError, MixrenderError, ToolError, write_details
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.loudness.power import CHANNEL_WEIGHTS
from mixrender.loudness.survey import Survey, survey_of
from mixrender.loudness.targets import Target
from mixrender.loudness.together import Part, measure_together
from mixrender.progress import Advance, NoProgress, Progress

_WAIT_S = 0.5

Outcome = Part | MixrenderError


def measure_loudness(file: Path | str, *, progress: Progress | None = None) -> Loudness:
    """The loudness of one audio file by ITU-R BS.1770-5; figures that cannot be measured are None.

    Up to six channels are weighted as the standard says. Raises AudioError if the file cannot be used.
    """
    return _measured(Path(file), progress or NoProgress(), threading.Event()).loudness


def measure_many(
    files: Sequence[Path], *, progress: Progress | None = None, jobs: int | None = None
) -> Generator[tuple[Path, Loudness | MixrenderError]]:
    """The loudness of each file, folders being searched; a file that cannot be used yields its fault.

    Up to `jobs` files are measured at once (None: one for each processor, at most 8). They come in the order
    in which they were given.
    """
    with closing(_measured_all(files, progress or NoProgress(), jobs)) as outcomes:
        for file, outcome in outcomes:
            yield file, outcome.loudness if isinstance(outcome, Part) else outcome


def survey_loudness(
    files: Sequence[Path],
    *,
    target: Target | None = None,
    together: bool = False,
    progress: Progress | None = None,
    jobs: int | None = None,
) -> Survey:
    """Measure files, folders being searched, and judge them by a target; `together`: also all as one.

    What `measure_many` says holds here. Measuring together keeps 6 MB for each hour of sound.
    """
    parts: list[Part] = []
    measured: list[tuple[Path, Loudness]] = []
    faults: list[tuple[Path, MixrenderError]] = []
    for file, outcome in _measured_all(files, progress or NoProgress(), jobs):
        if isinstance(outcome, MixrenderError):
            faults.append((file, outcome))
            continue
        measured.append((file, outcome.loudness))
        if together:
            parts.append(outcome)
    whole = measure_together(parts) if parts else None
    return survey_of(measured, faults=faults, target=target, together=whole)


class _Stopped(Exception):
    """Nobody waits for this file any more."""


def _measured_all(
    files: Sequence[Path], progress: Progress, jobs: int | None
) -> Generator[tuple[Path, Outcome]]:
    """Every file in its order. Decoding and measuring leave Python's lock, so that threads are enough."""
    found = find_audio(files)
    usable = [file for file, fault in found if fault is None]
    stop = threading.Event()
    if len(usable) < 2:
        outcomes = (_outcome(file, progress, stop) for file in usable)
    else:
        outcomes = _in_threads(usable, progress, min(jobs or usual_jobs(), len(usable)), stop)
    with closing(outcomes):
        for file, fault in found:
            yield file, fault or next(outcomes)


def _in_threads(
    files: Sequence[Path], progress: Progress, jobs: int, stop: threading.Event
) -> Generator[Outcome]:
    label = f"Measuring {len(files)} files"
    pool = ThreadPoolExecutor(jobs)
    with progress.task(label, total=len(files), counted=True) as advance:
        try:
            futures = [pool.submit(_outcome, file, NoProgress(), stop) for file in files]
            for future in futures:
                future.add_done_callback(lambda _: advance(1.0))
            for number, future in enumerate(futures):
                yield _waited_for(future)
                futures[number] = Future()  # what was handed out is not kept
        finally:
            stop.set()
            pool.shutdown(cancel_futures=True)


def _waited_for(future: Future[Outcome]) -> Outcome:
    while True:
        try:
            return future.result(timeout=_WAIT_S)  # for ever, Ctrl-C would not be heard on Windows
        except TimeoutError:
            continue


def _outcome(file: Path, progress: Progress, stop: threading.Event) -> Outcome:
    try:
        return _measured(file, progress, stop)
    except (InputError, ToolError) as fault:
        return fault
    except (_Stopped, MixrenderError):
        raise
    except Exception as error:  # one odd file must not stop the search through a thousand others
        return AudioError(
            file,
            f"it could not be measured, by a fault of mixrender itself: {type(error).__name__}: {error}; "
            f"details in {write_details()}",
        )


def _measured(file: Path, progress: Progress, stop: threading.Event) -> Part:
    info = probe(file, most_channels=None)
    meter = _meter_for(info)
    with progress.task(f"Measuring {file.name}", total=info.expected_s) as advance:
        _feed(meter, info, advance, stop)
    return Part(meter.result(), meter.power())


def _feed(meter: Meter, info: AudioInfo, advance: Advance, stop: threading.Event) -> None:
    with closing(channel_blocks(info)) as blocks:
        for block in blocks:
            if stop.is_set():
                raise _Stopped
            meter.push(block)
            advance(len(block) / info.sample_rate_hz)


def _meter_for(info: AudioInfo) -> Meter:
    try:
        return Meter(sample_rate_hz=info.sample_rate_hz, channels=info.channels)
    except InputError as fault:
        is_too_wide = info.channels > max(CHANNEL_WEIGHTS)
        does, option = ("folds it down", "-ac 6") if is_too_wide else ("converts it", "-ar 48000")
        raise AudioError(
            info.path, f'{fault} This {does}: ffmpeg -i "{info.path.name}" {option} "converted.wav"'
        ) from None
