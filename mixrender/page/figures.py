"""A transition and what was measured of it to the figures that judge it, in the order people ask for them."""

from __future__ import annotations

from collections.abc import Iterator

from mixrender.keys import described, parse_key
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.page.model import Figure
from mixrender.page.words import NOT_MEASURABLE, bars, figure, plain, span, when
from mixrender.timing.timeline import Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import format_time


def transition_figures(
    timeline: Timeline, transition: TransitionPlacement, measure: TransitionMeasure
) -> tuple[Figure, ...]:
    """The figures of one transition."""
    out, into = timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]
    return (
        *_tempo(transition, out, into),
        _keys(out, into),
        _beats(transition, measure.beat_offset),
        _step(measure.loudness_step_lu),
        _leaves(transition, out, into),
        Figure("Overlap", bars(transition.overlap_bars), when(transition.start_s, transition.end_s)),
        Figure("Recipe", plain(transition.recipe)),
        *_sound(measure),
    )


def mix_figures(result: MixResult) -> tuple[Figure, ...]:
    """The figures of a finished mix; none of a preview."""
    loudness, master = result.loudness, result.master
    if loudness is None:
        return ()
    peak_at = f"at {format_time(loudness.true_peak_s)}" if loudness.true_peak_s is not None else ""
    figures = [
        Figure("Integrated loudness", figure(loudness.integrated_lufs, "LUFS"), "by ITU-R BS.1770-5"),
        Figure("Loudness range", figure(loudness.loudness_range_lu, "LU")),
        Figure("Loudest 3 s", figure(loudness.max_short_term_lufs, "LUFS")),
        Figure("True peak", figure(loudness.true_peak_dbtp, "dBTP"), peak_at),
        Figure("Limiter", figure(-master.max_gain_reduction_db, "dB"), "at its most"),
    ]
    if result.target is not None and result.target.passed is not None:
        aim = figure(result.target.integrated_lufs, "LUFS")
        verdict = "met" if result.target.passed else f"missed: {plain(result.target.reason)}"
        figures.append(Figure("Target", plain(result.target.name) or aim, verdict))
    return tuple(figures)


def _tempo(transition: TransitionPlacement, out: TrackPlacement, into: TrackPlacement) -> Iterator[Figure]:
    bpm = [figure(x, "", digits=2) for x in (transition.from_tempo_bpm, transition.to_tempo_bpm)]
    if NOT_MEASURABLE not in bpm:
        yield Figure("Tempo", f"{' → '.join(bpm)} BPM")
    for track in (out, into):
        change = transition.tempo_change_percent.get(track.name)
        if change is not None:
            yield Figure(f"Speed of {plain(track.name)}", span(change.min, change.max, "%", sign=True))


def _keys(out: TrackPlacement, into: TrackPlacement) -> Figure:
    names = f"{out.key or NOT_MEASURABLE} → {into.key or NOT_MEASURABLE}"
    if out.key is None or into.key is None:
        return Figure("Keys", names, "not known")
    return Figure("Keys", names, described(parse_key(out.key), parse_key(into.key)))


def _beats(transition: TransitionPlacement, offset: BeatOffset | None) -> Figure:
    if offset is None:
        return Figure("Beats apart", NOT_MEASURABLE, _why_no_beats(transition))
    late = f"95 % within {offset.p95_abs:.2f} ms, {offset.beats} compared; + is late"
    return Figure("Beats apart", figure(offset.median, "ms", digits=2, sign=True), late)


def _why_no_beats(transition: TransitionPlacement) -> str:
    if transition.end_s <= transition.start_s:
        return "nothing overlaps"
    return "fewer than 8 beats were clear in both" if transition.beatmatched else "the beats are not matched"


def _step(step_lu: float | None) -> Figure:
    if step_lu is None:
        return Figure(
            "Loudness step", NOT_MEASURABLE, "takes 8 bars of sound before the overlap and after it"
        )
    value = figure(step_lu, "LU", sign=True)
    return Figure("Loudness step", value, "8 bars after the overlap, against 8 before")


def _leaves(transition: TransitionPlacement, out: TrackPlacement, into: TrackPlacement) -> Figure:
    value = f"{_place(transition.leave_bar, transition.leave_s)} → " + _place(
        transition.enter_bar, transition.enter_s
    )
    return Figure("Leave → enter", value, f"of {plain(out.name)}, of {plain(into.name)}")


def _place(bar: float | None, second: float) -> str:
    return f"bar {round(bar, 2):g}" if bar is not None else format_time(second)


def _sound(measure: TransitionMeasure) -> Iterator[Figure]:
    clip, overlap = measure.clip, measure.overlap
    if clip is not None:
        peak = figure(clip.loudness.true_peak_dbtp, "dBTP")
        words = f"true peak {peak}, limiter {_took(clip.max_reduction_db)}"
        yield Figure("Clip", figure(clip.loudness.integrated_lufs, "LUFS"), words)
    elif overlap is not None:
        peak = figure(overlap.loudness.true_peak_dbtp, "dBTP")
        words = f"true peak {peak}, limiter {_took(overlap.max_gain_reduction_db)}"
        yield Figure("In the overlap", figure(overlap.loudness.integrated_lufs, "LUFS"), words)


def _took(reduction_db: float) -> str:
    return figure(-reduction_db, "dB")
