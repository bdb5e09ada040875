"""A transition to its score, where there is something to draw it from."""

from __future__ import annotations

from mixrender.mixdown.result import MixResult
from mixrender.plan.model import Plan
from mixrender.report.score import score_svg


def drawn_score(plan: Plan, result: MixResult, index: int, *, ids: str, compact: bool) -> str:
    """One `<svg class="score">` of transition `index`, counted from 1; empty for a clip without a trace.

    In a whole mix there are no clips: its scores show what is done to the tracks, and no sound.
    `ids` begins every id in it, so that those of one page differ; `compact` is for narrow screens.
    """
    measure = result.transitions[index - 1]
    if measure is None or (measure.clip is not None and measure.clip.trace is None):
        return ""
    return score_svg(plan, result, index, ids=ids, compact=compact)
