"""A plan and its timeline to the finished mix: one file, measured, and everything that was found out."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path

import numpy as np

from mixrender.audio import programs
from mixrender.audio.cache import Cache
from mixrender.audio.raw import BYTES_PER_FRAME, RawAudio
from mixrender.audio.read import probe, read_blocks
from mixrender.audio.tags import OutputTags, require_cover
from mixrender.audio.write import require_writable, write_audio
from mixrender.errors import InputError, PlanError, ToolError
from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter
from mixrender.mixdown.master import MasterChain, find_setting, target_of, verdict
from mixrender.mixdown.measure import loudness_step, transition_offset
from mixrender.mixdown.mix import BLOCK_FRAMES, Mix
from mixrender.mixdown.prepare import mix_rate_hz, prepare
from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.plan.model import Plan
from mixrender.progress import Advance, Progress
from mixrender.timing.timeline import Timeline
from mixrender.units import FloatArray

DITHER_SEED = 1770
"""One seed for every mix: the same plan gives the same bytes."""


def render_mix(
    plan: Plan, timeline: Timeline, *, folder: Path, cache: Cache, progress: Progress
) -> MixResult:
    """Render the whole mix into `folder` as `mix.flac` (or the plan's format), and measure it.

    Raises InputError where the plan asks for what its format or its target cannot do, AudioError, ToolError
    and MachineError as met; then nothing is left under a final name.
    """
    rate_hz = mix_rate_hz(plan, timeline)
    output = plan.output
    require_writable(sample_rate_hz=rate_hz, format=output.format, bits=output.bits)
    require_folder(folder)
    tags = output_tags(plan)
    prepared = prepare(plan, timeline, cache=cache, progress=progress)
    mix = prepared.mix
    with _premaster(mix, cache, progress) as raw:

        def blocks() -> Iterator[FloatArray]:
            for begin in range(0, raw.frames, BLOCK_FRAMES):
                stop = min(begin + BLOCK_FRAMES, raw.frames)
                yield raw.read(begin, stop).astype(np.float64)

        mastering = find_setting(blocks, plan, frames=raw.frames, sample_rate_hz=rate_hz, progress=progress)
        # Before the file is written, so that a run stopped here leaves an earlier mix beside its own report.
        measures = _measures(mix, timeline, raw, rate_hz, progress)
        chain = MasterChain(mastering.setting, sample_rate_hz=rate_hz)
        with progress.task("Writing", total=raw.frames) as advance:
            written = write_audio(
                folder / f"mix.{output.format}",
                _watched(chain.run(blocks()), advance),
                sample_rate_hz=rate_hz,
                format=output.format,
                bits=output.bits,
                dither_seed=DITHER_SEED,
                tags=tags,
            )
    warnings = mastering.warnings
    loudness = mastering.loudness
    if output.format == "mp3":
        loudness = _of_file(written.path, rate_hz, progress)
        warnings += _overshoot(plan, loudness)
    if written.clipped_samples:
        warnings += (f"{written.clipped_samples} samples lay beyond full scale",)
    return MixResult(
        timeline=timeline,
        sample_rate_hz=rate_hz,
        gains_db=prepared.gains_db,
        transitions=measures,
        loudness=loudness,
        master=mastering.figures(),
        target=verdict(plan, loudness),
        inputs=tuple((track.file, track.facts.content_hash) for track in timeline.tracks),
        versions=versions(),
        files=(written.path,),
        clipped_samples=written.clipped_samples,
        warnings=warnings,
    )


def _of_file(path: Path, rate_hz: int, progress: Progress) -> Loudness:
    """The loudness of a file as it was delivered: a lossy codec changes it, its peaks above all."""
    meter = Meter(sample_rate_hz=rate_hz)
    with progress.task(f"Measuring {path.name}", total=probe(path).expected_s) as advance:
        for block in read_blocks(path, sample_rate_hz=rate_hz):
            meter.push(block)
            advance(len(block) / rate_hz)
    return meter.result()


def _overshoot(plan: Plan, loudness: Loudness) -> tuple[str, ...]:
    """A warning where the codec lifted peaks over the ceiling, with the ceiling that would leave room."""
    _, ceiling_dbtp = target_of(plan)
    if loudness.true_peak_dbtp is None or loudness.true_peak_dbtp <= ceiling_dbtp + 0.05:
        return ()
    over_db = loudness.true_peak_dbtp - ceiling_dbtp
    room = f"{ceiling_dbtp - over_db - 0.1:.1f} dBTP"
    return (
        f"the MP3 peaks {over_db:.2f} dB above {ceiling_dbtp:g} dBTP; `true_peak: {room}` would leave room",
    )


def require_folder(folder: Path) -> None:
    """Raise InputError if nothing can be written in a folder, or it cannot be made, before any work."""
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        reason = "may not be written" if there.is_dir() else "is not a folder"
        raise InputError(f"{folder}: nothing can be written there: {there} {reason}. Choose another folder.")


def versions() -> dict[str, str]:
    """Versions of everything that the sound depends on."""
    names = ("mixrender", "numpy", "scipy", "numba", "soundfile", "soxr", "librosa", "pyrubberband")
    found = {name: version(name) for name in names}
    found["python"] = platform.python_version()
    # A mix that stretches nothing does not need the program, so its absence is no fault here.
    with suppress(ToolError):
        found["rubberband"] = programs.version("rubberband", programs.rubberband())
    return found


def output_tags(plan: Plan) -> OutputTags:
    """What the finished file says of itself."""
    cover = None
    if plan.cover is not None:
        path = (plan.file.parent if plan.file else Path()) / Path(plan.cover).expanduser()
        try:
            cover = path.read_bytes()
        except OSError as error:
            message = f"the cover '{path}' cannot be read ({error.strerror})"
            raise PlanError([plan.problem(("cover",), message)]) from None
    tags = OutputTags(title=plan.title, artist=plan.artist, date=plan.date, cover=cover)
    try:
        require_cover(tags)
    except InputError as error:
        raise PlanError([plan.problem(("cover",), f"{plan.cover}: {error}")]) from None
    return tags


@contextmanager
def _premaster(mix: Mix, cache: Cache, progress: Progress) -> Iterator[RawAudio]:
    """The mix before the master, on disk for as long as the context is open: it is read several times."""
    cache.require_space(mix.frames * BYTES_PER_FRAME)
    with cache.scratch() as folder:
        path = folder / "premaster.f32"
        with path.open("wb") as file, progress.task("Mixing", total=mix.frames) as advance:
            for block in mix.blocks():
                file.write(np.ascontiguousarray(block, dtype="<f4").data)
                advance(len(block))
        yield RawAudio(path, mix.frames, mix.sample_rate_hz)


def _watched(blocks: Iterator[FloatArray], advance: Advance) -> Iterator[FloatArray]:
    for block in blocks:
        yield block
        advance(len(block))


def _measures(
    mix: Mix, timeline: Timeline, raw: RawAudio, rate_hz: int, progress: Progress
) -> tuple[TransitionMeasure, ...]:
    measures = []

    def read(start: int, stop: int) -> FloatArray:
        return raw.read(start, stop).astype(np.float64)

    with progress.task("Measuring", total=len(timeline.transitions)) as advance:
        for transition in timeline.transitions:
            step = loudness_step(read, timeline, transition, sample_rate_hz=rate_hz, window=(0, raw.frames))
            measures.append(TransitionMeasure(transition_offset(mix, timeline, transition), step))
            advance(1)
    return tuple(measures)
