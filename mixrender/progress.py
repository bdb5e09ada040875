"""How long work tells whoever waits for it how far it is."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol

Advance = Callable[[float], None]
"""Called with the amount of work done since the last call, in the task's own unit."""


class Progress(Protocol):
    """Something that shows tasks under way; safe to call from several threads."""

    def task(self, label: str, total: float, *, counted: bool = False) -> AbstractContextManager[Advance]:
        """Show a task of `total` units (any unit) for as long as the context is open.

        Where the units are things that people count, such as files, `counted` shows how many are done.
        """


class NoProgress:
    """Shows nothing."""

    def task(self, label: str, total: float, *, counted: bool = False) -> AbstractContextManager[Advance]:
        """A task that nobody watches."""
        return nullcontext(_ignore)


def _ignore(amount: float) -> None:
    pass
