"""A plan and its timeline to the finished mix: one file, measured, and everything that was found out."""

from __future__ import annotations

import errno
import os
import platform
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import soundfile

from mixrender.audio import programs
from mixrender.audio.cache import Cache
from mixrender.audio.raw import BYTES_PER_FRAME, RawAudio
from mixrender.audio.tags import Chapter, OutputTags, require_cover
from mixrender.audio.write import require_writable
from mixrender.errors import InputError, PlanError, ToolError
from mixrender.formats import FORMATS
from mixrender.mixdown.chain import MasterChain, Mastering
from mixrender.mixdown.deliver import deliver
from mixrender.mixdown.levelling import levelling
from mixrender.mixdown.master import MasterFinder
from mixrender.mixdown.measure import loudness_step, transition_offset
from mixrender.mixdown.mix import BLOCK_FRAMES, Mix
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.prepare import mix_rate_hz, prepare, usual_rate_hz
from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.mixdown.span_loudness import levels_before_master, overlap_figures, peak_edges, track_measures
from mixrender.plan.model import Plan
from mixrender.progress import Progress
from mixrender.timing.timeline import Timeline
from mixrender.units import FloatArray, seconds_to_frames


def render_mix(
    plan: Plan, timeline: Timeline, *, folder: Path, cache: Cache, progress: Progress, fix: bool = False
) -> MixResult:
    """Render the whole mix into `folder` as `mix.flac` (or the plan's format), and measure the file.

    With `fix`, a file that its codec lifted over the ceiling is made again with a lower one. Raises
    InputError where the plan asks for what its format or its target cannot do, AudioError, ToolError and
    MachineError as met; then nothing is left under a final name.
    """
    rate_hz = mix_rate_hz(plan, timeline)
    output = plan.output
    kind = FORMATS[output.format]
    require_writable(
        sample_rate_hz=rate_hz,
        format=output.format,
        bits=output.bits,
        kbit_s=output.bit_rate_kbit_s,
        frames=seconds_to_frames(timeline.duration_s, rate_hz),
    )
    require_folder(folder)
    tags = replace(output_tags(plan), chapters=chapters(plan, timeline))
    prepared = prepare(plan, timeline, cache=cache, progress=progress)
    mix = prepared.mix
    with _premaster(mix, cache, progress) as raw:

        def read(start: int, stop: int) -> FloatArray:
            return raw.read(start, stop).astype(np.float64)

        def blocks() -> Iterator[FloatArray]:
            for begin in range(0, raw.frames, BLOCK_FRAMES):
                yield read(begin, min(begin + BLOCK_FRAMES, raw.frames))

        finder = MasterFinder(blocks, frames=raw.frames, sample_rate_hz=rate_hz, progress=progress)

        def sound(mastering: Mastering) -> Iterator[FloatArray]:
            return MasterChain(mastering.setting, sample_rate_hz=rate_hz).run(blocks())

        # Before the file is written, so that a run stopped here leaves an earlier mix beside its own report.
        offsets = _offsets(mix, timeline, progress)
        before_master_lufs = levels_before_master(timeline, read, sample_rate_hz=rate_hz)
        delivery = deliver(
            folder / f"mix{kind.suffix}",
            plan,
            master=finder.find,
            sound=sound,
            frames=raw.frames,
            sample_rate_hz=rate_hz,
            tags=tags,
            fix=fix,
            progress=progress,
            peak_edges=peak_edges(timeline, frames=raw.frames, sample_rate_hz=rate_hz),
        )
    written, mastering, sound_of_file = delivery.written, delivery.mastering, delivery.sound
    figures = mastering.figures()
    tracks = track_measures(timeline, sound_of_file, figures, before_master_lufs=before_master_lufs)
    transitions = tuple(
        TransitionMeasure(
            offset,
            loudness_step(sound_of_file.power, timeline, transition),
            overlap=overlap_figures(transition, sound_of_file, figures),
        )
        for transition, offset in zip(timeline.transitions, offsets, strict=True)
    )
    warnings = rate_warnings(plan, timeline) + delivery.warnings
    if written.clipped_samples:
        warnings += (f"{written.clipped_samples} samples lay beyond full scale",)
    return MixResult(
        timeline=timeline,
        sample_rate_hz=rate_hz,
        gains_db=prepared.gains_db,
        transitions=transitions,
        loudness=delivery.loudness,
        master=figures,
        target=delivery.target,
        inputs=inputs(timeline),
        versions=versions(plan),
        files=(written.path,),
        clipped_samples=written.clipped_samples,
        warnings=warnings,
        before_encoding=mastering.loudness if kind.is_lossy else None,
        correction=delivery.correction,
        sound=sound_of_file,
        tracks=tracks,
        levelling=levelling([track.alone_lufs for track in tracks], before_master_lufs),
        voices=prepared.voices,
        layer_gains_db=prepared.layer_gains_db,
        match_loudness=plan.match_loudness,
    )


def inputs(timeline: Timeline) -> tuple[tuple[Path, str], ...]:
    """Every file that sounds in a mix, and the hash of its sound."""
    music = [(track.file, track.facts.content_hash) for track in timeline.sounding]
    return (*music, *((voice.file, voice.facts.content_hash) for voice in timeline.voices))


def rate_warnings(plan: Plan, timeline: Timeline) -> tuple[str, ...]:
    """What is to be said where the format decides the sample rate."""
    kind, usual_hz = FORMATS[plan.output.format], usual_rate_hz(timeline)
    rate_hz = mix_rate_hz(plan, timeline)
    if plan.output.rate_hz is not None or rate_hz == usual_hz:
        return ()
    return (f"{kind.title} cannot have the {usual_hz} Hz of the tracks: the mix is made at {rate_hz} Hz",)


def chapters(plan: Plan, timeline: Timeline) -> tuple[Chapter, ...]:
    """A chapter for each track, from where its overlap begins, named as the plan or the file's tags say."""
    starts_s = [0.0, *(transition.start_s for transition in timeline.transitions)]
    found = []
    for track, start_s in zip(timeline.tracks, starts_s, strict=True):
        said, tags = plan.track(track.name), track.facts.tags
        names = [said.artist or tags.artist, said.title or tags.title or track.name]
        found.append(Chapter(max(start_s, track.start_s), " – ".join(name for name in names if name)))
    return tuple(found)


def require_folder(folder: Path) -> None:
    """Raise InputError if nothing can be written in a folder, or it cannot be made, before any work."""
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        reason = "may not be written" if there.is_dir() else "is not a folder"
        raise InputError(f"{folder}: nothing can be written there: {there} {reason}. Choose another folder.")
    if there == folder:
        return
    try:
        # Some folders, as those of the system's own, look as if they could hold another.
        Path(tempfile.mkdtemp(prefix=".mixrender-", dir=there)).rmdir()
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise InputError(f"{folder}: no folder can be made in {there}. Choose another one.") from None


@cache
def _library_versions() -> Mapping[str, str]:
    """Versions of what runs in this process, looked up once."""
    names = ("mixrender", "numpy", "scipy", "numba", "soundfile", "soxr", "librosa", "pyrubberband")
    found = {name: version(name) for name in names}
    return found | {
        "python": platform.python_version(),
        "libsndfile": soundfile.__libsndfile_version__,
    }


def versions(plan: Plan) -> dict[str, str]:
    """Versions of everything that the sound of a plan's file depends on."""
    found = dict(_library_versions())
    if plan.output.format == "m4a":
        found["ffmpeg"] = programs.version("ffmpeg", programs.ffmpeg())
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


def _offsets(mix: Mix, timeline: Timeline, progress: Progress) -> list[BeatOffset | None]:
    offsets = []
    with progress.task("Measuring", total=len(timeline.transitions)) as advance:
        for transition in timeline.transitions:
            offsets.append(transition_offset(mix, timeline, transition))
            advance(1)
    return offsets
