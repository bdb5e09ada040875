"""A plan and its clips to what the live page is made of: its sections one by one, and all of it at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from mixrender.mixdown.result import MixResult, TransitionMeasure
from mixrender.page.build import build_page
from mixrender.page.model import Overview, Page, TransitionPart
from mixrender.page.render import html_of
from mixrender.plan.model import Plan

_BORDER = re.compile(r"<section\b|</section>")
_OPENING = '<section class="transition"'


@dataclass(frozen=True)
class Drawn:
    """One transition as a page shows it: its data for the template, its HTML, its entry for the script."""

    part: TransitionPart
    html: str
    place: Mapping[str, Any]


def draw_section(plan: Plan, result: MixResult, number: int) -> Drawn:
    """The section of transition `number`, from 1, of a result that holds its measure."""
    alone = _with_measures(result, {number: result.transitions[number - 1]})
    page = build_page(plan, alone)
    return Drawn(page.transitions[0], section_in(html_of(page, live=True)), page.data["transitions"][0])


def section_in(html: str) -> str:
    """The first transition's section in a page: from its opening tag to the closing tag of the same one."""
    start = html.index(_OPENING)
    depth = 0
    for border in _BORDER.finditer(html, start):
        depth += -1 if border.group().startswith("</") else 1
        if depth == 0:
            return html[start : border.end()]
    raise ValueError("a section of the page has no end")


def around_revision(plan: Plan, result: MixResult) -> str:
    """Another text whenever what stands beside the sections is another."""
    page = replace(build_page(plan, _untraced(result)), transitions=())
    return hashlib.blake2b(html_of(page, live=True).encode(), digest_size=8).hexdigest()


def draw_page(plan: Plan, result: MixResult, drawn: Mapping[int, Drawn], revisions: Mapping[int, str]) -> str:
    """The whole page; sections are those that were drawn, each marked with its revision."""
    shown = _untraced(result)
    page = build_page(
        plan, _with_measures(shown, {number: shown.transitions[number - 1] for number in drawn})
    )
    parts = tuple(drawn[part.index].part for part in page.transitions)
    return _marked(html_of(replace(page, transitions=parts), live=True), revisions)


def empty_page(title: str) -> str:
    """The page before anything was rendered, or where the plan was at fault from the start."""
    nothing = Overview(0, (), (), (), None, "")
    data = {"title": title, "kind": "preview", "duration_s": 0.0, "transitions": []}
    page = Page("preview", title, "", (), "", (), None, (), nothing, (), (), (), (), 0, data)
    return html_of(page, live=True)


def _untraced(result: MixResult) -> MixResult:
    """The result without what scores are drawn from: what is drawn already need not be drawn again."""
    measures = [
        replace(measure, clip=replace(measure.clip, trace=None)) if measure and measure.clip else measure
        for measure in result.transitions
    ]
    return replace(result, transitions=tuple(measures))


def _with_measures(result: MixResult, measures: Mapping[int, TransitionMeasure | None]) -> MixResult:
    """The result with the measures of some transitions, by number, and of no other."""
    count = len(result.transitions)
    return replace(result, transitions=tuple(measures.get(number) for number in range(1, count + 1)))


def _marked(html: str, revisions: Mapping[int, str]) -> str:
    def mark(opening: re.Match[str]) -> str:
        revision = revisions.get(int(opening[1]), "")
        return f'{opening[0]} data-revision="{revision}"'

    return re.sub(_OPENING + r' id="t(\d+)"', mark, html)
