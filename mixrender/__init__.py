"""Renders DJ mixes offline from a declarative plan, and measures them by ITU-R BS.1770.

The interface: `load_plan` reads a plan, `resolve` works out its timeline, `render` and `preview` make sound
of it, `analyze` and `measure_loudness` look at one file. Every fault is a `MixrenderError`; the classes are
drawn as a tree in `mixrender.errors`.
"""

from typing import TYPE_CHECKING, Any

from mixrender.errors import (
    AudioError,
    InputError,
    MachineError,
    MixrenderError,
    PlanError,
    Problem,
    ToolError,
)

if TYPE_CHECKING:
    from mixrender.api import analyze, measure_loudness, preview, render, resolve
    from mixrender.plan.load import load_plan

__version__ = "0.1.0"

__all__ = [
    "AudioError",
    "InputError",
    "MachineError",
    "MixrenderError",
    "PlanError",
    "Problem",
    "ToolError",
    "analyze",
    "load_plan",
    "measure_loudness",
    "preview",
    "render",
    "resolve",
]


def __getattr__(name: str) -> Any:
    # What makes sound imports compilers and transforms; who wants an error class should not wait for them.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from mixrender import api

    return getattr(api, name)
