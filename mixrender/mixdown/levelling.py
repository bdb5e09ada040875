"""How loud tracks are where they play alone goes in; the gains that would make them equally loud come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

EVEN_LU = 1.0
"""Tracks that lie nearer to each other than this need no levelling: a step that is seldom heard as one in
music of different kinds. Common practice, no source."""

STEPS_PER_DB = 10


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


def levelling(
    alone_lufs: Sequence[float | None], before_master_lufs: Sequence[float | None] | None = None
) -> Levelling | None:
    """The levelling of tracks, given the loudness of each where it plays alone; None: not measurable.

    The spread is that of `alone_lufs`; the changes bring `before_master_lufs` together (None: the same), in
    front of the limiter, where the gains of tracks act: behind it, a loud track does not follow its gain.
    They are in steps of 0.1 dB, so that 0.1 LU of the spread may be left, and behind a limiter what it
    takes from one track more than from another. It needs two tracks that could be measured.
    """
    known = {index: lufs for index, lufs in enumerate(alone_lufs) if lufs is not None}
    if len(known) < 2:
        return None
    loudest, quietest = max(known, key=lambda i: known[i]), min(known, key=lambda i: known[i])
    spread_lu = known[loudest] - known[quietest]
    changes_db = (
        _changes_db(before_master_lufs or alone_lufs) if spread_lu >= EVEN_LU else [0.0] * len(alone_lufs)
    )
    return Levelling(spread_lu, loudest, quietest, tuple(changes_db))


def _changes_db(levels_lufs: Sequence[float | None]) -> list[float]:
    """What brings each level to the median of those that are known, in steps of 0.1 dB."""
    goal_lufs = median(lufs for lufs in levels_lufs if lufs is not None)
    steps = [0 if lufs is None else round((goal_lufs - lufs) * STEPS_PER_DB) for lufs in levels_lufs]
    return [step / STEPS_PER_DB for step in steps]
