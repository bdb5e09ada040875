"""A loudness and a ceiling go in; the gain and the pace of the limiter that lead there come out.

A limiter looks at sound in relation to its ceiling alone: with gain and ceiling moved together, what comes
out moves with them. So each pass tells one point of a curve, from drive (the gain above the ceiling) to level
(the loudness above the ceiling), which holds for every ceiling: a search begins where earlier ones ended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import NamedTuple

from mixrender.dsp.limiter import PACES, Pace
from mixrender.mixdown.chain import Mastering, Setting

CLOSE_ENOUGH_LU = 0.05
"""The target is searched for to within this."""

MAX_PASSES = 6
"""For each pace."""

LEAST_SLOPE = 0.15
"""LU that a dB of gain brings at least. Below it the limiter takes nearly all of the gain, and more only
flattens the sound: the search goes one step there, and no further."""

STEP_DB = 3.0
"""No more drive at once than this, twice as much at first: beyond, a limiter may bring nothing more."""

MOST_REDUCTION_DB = 20.0
"""No target is worth more than this: what would need it is missed, and said."""

SAME_DRIVE_DB = 1e-6

SQUEEZED_DB = 2.0
"""A limiter that takes more away on average gives way to a faster one. Common practice, no source."""


class _Point(NamedTuple):
    """What one pass told of a pace; the drive, dB above the ceiling, and the level, LU above it."""

    drive_db: float
    level_lu: float
    mean_reduction_db: float
    max_reduction_db: float


class Search:
    """Finds settings for one mix, and remembers every pass for the next that is asked for.

    `listen` sends the mix through a setting. `loudness_lufs` and `peak_dbtp` are those of the mix itself.
    """

    def __init__(self, listen: Callable[[Setting], Mastering], *, loudness_lufs: float, peak_dbtp: float):
        self._listen = listen
        # Up to where its peak meets the ceiling, the mix is not limited at any pace.
        self._free = _Point(-peak_dbtp, loudness_lufs - peak_dbtp, 0.0, 0.0)
        self._points: dict[Pace, list[_Point]] = {pace: [self._free] for pace in PACES}

    def find(self, *, target_lufs: float, ceiling_dbtp: float) -> Mastering:
        """The master at the slowest pace of the limiter at which it is loud enough and not squeezed.

        Where there is none, the one that comes nearest to the target of all that were tried.
        """
        made: dict[Setting, Mastering] = {}
        for pace in PACES:
            for one in self._climb(pace, target_lufs, ceiling_dbtp):
                made[one.setting] = one
                if abs(missing_lu(one, target_lufs)) <= CLOSE_ENOUGH_LU and not is_squeezed(one):
                    return one
        pace, drive_db = self._nearest(target_lufs - ceiling_dbtp)
        setting = Setting(drive_db + ceiling_dbtp, ceiling_dbtp, pace)
        return made.get(setting) or self._pass(pace, drive_db, ceiling_dbtp)

    def _nearest(self, wanted_lu: float) -> tuple[Pace, float]:
        """Pace and drive of the known point nearest to a level; of several near enough, the fastest."""
        known = [
            (max(abs(point.level_lu - wanted_lu), CLOSE_ENOUGH_LU), -number, point.drive_db)
            for number, pace in enumerate(PACES)
            for point in self._points[pace]
            if point.max_reduction_db <= MOST_REDUCTION_DB + CLOSE_ENOUGH_LU
        ]
        _, number, drive_db = min(known)
        return PACES[-number], drive_db

    def _climb(self, pace: Pace, target_lufs: float, ceiling_dbtp: float) -> Iterator[Mastering]:
        """Masters at one pace, until one is as loud as asked or it is seen that none will be.

        At all paces but the fastest, what is squeezed and still too quiet is the end.
        """
        wanted_lu = target_lufs - ceiling_dbtp
        for _ in range(MAX_PASSES):
            drive_db = self._next_drive_db(pace, wanted_lu)
            if drive_db is None:
                return
            made = self._pass(pace, drive_db, ceiling_dbtp)
            yield made
            if abs(missing_lu(made, target_lufs)) <= CLOSE_ENOUGH_LU:
                return

    def _pass(self, pace: Pace, drive_db: float, ceiling_dbtp: float) -> Mastering:
        made = self._listen(Setting(drive_db + ceiling_dbtp, ceiling_dbtp, pace))
        assert made.loudness.integrated_lufs is not None
        level_lu = made.loudness.integrated_lufs - ceiling_dbtp
        point = _Point(drive_db, level_lu, made.mean_reduction_db, made.max_reduction_db)
        # Heard once more under another ceiling, a drive tells nothing new.
        if all(abs(known.drive_db - drive_db) > SAME_DRIVE_DB for known in self._points[pace]):
            self._points[pace] = sorted([*self._points[pace], point])
        return made

    def _worth_it(self, pace: Pace) -> list[_Point]:
        """The points of a pace up to where more drive brings next to nothing."""
        points = self._points[pace]
        flat = (
            number
            for number, (lower, upper) in enumerate(pairwise(points), start=1)
            if upper.drive_db - lower.drive_db > 1.0 and _slope(lower, upper) < LEAST_SLOPE
        )
        return points[: next(flat, len(points))]

    def _next_drive_db(self, pace: Pace, wanted_lu: float) -> float | None:
        """The drive that should give a level; None where more would be useless, or a faster pace is better.

        The more is limited, the flatter the curve: it lies above the line between two points, and below the
        line that goes on from points before, which at the free end rises by 1.
        """
        points = self._points[pace]
        quiet = [point for point in points if point.level_lu < wanted_lu]
        loud = [point for point in points if point.level_lu >= wanted_lu]
        if not quiet:
            return points[0].drive_db + wanted_lu - points[0].level_lu
        last = quiet[-1]
        missing = wanted_lu - last.level_lu
        if missing > CLOSE_ENOUGH_LU and last.mean_reduction_db > SQUEEZED_DB and pace != PACES[-1]:
            return None
        slope = 1.0 if len(quiet) == 1 else max(_slope(quiet[-2], last), LEAST_SLOPE)
        if loud:
            least_db = missing / slope
            most_db = missing / _slope(last, loud[0])
            return last.drive_db + min((least_db + most_db) / 2, most_db)
        if len(quiet) == 1:
            slower = self._points[PACES[max(PACES.index(pace) - 1, 0)]][-1]
            return max(last.drive_db + min(missing, 2 * STEP_DB), slower.drive_db)
        # One step into where more brings next to nothing, however many passes that takes: what is told to be
        # the most that can be had is then found by whoever asks for it.
        flat_db = self._worth_it(pace)[-1].drive_db + STEP_DB - last.drive_db
        room_db = min(MOST_REDUCTION_DB - last.max_reduction_db, flat_db)
        if room_db <= CLOSE_ENOUGH_LU:
            return None
        local_slope = max(2.0 * slope - 1.0, LEAST_SLOPE) if len(quiet) == 2 else slope
        return last.drive_db + min(missing / local_slope, STEP_DB, room_db)


def _slope(lower: _Point, upper: _Point) -> float:
    return (upper.level_lu - lower.level_lu) / (upper.drive_db - lower.drive_db)


def missing_lu(found: Mastering, target_lufs: float) -> float:
    """How much louder a master should be; minus: quieter."""
    assert found.loudness.integrated_lufs is not None
    return target_lufs - found.loudness.integrated_lufs


def is_squeezed(found: Mastering) -> bool:
    """Whether the limiter takes so much away that a faster one should."""
    return found.mean_reduction_db > SQUEEZED_DB
