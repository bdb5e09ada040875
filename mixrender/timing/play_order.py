"""Which parts of a file sound one after the other, as edits leave them, and what happens in place to them."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from mixrender.facts import Grid

if TYPE_CHECKING:
    from mixrender.timing.timeline import TrackPlacement

PatchKind = Literal["mute", "reverse", "brake", "spin_up"]

SLACK_S = 1e-6
"""Rounding of places that are given in bars: a twentieth of a sample at 48 kHz."""

LISTED = 3
"""More passes of one stretch than this are counted instead of listed."""


@dataclass(frozen=True)
class Passage:
    """From second `play_s` of a track as it plays, `length_s` of its file sound from second `source_s` on."""

    play_s: float
    source_s: float
    length_s: float


@dataclass(frozen=True)
class Patch:
    """Something that happens from `start_s` to `end_s`, in seconds of the track as it plays."""

    kind: PatchKind
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Skip:
    """Seconds `start_s` to `end_s` of a file, which entry `edit` (from 0) of the track's edits leaves out."""

    edit: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class PlayOrder:
    """The passages of a track in the order in which they sound; none: the file plays as it is.

    Before the file's beginning and after its end time runs on with the first and the last passage.
    `file_grid` is the grid in seconds of the file, where that is not the grid of the track as it plays.
    """

    passages: tuple[Passage, ...] = ()
    skips: tuple[Skip, ...] = ()
    file_grid: Grid | None = None

    @property
    def end_s(self) -> float:
        """Second of the track as it plays at which its last passage ends; there must be passages."""
        return self.passages[-1].play_s + self.passages[-1].length_s

    def passes_at(self, source_s: float) -> tuple[float, ...]:
        """Every second of the track as it plays at which a second of the file sounds, in order."""
        if not self.passages:
            return (source_s,)
        return tuple(
            passage.play_s + source_s - passage.source_s
            for number, passage in enumerate(self.passages)
            if (source_s >= passage.source_s - SLACK_S or (number == 0 and passage.source_s <= 0.0))
            and (source_s < _end_s(passage) - SLACK_S or number == len(self.passages) - 1)
        )

    def play_at(self, source_s: float, pass_number: int | None = None) -> float | None:
        """Second of the track as it plays at which a second of the file sounds; None: it does not.

        `pass_number` counts from 1; None is the last pass.
        """
        passes = self.passes_at(source_s)
        if pass_number is None:
            return passes[-1] if passes else None
        return passes[pass_number - 1] if pass_number <= len(passes) else None

    def play_near(self, source_s: float) -> float:
        """As `play_at`, the last pass; of a second that is left out, where its place was."""
        found = self.play_at(source_s)
        if found is not None:
            return found
        ends_s = [p.play_s + p.length_s for p in self.passages if _end_s(p) <= source_s + SLACK_S]
        return max(ends_s, default=self.passages[0].play_s)

    def source_at(self, play_s: float) -> float:
        """Second of the file that sounds at a second of the track as it plays."""
        if not self.passages:
            return play_s
        passage = self.passages[self._index_at(play_s)]
        return passage.source_s + play_s - passage.play_s

    def joints_s(self) -> tuple[float, ...]:
        """Seconds of the track as it plays at which the file does not go on as it is."""
        return tuple(
            passage.play_s
            for before, passage in zip(self.passages, self.passages[1:], strict=False)
            if abs(_end_s(before) - passage.source_s) > SLACK_S
        )

    def skip_at(self, source_s: float) -> Skip | None:
        """What leaves a second of the file out, if anything does."""
        return next(
            (s for s in self.skips if s.start_s - SLACK_S <= source_s < s.end_s - SLACK_S),
            None,
        )

    def _index_at(self, play_s: float) -> int:
        starts_s = [passage.play_s for passage in self.passages]
        return max(bisect_right(starts_s, play_s + SLACK_S) - 1, 0)


def _end_s(passage: Passage) -> float:
    """Second of the file at which a passage ends."""
    return passage.source_s + passage.length_s


def order_in_bars(track: TrackPlacement) -> str:
    """The order in which the bars of a track's file sound, as `1-100, 97-100, 97-100, 101-160`.

    What begins or ends inside a bar is given by its ends, `97 to 97.25`; without a grid these are seconds.
    """
    grid = track.order.file_grid or track.grid
    if not track.order.passages:
        ends = [(0.0, track.facts.duration_s)]
    else:
        ends = [(passage.source_s, _end_s(passage)) for passage in track.order.passages]
    texts = []
    for number, (start_s, end_s) in enumerate(ends):
        if grid.kind == "none":
            texts.append(f"{round(start_s, 3):g} s to {round(end_s, 3):g} s")
            continue
        start, end = (round(grid.beat_to_bar(grid.beat_at(s)), 6) for s in (start_s, end_s))
        # The file's own ends seldom lie on bar lines; it is whole bars that count there.
        start = math.ceil(start) if number == 0 else start
        end = math.floor(end + 0.5 / grid.beats_per_bar) if number == len(ends) - 1 else end
        if start < end:
            texts.append(_stretch(start, end))
    groups = [(text, len(list(same))) for text, same in groupby(texts)]
    return ", ".join(
        f"{text} ({count} times)" if count > LISTED else ", ".join([text] * count) for text, count in groups
    )


def _stretch(start: float, end: float) -> str:
    if start % 1.0 or end % 1.0:
        return f"{start:.10g} to {end:.10g}"
    return f"{start:g}" if end - start == 1.0 else f"{start:g}-{end - 1:g}"
