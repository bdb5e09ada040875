"""Progress that asks at every step whether the work is still wanted, and names its tasks to the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from mixrender.progress import Advance, Progress


class Overtaken(Exception):
    """The work under way is for a plan that has changed since, or the rehearsal is over."""


class Overseen:
    """Shows what another progress shows; `require_wanted` raises Overtaken, and so ends the work.

    `say`, where it is given, gets the label of every task.
    """

    def __init__(
        self,
        shown: Progress,
        require_wanted: Callable[[], None],
        *,
        say: Callable[[str], None] | None = None,
    ):
        self._shown, self._require_wanted, self._say = shown, require_wanted, say

    @contextmanager
    def task(self, label: str, total: float, *, counted: bool = False) -> Iterator[Advance]:
        """A task that ends early where it is no longer wanted."""
        self._require_wanted()
        if self._say is not None:
            self._say(label)
        with self._shown.task(label, total, counted=counted) as shown:

            def advance(amount: float) -> None:
                self._require_wanted()
                shown(amount)

            yield advance
