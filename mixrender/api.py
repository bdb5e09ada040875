"""The Python interface: load a plan, analyse tracks, render and preview mixes, measure loudness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from mixrender.audio.cache import Cache
from mixrender.audio.read import probe, read_blocks
from mixrender.audio.write import write_text_atomic
from mixrender.errors import AudioError, InputError, MixrenderError, PlanError, Problem
from mixrender.facts import Loudness, TrackFacts
from mixrender.loudness.meter import Meter
from mixrender.mixdown.master import target_of
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.render import output_tags, render_mix
from mixrender.mixdown.result import MixResult
from mixrender.plan.load import load_plan
from mixrender.plan.model import Plan
from mixrender.plan.schema import plan_schema
from mixrender.progress import NoProgress, Progress
from mixrender.report.document import mix_document, to_json
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

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

KEPT_BYTES = 20 * 10**9
"""How much the cache may hold after a run, some 15 hours of sound: the least recently used goes first."""


def analyze(file: Path | str, *, cache: Cache | None = None, progress: Progress | None = None) -> TrackFacts:
    """What can be found out about one track: grid, key, sections, loudness; kept by content.

    Raises AudioError if the file cannot be used.
    """
    # The analysis imports what takes the longest to load, and half of the commands do without it.
    from mixrender.analysis.track import analyze_file

    return analyze_file(Path(file), cache=cache or Cache(), progress=progress or NoProgress())


def analyze_many(
    files: Sequence[Path], *, cache: Cache | None = None, progress: Progress | None = None
) -> Iterator[tuple[Path, TrackFacts | MixrenderError]]:
    """The facts of each file, folders being searched; a file that cannot be used yields its fault."""
    shared = cache or Cache()
    for file in audio_files(files):
        try:
            yield file, analyze(file, cache=shared, progress=progress)
        except InputError as fault:
            yield file, fault


def resolve(plan: Plan, *, cache: Cache | None = None, progress: Progress | None = None) -> Timeline:
    """The timeline of a plan: its tracks analysed, every position and tempo worked out.

    Raises PlanError with all of the plan's problems; AudioErrors of its tracks are among them.
    """
    shared = cache or Cache()
    # A target or a cover that is not there is a fault of the plan: said before anything is analysed.
    target_of(plan)
    output_tags(plan)
    facts, problems = [], list[Problem]()
    for track in plan.tracks:
        try:
            facts.append(analyze(track.path, cache=shared, progress=progress))
        except AudioError as fault:
            problems.append(plan.problem(("tracks", track.name, "file"), str(fault)))
    if problems:
        raise PlanError(problems)
    return build_timeline(plan, facts)


def render(
    plan: Plan,
    folder: Path | str | None = None,
    *,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Render the whole mix: `mix.flac` (or the plan's format) and `report.json` in `folder`.

    `folder` None: named after the plan, beside it. Raises PlanError, InputError, AudioError, ToolError and
    MachineError; then no file of an earlier render has been touched.
    """
    shared, shown = cache or Cache(), progress or NoProgress()
    target = Path(folder) if folder is not None else folder_of(plan)
    timeline = resolve(plan, cache=shared, progress=shown)
    result = render_mix(plan, timeline, folder=target, cache=shared, progress=shown)
    write_text_atomic(target / "report.json", to_json(mix_document(result)))
    shared.prune(KEPT_BYTES)
    return result


def preview(
    plan: Plan,
    folder: Path | str | None = None,
    *,
    only: Sequence[int] | None = None,
    lead_bars: float = 8.0,
    tail_bars: float = 8.0,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Render each transition as a clip, and `report.json`, into `folder`; `only` picks by number, from 1.

    Raises what `render` raises.
    """
    shared, shown = cache or Cache(), progress or NoProgress()
    target = Path(folder) if folder is not None else folder_of(plan)
    timeline = resolve(plan, cache=shared, progress=shown)
    result = render_clips(
        plan,
        timeline,
        folder=target,
        cache=shared,
        progress=shown,
        only=only,
        lead_bars=lead_bars,
        tail_bars=tail_bars,
    )
    write_text_atomic(target / "report.json", to_json(mix_document(result)))
    shared.prune(KEPT_BYTES)
    return result


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


def folder_of(plan: Plan) -> Path:
    """The folder that a plan's files go to unless told: named after the plan, beside it."""
    if plan.file is None:
        raise InputError("a plan that was not read from a file needs to be told where to write")
    return plan.file.with_suffix("")


def demo(folder: Path, *, progress: Progress | None = None) -> tuple[Path, MixResult, MixResult]:
    """Make the demo's tracks and plan in `folder`, preview and render it: (plan, clips, mix)."""
    # The synthesiser is needed by this command alone.
    from mixrender.demo.plan import write_plan
    from mixrender.demo.tracks import make_tracks

    shown, shared = progress or NoProgress(), Cache()
    make_tracks(folder, progress=shown)
    plan_file = write_plan(folder)
    plan = load_plan(plan_file)
    clips = preview(plan, folder / "clips", cache=shared, progress=shown)
    mix = render(plan, folder / "mix", cache=shared, progress=shown)
    return plan_file, clips, mix


def schema() -> dict[str, Any]:
    """The JSON Schema of the plan, for editors."""
    return plan_schema()


def cache_contents(cache: Cache | None = None) -> dict[str, Any]:
    """What is kept on disk: the folder, and files and bytes by kind."""
    shared = cache or Cache()
    kinds: dict[str, tuple[int, int]] = {}
    for entry in shared.entries():
        files, size = kinds.get(entry.kind, (0, 0))
        kinds[entry.kind] = (files + 1, size + entry.size_bytes)
    return {
        "folder": str(shared.root),
        "files": sum(files for files, _ in kinds.values()),
        "bytes": sum(size for _, size in kinds.values()),
        "kinds": [
            {"kind": kind, "files": files, "bytes": size} for kind, (files, size) in sorted(kinds.items())
        ],
    }


def clear_cache(cache: Cache | None = None) -> int:
    """Remove everything that is kept on disk; returns the bytes freed."""
    return (cache or Cache()).clear()


def verify_cache(cache: Cache | None = None, *, progress: Progress | None = None) -> tuple[int, int]:
    """Read everything that is kept on disk and remove what is damaged: (files read, files removed)."""
    shared = cache or Cache()
    files = len(shared.entries())
    damaged = shared.verify(progress=progress)
    shared.remove(damaged)
    return files, len(damaged)
