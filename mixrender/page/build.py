"""A plan and what was rendered of it to the plain data of its page."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.page.data import Window, page_data, window_of
from mixrender.page.figures import mix_figures, transition_figures
from mixrender.page.model import MoveText, Page, PageKind, TrackRow, TransitionPart
from mixrender.page.overview import overview
from mixrender.page.scores import drawn_score
from mixrender.page.sounds import sound_of
from mixrender.page.words import bars, clock, figure, plain, plain_lines, when
from mixrender.plan.model import Plan
from mixrender.report.cautions import LICENCES, LOUD
from mixrender.report.move_lines import MoveLine, move_lines
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement

KINDS: Mapping[PageKind, str] = {"preview": "Preview of the transitions", "mix": "The finished mix"}


def build_page(plan: Plan, result: MixResult, *, copies: Mapping[Path, Path] | None = None) -> Page:
    """The page of a preview, or of a mix where `result` has its loudness.

    `copies` names for files that browsers do not play the ones beside them that they do.
    """
    timeline = result.timeline
    kind: PageKind = "preview" if result.loudness is None else "mix"
    mix = sound_of(result.files[0], timeline.duration_s, copies or {}) if kind == "mix" else None
    lines = move_lines(plan, timeline)
    names = [_names(plan, track) for track in timeline.tracks]
    told = [(t, m) for t, m in zip(timeline.transitions, result.transitions, strict=True) if m is not None]
    windows = [window_of(timeline, transition, measure) for transition, measure in told]
    parts = tuple(
        _part(plan, result, transition, measure, window, lines, copies or {})
        for (transition, measure), window in zip(told, windows, strict=True)
    )
    title = title_of(plan)
    return Page(
        kind=kind,
        title=title,
        artist=plain(plan.artist),
        facts=_facts(plan, timeline),
        note=plain_lines(plan.note),
        cautions=(LOUD, LICENCES) if kind == "mix" else (LOUD,),
        mix=mix,
        mix_figures=mix_figures(result),
        overview=overview(result, [name for _, name in names], {part.index for part in parts}),
        tracks=_rows(timeline, names),
        moves=_moves(lines, ""),
        warnings=_warnings(result, told),
        transitions=parts,
        left_out=len(timeline.transitions) - len(parts),
        data=page_data(title, kind, timeline, [transition for transition, _ in told], windows, mix),
    )


def title_of(plan: Plan) -> str:
    """What a mix is called: as the plan says, or as its file is."""
    return plain(plan.title) or (plain(plan.file.stem) if plan.file else "") or "A mix without a name"


def _names(plan: Plan, track: TrackPlacement) -> tuple[str, str]:
    """Artist and title of a track, as the plan or else the file's tags say; the artist may be empty."""
    said, tags = plan.track(track.name), track.facts.tags
    artist, title = plain(said.artist or tags.artist), plain(said.title or tags.title)
    return artist, title or plain(track.name)


def _facts(plan: Plan, timeline: Timeline) -> tuple[str, ...]:
    """Date, length, number of tracks, range of tempo: the line under the title."""
    tempos = [bpm for _, _, bpm in timeline.tempo_points()]
    count = len(timeline.tracks)
    words = (
        plain(plan.date),
        clock(timeline.duration_s),
        f"{count} track" if count == 1 else f"{count} tracks",
        _tempo_range(tempos),
    )
    return tuple(word for word in words if word)


def _tempo_range(tempos_bpm: Sequence[float]) -> str:
    ends = (
        [f"{bpm:.1f}".removesuffix(".0") for bpm in (min(tempos_bpm), max(tempos_bpm))] if tempos_bpm else []
    )
    return " to ".join(dict.fromkeys(ends)) + " BPM" if ends else ""


def _rows(timeline: Timeline, names: list[tuple[str, str]]) -> tuple[TrackRow, ...]:
    starts_s = [0.0, *(transition.start_s for transition in timeline.transitions)]
    return tuple(
        TrackRow(
            number=track.index + 1,
            time=clock(max(start_s, track.start_s)),
            title=title,
            artist=artist,
            bpm=figure(track.grid.tempo_bpm, "", digits=2) if track.grid.tempo_bpm else "",
            key=track.key or "",
        )
        for track, start_s, (artist, title) in zip(timeline.tracks, starts_s, names, strict=True)
    )


def _moves(lines: Collection[MoveLine], where: str) -> tuple[MoveText, ...]:
    return tuple(MoveText(plain(line.what), plain(line.words)) for line in lines if line.where == where)


def _warnings(
    result: MixResult, told: Collection[tuple[TransitionPlacement, TransitionMeasure]]
) -> tuple[str, ...]:
    """The warnings that stand at no transition on the page."""
    elsewhere = {text for transition, _ in told for text in transition.warnings}
    problems = [
        f"line {problem.line}: {problem.message}" if problem.line is not None else problem.message
        for problem in result.timeline.problems
        if problem.message not in elsewhere
    ]
    return tuple(map(plain, (*problems, *result.warnings)))


def _part(
    plan: Plan,
    result: MixResult,
    transition: TransitionPlacement,
    measure: TransitionMeasure,
    window: Window,
    lines: Collection[MoveLine],
    copies: Mapping[Path, Path],
) -> TransitionPart:
    timeline, clip, index = result.timeline, measure.clip, transition.index
    out, into = (timeline.tracks[i].name for i in (transition.outgoing, transition.incoming))
    return TransitionPart(
        index=index,
        outgoing=plain(out),
        incoming=plain(into),
        summary=f"{when(transition.start_s, transition.end_s)}, {bars(transition.overlap_bars)}",
        score=drawn_score(plan, result, index, ids=f"s{index}", compact=False),
        compact_score=drawn_score(plan, result, index, ids=f"c{index}", compact=True),
        sound=sound_of(clip.path, clip.duration_s, copies) if clip is not None else None,
        figures=transition_figures(timeline, transition, measure),
        warnings=tuple(map(plain, (*transition.warnings, *measure.warnings))),
        moves=_moves(lines, str(index)),
        note=plain_lines(transition.note),
        duration_s=window.duration_s,
    )
