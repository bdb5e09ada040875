"""A rendered mix or its clips to tables and lines for people in a terminal."""

from __future__ import annotations

from rich.table import Table

from mixrender.facts import Loudness
from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.report.document import levelling_advice, true_peak_channel
from mixrender.report.tables import (
    NOT_MEASURABLE,
    keys_told,
    mark_unstable,
    new_table,
    number,
    range_told,
    time_told,
)
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import format_time


def mix_tables(result: MixResult) -> list[Table]:
    """The report of a finished mix: loudness, peaks and gains of the whole and its tracks, transitions."""
    tables = [_loudness_table(result), _peaks_table(result)] if result.loudness else []
    if result.timeline.transitions:
        tables += [beats_table(result), _overlaps_table(result)]
    return tables + _voices_tables(result)


def levelling_lines(result: MixResult) -> list[str]:
    """How far the tracks lie apart, and what would even that out; nothing if it is not measurable."""
    if result.levelling is None:
        return []
    found, names = result.levelling, [track.name for track in result.timeline.tracks]
    if number(found.spread_lu) == number(0.0):
        return ["Between the overlaps the tracks are equally loud."]
    apart = (
        f"Between the overlaps the tracks lie {number(found.spread_lu)} LU apart: "
        f"{names[found.loudest]} is the loudest, {names[found.quietest]} the quietest."
    )
    return [line for line in (apart, levelling_advice(result)) if line]


def target_lines(result: MixResult) -> list[str]:
    """Whether the mix meets the target of its plan, or by how much it misses it; nothing without a target."""
    target = result.target
    if target is None or target.passed is None or result.loudness is None:
        return []
    asked = [] if target.integrated_lufs is None else [f"{target.integrated_lufs:.4g} LUFS"]
    asked.append(f"at most {target.true_peak_dbtp:.4g} dBTP")
    figures = ", ".join(asked)
    name = f"{target.name}, {figures}" if target.name else figures
    if not target.passed:
        return [f"Target: {name}: missed: {target.reason}."]
    loudness = result.loudness
    found = [] if loudness.integrated_lufs is None else [f"{number(loudness.integrated_lufs)} LUFS"]
    found += [] if loudness.true_peak_dbtp is None else [f"{number(loudness.true_peak_dbtp)} dBTP"]
    return [f"Target: {name}: met, with {' and '.join(found) or 'silence'}."]


def _heard(result: MixResult) -> list[tuple[str, Loudness]]:
    """What the tables of a mix have a row for: the mix, and its tracks as they sound in it."""
    assert result.loudness is not None
    rows = [("the mix", result.loudness)]
    if result.before_encoding is not None:
        rows = [("the mix, as delivered", result.loudness), ("before encoding", result.before_encoding)]
    names = [track.name for track in result.timeline.tracks]
    return rows + [(name, one.in_mix.loudness) for name, one in zip(names, result.tracks, strict=True)]


def _loudness_table(result: MixResult) -> Table:
    columns = ("I LUFS", "alone LUFS", "range LU", "max M LUFS", "at", "max S LUFS", "at")
    table = new_table("Loudness of the mix, and of its tracks in it", "", *columns)
    heard = _heard(result)
    alone = [None] * (len(heard) - len(result.tracks)) + [track.alone_lufs for track in result.tracks]
    for (name, loudness), alone_lufs in zip(heard, alone, strict=True):
        table.add_row(
            name,
            number(loudness.integrated_lufs),
            number(alone_lufs) if alone_lufs is not None else "",
            range_told(loudness),
            number(loudness.max_momentary_lufs),
            time_told(loudness.max_momentary_s),
            number(loudness.max_short_term_lufs),
            time_told(loudness.max_short_term_s),
        )
    mark_unstable(table, [loudness for _, loudness in heard])
    return table


def _peaks_table(result: MixResult) -> Table:
    columns = ("true peak dBTP", "at", "side*", "PLR LU", "gain dB", "limiter dB", "mean dB")
    table = new_table("Peaks, gains, and what the limiter took away", "", *columns)
    master, heard = result.master, _heard(result)
    whole = (master.gain_db, master.max_gain_reduction_db, master.mean_gain_reduction_db)
    figures: list[tuple[float, float, float] | None] = [whole]
    figures += [None] * (len(heard) - len(result.tracks) - 1)
    figures += [
        (gain_db, track.in_mix.max_gain_reduction_db, track.in_mix.mean_gain_reduction_db)
        for gain_db, track in zip(result.gains_db, result.tracks, strict=True)
    ]
    for (name, loudness), changed in zip(heard, figures, strict=True):
        table.add_row(name, *_peak_cells(loudness), *(_gain_cells(*changed) if changed else ("", "", "")))
    return table


def _peak_cells(loudness: Loudness) -> list[str]:
    return [
        number(loudness.true_peak_dbtp),
        time_told(loudness.true_peak_s),
        true_peak_channel(loudness) or NOT_MEASURABLE,
        number(loudness.plr_lu),
    ]


def _gain_cells(gain_db: float, most_db: float, mean_db: float) -> list[str]:
    return [number(gain_db, digits=2, sign=True), number(-most_db), number(-mean_db, digits=2)]


def beats_table(result: MixResult) -> Table:
    """How well the beats meet in each transition, and how the keys lie to each other."""
    columns = ("at", "bars", "beats ms", "95 % ms", "worst ms", "compared", "keys*")
    table = new_table("Beats in the overlaps, as measured", "", "from → to*", *columns)
    for transition, measure in zip(result.timeline.transitions, result.transitions, strict=True):
        if measure is not None:
            table.add_row(*_beats_row(result.timeline, transition, measure))
    return table


def _beats_row(timeline: Timeline, transition: TransitionPlacement, measure: TransitionMeasure) -> list[str]:
    offset = measure.beat_offset
    return [
        *_named(timeline, transition),
        format_time(transition.start_s),
        f"{transition.overlap_bars:g}",
        number(offset.median if offset else None, digits=2, sign=True),
        number(offset.p95_abs if offset else None, digits=2),
        number(offset.worst_abs if offset else None, digits=2),
        str(offset.beats) if offset else NOT_MEASURABLE,
        keys_told(timeline, transition),
    ]


def _overlaps_table(result: MixResult) -> Table:
    columns = ("I LUFS", "M LUFS", "S LUFS", "peak dBTP", "limiter dB", "step LU")
    title = "Loudness of the overlaps: integrated, the loudest 0.4 s (M) and 3 s (S)"
    table = new_table(title, "", "from → to*", *columns)
    for transition, measure in zip(result.timeline.transitions, result.transitions, strict=True):
        if measure is not None:
            table.add_row(*_named(result.timeline, transition), *_overlap_cells(measure))
    return table


def _overlap_cells(measure: TransitionMeasure) -> list[str]:
    overlap = measure.overlap
    loudness = overlap.loudness if overlap else Loudness(duration_s=0.0)
    return [
        number(loudness.integrated_lufs),
        number(loudness.max_momentary_lufs),
        number(loudness.max_short_term_lufs),
        number(loudness.true_peak_dbtp),
        number(-overlap.max_gain_reduction_db if overlap else None),
        number(measure.loudness_step_lu, sign=True),
    ]


def clips_tables(result: MixResult) -> list[Table]:
    """The preview clips that were written, and how well the beats meet in them."""
    columns = ("of the mix from", "length", "I LUFS", "true peak dBTP", "step LU")
    table = new_table("Clips", "clip", *columns)
    for measure in result.transitions:
        if measure is not None and measure.clip is not None:
            clip = measure.clip
            table.add_row(
                clip.path.name,
                format_time(clip.start_s),
                format_time(clip.duration_s),
                number(clip.loudness.integrated_lufs),
                number(clip.loudness.true_peak_dbtp),
                number(measure.loudness_step_lu, sign=True),
            )
    return [table, beats_table(result), *_voices_tables(result)]


def _voices_tables(result: MixResult) -> list[Table]:
    """How loud voices are over the music that gives way to them; no table without voices."""
    if not result.voices:
        return []
    columns = ("at", "until", "gain dB", "voice LUFS", "music LUFS", "over LU", "ducked dB")
    table = new_table("Voices and the music under them, in front of the master", "", *columns)
    for measure in result.voices:
        voice = result.timeline.voices[measure.index]
        table.add_row(
            voice.file.name,
            format_time(voice.start_s),
            format_time(voice.end_s),
            number(measure.gain_db, digits=2, sign=True),
            number(measure.voice_lufs),
            number(measure.music_lufs),
            number(measure.over_lu),
            number(-measure.duck_db),
        )
    return [table]


def _named(timeline: Timeline, transition: TransitionPlacement) -> tuple[str, str]:
    names = [timeline.tracks[index].name for index in (transition.outgoing, transition.incoming)]
    return str(transition.index), " → ".join(names)
