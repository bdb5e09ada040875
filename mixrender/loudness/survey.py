"""What was measured of many files goes in; one record of it, with the verdicts on all of them, comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mixrender.errors import MixrenderError
from mixrender.facts import Loudness
from mixrender.loudness.judge import Judgement, judge, judge_all
from mixrender.loudness.targets import Target


@dataclass(frozen=True)
class Reading:
    """One file and its loudness, and the verdict on it where a target was named."""

    file: Path
    loudness: Loudness
    judgement: Judgement | None = None


@dataclass(frozen=True)
class Survey:
    """Many files: the reading of each that could be measured, the faults of the others, and of all as one.

    `together` is None unless it was asked for; it carries a verdict where the target is not one for the
    loudest of several files.
    """

    readings: tuple[Reading, ...]
    faults: tuple[tuple[Path, MixrenderError], ...] = ()
    target: Target | None = None
    together: Loudness | None = None
    together_judgement: Judgement | None = None

    @property
    def has_failed(self) -> bool:
        """Whether anything misses the target; what is not measurable does not."""
        judgements = [*(reading.judgement for reading in self.readings), self.together_judgement]
        return any(judgement is not None and judgement.passed is False for judgement in judgements)


def survey_of(
    measured: Sequence[tuple[Path, Loudness]],
    *,
    faults: Sequence[tuple[Path, MixrenderError]] = (),
    target: Target | None = None,
    together: Loudness | None = None,
) -> Survey:
    """The record of what was measured, judged by the target if there is one."""
    figures = [loudness for _, loudness in measured]
    judgements = judge_all(figures, target) if target else [None] * len(figures)
    as_one = judge(together, target) if together and target and not target.of_loudest else None
    return Survey(
        readings=tuple(
            Reading(file, loudness, judgement)
            for (file, loudness), judgement in zip(measured, judgements, strict=True)
        ),
        faults=tuple(faults),
        target=target,
        together=together,
        together_judgement=as_one,
    )
