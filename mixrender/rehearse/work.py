"""The work behind the page: each change of the plan is read, checked, and what it changes rendered."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.errors import InputError, MixrenderError, PlanError, write_details
from mixrender.mixdown.preview import render_clips
from mixrender.mixdown.result import Clip, MixResult, TransitionMeasure
from mixrender.plan.load import load_plan
from mixrender.plan.model import Output, Plan
from mixrender.progress import Progress
from mixrender.rehearse.faults import one_fault, plan_faults
from mixrender.rehearse.overseen import Overseen, Overtaken
from mixrender.rehearse.pages import Drawn, around_revision, draw_page, draw_section, empty_page
from mixrender.rehearse.stage import Section, Stage, pair_text
from mixrender.rehearse.versions import Pair, Version, Versions
from mixrender.rehearse.watch import files_of
from mixrender.timing.timeline import Timeline


@dataclass(frozen=True)
class Wanted:
    """What is rehearsed: a plan, some of its transitions (by number, from 1), and how much around each."""

    plan_file: Path
    only: Sequence[int] | None = None
    lead_bars: float = 8.0
    tail_bars: float = 8.0
    output: Path | None = None


@dataclass
class _Shown:
    """What the last good rounds made: a plan, its result, and by number what was drawn of it, and of what."""

    plan: Plan
    result: MixResult
    drawn: dict[int, Drawn] = field(default_factory=dict)
    told: dict[int, object] = field(default_factory=dict)
    revisions: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Made:
    """One transition as this round made it; `told` is what the plan says of it."""

    measure: TransitionMeasure
    section: Section
    drawn: Drawn
    told: object


class Worker:
    """Renders what changes, in one thread that ends when it is told to; the page is told by `stage`."""

    def __init__(
        self,
        wanted: Wanted,
        *,
        stage: Stage,
        versions: Versions,
        folder: Path,
        cache: Cache,
        progress: Progress,
        tell: Callable[[str], None],
    ):
        self._wanted, self._stage, self._versions = wanted, stage, versions
        self._folder, self._cache, self._progress, self._tell = folder, cache, progress, tell
        self._changed = threading.Condition()
        self._asked, self._begun, self._stopped = 1, 0, False
        self._files = files_of(wanted.plan_file)
        self._shown: _Shown | None = None
        self._lock = threading.RLock()

    @property
    def files(self) -> frozenset[Path]:
        """The plan file and every file that it named when it was last read."""
        return self._files

    def ask(self) -> None:
        """Something has changed: what is under way is broken off, and another round begun."""
        with self._changed:
            self._asked += 1
            self._changed.notify_all()

    def stop(self) -> None:
        """Break off what is under way, and begin nothing more."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def run(self) -> None:
        """Work until told to stop; no fault ends this."""
        while self._await_change():
            try:
                self._round()
            except Overtaken:
                continue
            except MixrenderError as error:
                self._fail(error)
            except Exception as error:
                name = type(error).__name__
                self._fail(
                    MixrenderError(
                        f"a fault of mixrender itself: {name}: {error}; details in {write_details()}"
                    )
                )
            self._stage.say("")

    def page(self) -> str:
        """The whole page as it stands."""
        with self._lock:
            shown = self._shown
            if shown is None:
                return empty_page(self._wanted.plan_file.stem)
            return draw_page(shown.plan, shown.result, dict(shown.drawn), dict(shown.revisions))

    def _await_change(self) -> bool:
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._asked > self._begun)
            self._begun = self._asked
            return not self._stopped

    def _require_current(self) -> None:
        if self._stopped or self._asked > self._begun:
            raise Overtaken

    def _require_going_on(self) -> None:
        if self._stopped:
            raise Overtaken

    def _told(self) -> Progress:
        """For the analysis: of new tracks the page is told, and it goes on when the plan changes meanwhile.

        What is heard of a track is kept, so it is not for nothing.
        """
        return Overseen(self._progress, self._require_going_on, say=self._stage.say)

    def _fail(self, error: MixrenderError) -> None:
        """Show a fault, in the page and to the terminal; one of being stopped is none."""
        if self._stopped:
            return
        plan_file = self._wanted.plan_file
        self._files = files_of(plan_file) | self._files
        if isinstance(error, PlanError):
            self._stage.set_faults(plan_faults(plan_file, error.problems))
        else:
            self._stage.set_faults([one_fault(str(error))])
        self._tell(str(error))

    def _round(self) -> None:
        plan = load_plan(self._wanted.plan_file)
        self._files = files_of(self._wanted.plan_file, plan)
        timeline = api.resolve(plan, cache=self._cache, progress=self._told())
        numbers = numbers_of(timeline, self._wanted.only)
        self._stage.set_faults([])
        pairs = pairs_of(timeline)
        before = self._stage.pairs()
        same = before == tuple((number, pair_text(pairs[number])) for number in numbers)
        told = {number: told_of(plan, timeline, number) for number in numbers}
        changed = self._changed_since(told)
        made: dict[int, _Made] = {}
        for number in self._in_order(numbers, changed):
            self._stage.say(f"Rendering {len(made) + 1} of {len(numbers)}")
            result = self._rendered(plan, timeline, number)
            made[number] = self._made(plan, result, number, pairs[number], told[number])
            if same:
                self._show(plan, result, {number: made[number]})
                self._stage.set_section(made[number].section)
            elif not before:
                self._replace_all(plan, result, made)
        if not same:
            self._replace_all(plan, result, made)
        if self._shown is not None:
            self._stage.set_around(around_revision(plan, self._shown.result))
        self._versions.keep_only([pairs[number] for number in numbers])
        if self._wanted.output is not None:
            self._write_out(plan)
        self._cache.prune(api.KEPT_BYTES)

    def _changed_since(self, told: Mapping[int, object]) -> set[int]:
        """Which transitions the plan says something else of than when they were drawn."""
        before = self._shown.told if self._shown is not None else {}
        return {number for number, said in told.items() if before.get(number) != said}

    def _in_order(self, numbers: Sequence[int], changed: set[int]) -> Iterator[int]:
        """What has changed first, and what is nearest to the listener, wherever that is by then."""
        left = list(numbers)
        while left:
            self._require_current()
            here = self._stage.current
            number = min(left, key=lambda n: (n not in changed, abs(n - here), n))
            left.remove(number)
            yield number

    def _rendered(self, plan: Plan, timeline: Timeline, number: int) -> MixResult:
        """One clip, as FLAC whatever the plan delivers: every browser plays it, and to the frame."""
        played = plan.model_copy(update={"output": Output(rate_hz=plan.output.rate_hz)})
        return render_clips(
            played,
            timeline,
            folder=self._folder,
            cache=self._cache,
            progress=Overseen(self._progress, self._require_current),
            only=[number],
            lead_bars=self._wanted.lead_bars,
            tail_bars=self._wanted.tail_bars,
        )

    def _made(self, plan: Plan, result: MixResult, number: int, pair: Pair, told: object) -> _Made:
        """A rendered clip under its own name, and its section with the versions there are."""
        measure = result.transitions[number - 1]
        assert measure is not None and measure.clip is not None
        clip = replace(measure.clip, path=self._versions.take(measure.clip.path))
        measure = replace(measure, clip=clip)
        drawn = self._drawn_before(number, told, clip)
        if drawn is None:
            measures = tuple(measure if n == number else None for n in range(1, len(result.transitions) + 1))
            drawn = draw_section(plan, replace(result, transitions=measures), number)
        version = Version(clip.path.name, clip.path, clip.loudness.integrated_lufs, drawn.place)
        self._versions.put(pair, version)
        section = Section(number, pair, drawn.html, self._versions.of(pair))
        return _Made(measure, section, drawn, told)

    def _drawn_before(self, number: int, told: object, clip: Clip) -> Drawn | None:
        """What was drawn of a transition, if it would be drawn in the same way again."""
        shown = self._shown
        if shown is None or number not in shown.drawn or shown.told[number] != told:
            return None
        before = shown.result.transitions[number - 1]
        same = before is not None and before.clip is not None and before.clip.digest == clip.digest
        return shown.drawn[number] if same else None

    def _show(self, plan: Plan, result: MixResult, made: Mapping[int, _Made]) -> None:
        """Take over what was made, beside what is shown already."""
        with self._lock:
            old = self._shown or _Shown(plan, result)
            measures = [*old.result.transitions, *([None] * len(result.transitions))]
            shown = _Shown(plan, result, dict(old.drawn), dict(old.told), dict(old.revisions))
            for number, one in made.items():
                measures[number - 1] = one.measure
                shown.drawn[number], shown.told[number] = one.drawn, one.told
                shown.revisions[number] = str(one.section.document()["revision"])
            shown.result = replace(result, transitions=tuple(measures[: len(result.transitions)]))
            self._shown = shown

    def _replace_all(self, plan: Plan, result: MixResult, made: Mapping[int, _Made]) -> None:
        with self._lock:
            self._shown = None
            self._show(plan, result, made)
        title = plan.title or self._wanted.plan_file.stem
        self._stage.set_sections(title, [made[number].section for number in sorted(made)])

    def _write_out(self, plan: Plan) -> None:
        """What `preview` writes, for whoever asked for files: what was rendered is found in the cache."""
        api.preview(
            plan,
            self._wanted.output,
            only=self._wanted.only,
            lead_bars=self._wanted.lead_bars,
            tail_bars=self._wanted.tail_bars,
            cache=self._cache,
            progress=Overseen(self._progress, self._require_current),
        )


def numbers_of(timeline: Timeline, only: Sequence[int] | None) -> list[int]:
    """Numbers of the transitions that are rehearsed, from 1; InputError where there is none of them."""
    last = len(timeline.transitions)
    if not last:
        raise InputError("the plan has one track, so there is no transition to rehearse")
    wrong = [number for number in only or () if not 1 <= number <= last]
    if wrong:
        raise InputError(f"there is no transition {wrong[0]}: the plan has {last}, counted from 1")
    return sorted(set(only or range(1, last + 1)))


def pairs_of(timeline: Timeline) -> dict[int, Pair]:
    """The pair of every transition, by number; the same two tracks may meet more than once."""
    pairs: dict[int, Pair] = {}
    for transition in timeline.transitions:
        names = timeline.tracks[transition.outgoing].name, timeline.tracks[transition.incoming].name
        earlier = sum(pair[:2] == names for pair in pairs.values())
        pairs[transition.index] = (*names, earlier)
    return pairs


def told_of(plan: Plan, timeline: Timeline, number: int) -> object:
    """What a transition's section is drawn from beside its clip: two that are equal are drawn alike."""
    transition = timeline.transitions[number - 1]
    tracks = [timeline.tracks[index] for index in (transition.outgoing, transition.incoming)]
    names = [track.name for track in tracks]
    notes = [entry.note for entry in plan.transitions if [entry.from_track, entry.to_track] == names]
    around = (plan.title, plan.bands_hz, plan.voices, plan.recipes, timeline.layers, timeline.voices)
    return transition, tracks, notes, [plan.track(name) for name in names], around, timeline.noises
