"""What a plan writes without any effect, as far as the plan alone tells: each with a warning at its place."""

from __future__ import annotations

from collections.abc import Iterator

from mixrender.errors import Problem
from mixrender.plan.model import Plan, Transition

_GOES_WITHOUT_SAYING = ("none", "cut", "blend")
"""Recipes that promise nothing which a cut does not give."""


def idle_duckings(plan: Plan) -> Iterator[Problem]:
    """How the music gives way to a voice to which it does not."""
    for index, voice in enumerate(plan.voices):
        for field, word in (("over_lu", "over"), ("attack_s", "attack"), ("release_s", "release")):
            if not voice.duck and field in voice.model_fields_set:
                text = f"`{word}` has no effect with `duck: false`"
                yield plan.problem(("voices", index, word), text, "warning")


def idle_recipes(plan: Plan) -> Iterator[Problem]:
    """Parameters that no move of a recipe holds, and recipes that have no overlap to be played in."""
    for name, recipe in plan.recipes.items():
        for parameter in recipe.unused():
            text = f"no move holds `<{parameter}>`, so it changes nothing"
            yield plan.problem(("recipes", name, "parameters", parameter), text, "warning")
    for index, transition in enumerate(plan.transitions):
        written = "recipe" in transition.model_fields_set
        if written and transition.recipe not in _GOES_WITHOUT_SAYING and (without := _no_room(transition)):
            text = f"{without} the recipe does nothing; give an `overlap`, or write the moves themselves"
            yield plan.problem(("transitions", index, "recipe"), text, "warning")


def _no_room(transition: Transition) -> str | None:
    """In words why no recipe fits into a transition; None: one may."""
    if transition.gap is not None:
        return "with a `gap`"
    length = transition.overlap
    if length is not None and not any((length.bars, length.beats, length.seconds)):
        return f"over `{length}`"
    return None
