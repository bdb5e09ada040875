"""Plans: resolve one, preview its transitions, render the mix; the demo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from mixrender.api.pages import remove_page, write_page
from mixrender.api.scan import analyze_all
from mixrender.audio.cache import Cache
from mixrender.audio.sinks.m4a import require_aac
from mixrender.audio.write import write_text_atomic
from mixrender.errors import AudioError, InputError, MixrenderError, PlanError, Problem
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.render import output_tags, render_mix
from mixrender.mixdown.result import MixResult
from mixrender.mixdown.target import target_of
from mixrender.plan.load import load_plan
from mixrender.plan.model import Plan
from mixrender.plan.output import with_output
from mixrender.plan.schema import plan_schema
from mixrender.progress import NoProgress, Progress
from mixrender.report.document import mix_document, to_json
from mixrender.report.mix_csv import mix_csv
from mixrender.report.picture_page import PICTURE_FORMATS, remove_pictures
from mixrender.report.score_files import remove_score_pictures, write_score_pictures
from mixrender.timing.build import build_timeline
from mixrender.timing.timeline import Timeline

KEPT_BYTES = 20 * 10**9
"""How much the cache may hold after a run, some 15 hours of sound: the least recently used goes first."""


def resolve(plan: Plan, *, cache: Cache | None = None, progress: Progress | None = None) -> Timeline:
    """The timeline of a plan: all that sounds analysed, every position and tempo worked out.

    Raises PlanError with all of the plan's problems; AudioErrors of its files are among them.
    """
    shared = cache or Cache()
    # A target or a cover that is not there is a fault of the plan: said before anything is analysed.
    target_of(plan)
    output_tags(plan)
    facts, problems = [], list[Problem]()
    files = [sound.path for sound in plan.sounds]
    outcomes = analyze_all(files, cache=shared, progress=progress or NoProgress())
    for sound, (_, outcome) in zip(plan.sounds, outcomes, strict=True):
        if isinstance(outcome, AudioError):
            problems.append(plan.problem((*plan.path_of(sound), "file"), str(outcome)))
        elif isinstance(outcome, MixrenderError):
            raise outcome
        else:
            facts.append(outcome)
    if problems:
        raise PlanError(problems)
    return build_timeline(plan, facts)


def render(
    plan: Plan,
    folder: Path | str | None = None,
    *,
    output: Mapping[str, str] | None = None,
    fix: bool = False,
    pictures: bool = True,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Render the whole mix: `mix.flac` (or the plan's format), its report and its page in `folder`.

    The page is `mix.html`. The report is `report.json`, `loudness.csv` and, with `pictures`, `loudness.png`
    and `loudness.svg`; those that an earlier render drew there are removed.

    `folder` None: named after the plan, beside it. `output` takes the place of what the plan writes there,
    in the plan's own words. With `fix`, a file that misses its target or ceiling after encoding is made
    again, for a lower ceiling. Raises PlanError, InputError, AudioError, ToolError and
    MachineError; then no file of an earlier render has been touched.
    """
    shared, shown = cache or Cache(), progress or NoProgress()
    target = Path(folder) if folder is not None else folder_of(plan)
    plan = with_output(plan, output or {})
    if plan.output.format == "m4a":  # its encoder is not ours: found out before the work
        require_aac()
    timeline = resolve(plan, cache=shared, progress=shown)
    result = render_mix(plan, timeline, folder=target, cache=shared, progress=shown, fix=fix)
    remove_page(result)
    remove_pictures(target / f"loudness.{format}" for format in PICTURE_FORMATS)  # they show another mix
    write_text_atomic(target / "report.json", to_json(mix_document(result)))
    write_text_atomic(target / "loudness.csv", mix_csv(result))
    if pictures:
        _draw(plan, result, target, shown)
    write_page(plan, result)
    shared.prune(KEPT_BYTES)
    return result


def _draw(plan: Plan, result: MixResult, folder: Path, progress: Progress) -> None:
    # Only pictures need matplotlib, which takes half a second to load.
    from mixrender.report.loudness_picture import write_loudness_pictures

    title = plan.title or (plan.file.stem if plan.file else result.files[0].stem)
    with progress.task("Drawing", total=1.0) as advance:
        write_loudness_pictures(result, folder, title=title)
        advance(1.0)


def preview(
    plan: Plan,
    folder: Path | str | None = None,
    *,
    only: Sequence[int] | None = None,
    lead_bars: float = 8.0,
    tail_bars: float = 8.0,
    click: bool = False,
    pictures: bool = False,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Render each transition as a clip into `folder`; `only` picks by number, from 1.

    Beside the clips lie `report.json` and `preview.html`, the page to hear and see them. With `pictures` each
    clip is drawn as a score to a PNG and an SVG of its name; those of earlier clips of that name are removed.

    With `click` a metronome lies over the clips, as with `click: true` in the plan.

    Raises what `render` raises.
    """
    shared, shown = cache or Cache(), progress or NoProgress()
    target = Path(folder) if folder is not None else folder_of(plan)
    if click:
        plan = plan.model_copy(update={"click": True})
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
    remove_page(result)
    remove_score_pictures(result.files)
    write_text_atomic(target / "report.json", to_json(mix_document(result)))
    if pictures:
        write_score_pictures(plan, result, progress=shown)
    write_page(plan, result)
    shared.prune(KEPT_BYTES)
    return result


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
