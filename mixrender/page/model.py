"""What a page shows, as plain data: every word and figure as it stands there, for the templates to place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

PageKind = Literal["preview", "mix"]


@dataclass(frozen=True)
class Sound:
    """A file that the page plays: its address beside the page, its name, its length.

    `trouble` says why it cannot be played, in words; the address is empty then.
    """

    url: str
    name: str
    duration_s: float
    trouble: str = ""


@dataclass(frozen=True)
class Figure:
    """A line of a table of figures: what it is, its value with its unit, and what to make of it."""

    label: str
    value: str
    remark: str = ""


@dataclass(frozen=True)
class MoveText:
    """What is done to a track, in words; `code` between backticks."""

    what: str
    words: str


@dataclass(frozen=True)
class TrackRow:
    """A line of the tracklist; `time` is when the track comes in, `artist` and `bpm` may be empty."""

    number: int
    time: str
    title: str
    artist: str
    bpm: str
    key: str


@dataclass(frozen=True)
class Bar:
    """A track in the overview: its number and name, its row from 0, its place in per cent of the width."""

    number: int
    label: str
    row: int
    left_percent: float
    wide_percent: float


@dataclass(frozen=True)
class Mark:
    """A transition in the overview, and the place on the page it leads to; empty where it is not shown."""

    number: int
    label: str
    href: str
    left_percent: float
    wide_percent: float


@dataclass(frozen=True)
class Tick:
    """A time under the overview."""

    text: str
    left_percent: float


@dataclass(frozen=True)
class LoudnessLane:
    """The mix's loudness over time as paths in a box of 1000 by 100 units, and what they mean in words.

    `momentary` is an area, `short_term` a line; levels are heights in units from the top, None: not there.
    """

    momentary: str
    short_term: str
    integrated_y: float | None
    target_y: float | None
    highest: str
    lowest: str
    words: str


@dataclass(frozen=True)
class Overview:
    """The whole mix in one picture."""

    rows: int
    tracks: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    ticks: tuple[Tick, ...]
    loudness: LoudnessLane | None
    words: str


@dataclass(frozen=True)
class TransitionPart:
    """One transition on the page; the scores are SVG, empty where nothing was measured to draw them from."""

    index: int
    outgoing: str
    incoming: str
    summary: str
    score: str
    compact_score: str
    sound: Sound | None
    figures: tuple[Figure, ...]
    warnings: tuple[str, ...]
    moves: tuple[MoveText, ...]
    note: str
    duration_s: float


@dataclass(frozen=True)
class Page:
    """A whole page. `data` is what the script needs, as plain JSON; `mix` the sound of a rendered mix."""

    kind: PageKind
    title: str
    artist: str
    facts: tuple[str, ...]
    note: str
    cautions: tuple[str, ...]
    mix: Sound | None
    mix_figures: tuple[Figure, ...]
    overview: Overview
    tracks: tuple[TrackRow, ...]
    moves: tuple[MoveText, ...]
    warnings: tuple[str, ...]
    transitions: tuple[TransitionPart, ...]
    left_out: int
    data: dict[str, Any]
