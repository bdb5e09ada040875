"""The loudness of audio files, with verdicts, to tables and lines for people, to JSON and to CSV."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from rich.table import Table

from mixrender.facts import Loudness
from mixrender.loudness.judge import INTEGRATED, RANGE, SHORT_TERM, TRUE_PEAK, Criterion, Judgement
from mixrender.loudness.survey import Survey
from mixrender.loudness.targets import TARGETS, Target
from mixrender.report.csv_text import csv_text
from mixrender.report.document import (
    Document,
    criterion_document,
    loudness_details,
    plain_figure,
    true_peak_channel,
)
from mixrender.report.plain_names import plain_name
from mixrender.report.tables import NOT_MEASURABLE, mark_unstable, new_table, number, range_told, time_told
from mixrender.units import format_time

TOGETHER = "all together"
"""The row of all files as one programme."""

_DISTANCES = {
    INTEGRATED: "integrated_distance_lu",
    TRUE_PEAK: "true_peak_distance_db",
    SHORT_TERM: "short_term_distance_lu",
    RANGE: "loudness_range_distance_lu",
}
"""Columns of CSV that say how far each criterion is from being met."""

_Row = tuple[str, Loudness, Judgement | None]


def _rows(survey: Survey, *, name_of: Callable[[Path], str]) -> Iterator[_Row]:
    for reading in survey.readings:
        yield name_of(reading.file), reading.loudness, reading.judgement
    if survey.together is not None:
        yield TOGETHER, survey.together, survey.together_judgement


def _short_names(survey: Survey) -> Callable[[Path], str]:
    """Names for people: without the folder, unless several files share one."""
    files = Counter(reading.file.name for reading in survey.readings)
    return lambda file: plain_name(file.name if files[file.name] == 1 else str(file))


def verdict_of(judgement: Judgement | None) -> str | None:
    """`pass` or `fail`; None where there is no verdict."""
    return {True: "pass", False: "fail"}.get(judgement.passed) if judgement else None  # type: ignore[arg-type]


# --- for people ------------------------------------------------------------------------------------------


def survey_tables(survey: Survey) -> list[Table]:
    """The figures of each file, and if there is a target, how far each is from it."""
    rows = list(_rows(survey, name_of=_short_names(survey)))
    if not rows:
        return []
    tables = [_loudness_table(rows), _peaks_table(rows)]
    if survey.target is not None:
        tables.append(_verdict_table(rows, survey.target))
    return tables


def _loudness_table(rows: list[_Row]) -> Table:
    columns = ("length", "I LUFS", "range LU", "max M LUFS", "max S LUFS")
    table = new_table("Loudness (ITU-R BS.1770-5)", "", *columns)
    for name, loudness, _ in rows:
        table.add_row(
            name,
            format_time(loudness.duration_s),
            number(loudness.integrated_lufs),
            range_told(loudness),
            number(loudness.max_momentary_lufs),
            number(loudness.max_short_term_lufs),
        )
    mark_unstable(table, [loudness for _, loudness, _ in rows])
    return table


def _peaks_table(rows: list[_Row]) -> Table:
    columns = ("true peak dBTP", "at", "channel*", "peak dBFS", "PLR LU")
    table = new_table("Peaks, and how far they lie above the loudness", "", *columns)
    for name, loudness, _ in rows:
        table.add_row(
            name,
            number(loudness.true_peak_dbtp),
            time_told(loudness.true_peak_s),
            true_peak_channel(loudness) or NOT_MEASURABLE,
            number(loudness.sample_peak_dbfs),
            number(loudness.plr_lu),
        )
    return table


def _verdict_table(rows: list[_Row], target: Target) -> Table:
    judgements = [(name, judgement) for name, _, judgement in rows if judgement is not None]
    names = [criterion.name for criterion in judgements[0][1].criteria] if judgements else []
    off = [f"{name} off {'dB' if name == TRUE_PEAK else 'LU'}" for name in names]
    columns = ("verdict*", *off, "gain dB", "then true peak dBTP")
    is_published = any(target.name.startswith(one.name) for one in TARGETS.values())
    words = _in_words(target) if is_published else _figures_of(target)
    table = new_table(f"Target: {words}", "", *columns)
    for name, judgement in judgements:
        table.add_row(
            name,
            verdict_of(judgement) or "not measurable",
            *(_off(criterion) for criterion in judgement.criteria),
            number(judgement.gain_db, sign=True),
            number(judgement.true_peak_after_dbtp, sign=True),
        )
    return table


def _off(criterion: Criterion) -> str:
    if criterion.distance is None:
        return NOT_MEASURABLE
    return "ok" if criterion.passed else number(criterion.distance, sign=True)


def advice(survey: Survey) -> list[str]:
    """A line for each file that misses the target: what is wrong, and what would cure it."""
    rows = _rows(survey, name_of=_short_names(survey))
    return [
        f"{name}: {_wrong(judgement)}; {_cure(judgement)}"
        for name, _, judgement in rows
        if judgement is not None and judgement.passed is False
    ]


def _wrong(judgement: Judgement) -> str:
    words = []
    for criterion in judgement.criteria:
        if criterion.distance:
            unit = "dB" if criterion.name == TRUE_PEAK else "LU"
            side = "over" if criterion.distance > 0 else "under"
            words.append(f"{criterion.name} {number(abs(criterion.distance))} {unit} {side}")
    return ", ".join(words)


def _cure(judgement: Judgement) -> str:
    """What gain would bring it there and what else it takes."""
    met = {criterion.name: criterion.passed for criterion in judgement.criteria}
    gain_db, after_dbtp = judgement.gain_db, judgement.true_peak_after_dbtp
    # An album whose loudest file is too loud is turned down as one: its quieter files with it.
    is_turned_down = judgement.target.of_loudest and gain_db is not None and gain_db < 0.0
    if gain_db is None or after_dbtp is None or (met.get(INTEGRATED) and not is_turned_down):
        return _cure_of_maxima(judgement)
    level = next(criterion for criterion in judgement.criteria if criterion.name == INTEGRATED)
    assert level.value is not None and judgement.over_after_db is not None
    gain = f"{number(gain_db, sign=True)} dB gain reaches {number(level.value + gain_db)} LUFS"
    peak = f"its true peak would be {number(after_dbtp, sign=True)} dBTP"
    if judgement.over_after_db > 0:
        peak += f": {number(judgement.over_after_db)} dB over the ceiling, so it needs limiting"
    return f"{gain}; {peak}{_short_term_after(judgement, gain_db)}"


def _short_term_after(judgement: Judgement, gain_db: float) -> str:
    """What to say of the loudest 3 s after the gain, if the target bounds them and they would be over."""
    for one in judgement.criteria:
        if one.name == SHORT_TERM and one.value is not None:
            after = replace(one, value=one.value + gain_db)
            if after.distance:
                return f"; its loudest 3 s would be {number(after.distance)} LU over, so it needs compression"
    return ""


def _cure_of_maxima(judgement: Judgement) -> str:
    """What to do where the loudness is right, or not measurable, and a maximum is not."""
    over = [one.distance or 0.0 for one in judgement.criteria if one.name in (TRUE_PEAK, SHORT_TERM)]
    if max(over) <= 0.0:
        return "no gain changes that"
    level = next((one.value for one in judgement.criteria if one.name == INTEGRATED), None)
    then = "" if level is None else f", which leaves {number(level - max(over))} LUFS"
    return f"{number(-max(over), sign=True)} dB gain brings it down{then}; limiting keeps the loudness"


# --- targets ---------------------------------------------------------------------------------------------


def _in_words(target: Target) -> str:
    """A target's name and figures: `EBU R 128: -23.0 LUFS (±0.2 LU), at most -1.0 dBTP`."""
    return f"{target.name}: {_figures_of(target)}"


def _figures_of(target: Target) -> str:
    figures = [f"at most {number(target.true_peak_dbtp)} dBTP"]
    if target.max_short_term_lufs is not None:
        figures.append(f"short term at most {number(target.max_short_term_lufs)} LUFS")
    if target.aims_lufs is not None:
        loudest = " of the loudest file" if target.of_loudest else ""
        figures.insert(0, f"{_integrated(target)} LUFS{loudest} ({_tolerance(target)})")
    return ", ".join(figures)


def _integrated(target: Target) -> str:
    if target.aims_lufs is None:
        return NOT_MEASURABLE
    low, high = target.aims_lufs
    return number(low) if low == high else f"{number(low)} to {number(high)}"


def _tolerance(target: Target) -> str:
    if target.below_lu == target.above_lu:
        return f"±{number(target.below_lu)} LU" if target.below_lu else "no tolerance"
    return f"-{number(target.below_lu)}/+{number(target.above_lu)} LU"


def targets_table() -> Table:
    """The figures of the published targets; `target_sources` says where they stand."""
    columns = ("I LUFS", "tolerance", "true peak at most dBTP", "short term at most LUFS")
    table = new_table("Published targets", "name", *columns)
    for target in TARGETS.values():
        table.add_row(
            target.name,
            _integrated(target),
            _tolerance(target),
            number(target.true_peak_dbtp),
            number(target.max_short_term_lufs),
        )
    return table


def targets_document() -> Document:
    """All of `loudness --targets --json`."""
    return {"targets": [_target_document(target) for target in TARGETS.values()]}


def targets_csv() -> str:
    """CSV (RFC 4180) with the names of the JSON: a line for each published target."""
    documents: list[Document] = targets_document()["targets"]
    return csv_text(list(documents[0]), [list(document.values()) for document in documents])


def target_sources() -> list[str]:
    """A line for each published target: its document, and how its figures are known."""
    return [f"{target.name}: {target.document}. {_sourced(target)}" for target in TARGETS.values()]


def targets_in_lines() -> str:
    """Figures and sources as paragraphs, for the help."""
    return "\n\n".join(
        f"{_in_words(target)}. {target.document}. {_sourced(target)}" for target in TARGETS.values()
    )


def _sourced(target: Target) -> str:
    return f"{target.source[0].upper()}{target.source[1:]}."


# --- for programs ----------------------------------------------------------------------------------------


def survey_document(survey: Survey) -> Document:
    """All of `loudness --json`; null: not measurable, or no target was named."""
    files = [
        {"file": str(reading.file), **_figures(reading.loudness), **_verdict(reading.judgement, survey)}
        for reading in survey.readings
    ]
    document: Document = {"files": files}
    if survey.together is not None:
        verdict = _verdict(survey.together_judgement, survey)
        document["together"] = {"files": len(files), **_figures(survey.together), **verdict}
    if survey.target is not None:
        document["target"] = _target_document(survey.target)
    document["faults"] = [{"file": str(file), "message": str(fault)} for file, fault in survey.faults]
    return document


def _figures(loudness: Loudness) -> Document:
    return {
        "duration_s": loudness.duration_s,
        **loudness_details(loudness),
        # Tech 3341: the range of less than a minute is not stable.
        "loudness_range_unstable": loudness.duration_s < 60.0,
    }


def _verdict(judgement: Judgement | None, survey: Survey) -> Document:
    return {
        "target": survey.target.name if survey.target else None,
        "verdict": verdict_of(judgement),
        "criteria": [criterion_document(one) for one in judgement.criteria] if judgement else [],
        "gain_to_target_db": plain_figure(judgement.gain_db) if judgement else None,
        "true_peak_after_gain_dbtp": plain_figure(judgement.true_peak_after_dbtp) if judgement else None,
    }


def _target_document(target: Target) -> Document:
    return {
        "name": target.name,
        "document": target.document,
        "source": target.source,
        "lowest_integrated_lufs": plain_figure(target.lowest_lufs),
        "highest_integrated_lufs": plain_figure(target.highest_lufs),
        "max_true_peak_dbtp": target.true_peak_dbtp,
        "max_short_term_lufs": target.max_short_term_lufs,
    }


def survey_csv(survey: Survey) -> str:
    """CSV (RFC 4180) with the names of the JSON: a line for each file, empty where there is no figure."""
    rows = [_csv_row(row, survey) for row in _rows(survey, name_of=str)]
    names = rows[0] if rows else _csv_row(("", Loudness(duration_s=0.0), None), survey)
    return csv_text(list(names), [list(row.values()) for row in rows])


def _csv_row(row: _Row, survey: Survey) -> Document:
    name, loudness, judgement = row
    cells = {"file": name, **_figures(loudness), **_verdict(judgement, survey)}
    criteria = {one.name: one.distance for one in judgement.criteria} if judgement else {}
    del cells["criteria"]
    return cells | {column: criteria.get(name) for name, column in _DISTANCES.items()}
