"""How loud tracks are where they play alone goes in; the gains that would make them equally loud come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

EVEN_LU = 1.0
"""Tracks that lie nearer to each other than this need no levelling: a step that is seldom heard as one in
music of different kinds. Common practice, no source."""

STEP_DB = 0.1


@dataclass(frozen=True)
class Levelling:
    """How far tracks lie apart, and the change of gain in dB that would bring each to their median.

    `loudest` and `quietest` are indices of tracks. `changes_db` has an entry for each track, all 0 where
    nothing needs to be done; a track that could not be measured has 0 as well.
    """

    spread_lu: float
    loudest: int
    quietest: int
    changes_db: tuple[float, ...]

    @property
    def is_even(self) -> bool:
        """Whether nothing needs to be done."""
        return not any(self.changes_db)


def levelling(alone_lufs: Sequence[float | None]) -> Levelling | None:
    """The levelling of tracks, given the loudness of each where it plays alone; None: not measurable.

    It needs two tracks that could be measured. The changes are in steps of 0.1 dB, so that what is left of
    the spread is 0.1 LU as long as a track follows its gain, as it does where no limiter acts.
    """
    known = {index: lufs for index, lufs in enumerate(alone_lufs) if lufs is not None}
    if len(known) < 2:
        return None
    loudest, quietest = max(known, key=lambda i: known[i]), min(known, key=lambda i: known[i])
    spread_lu = known[loudest] - known[quietest]
    goal_lufs = median(known.values())
    changes_db = [0.0] * len(alone_lufs)
    if spread_lu >= EVEN_LU:
        for index, lufs in known.items():
            changes_db[index] = round((goal_lufs - lufs) / STEP_DB) / round(1.0 / STEP_DB)
    return Levelling(spread_lu, loudest, quietest, tuple(changes_db))
