"""Which parts of a file sound one after the other, as edits leave them, and what happens in place to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Passage:
    """From second `play_s` of a track as it plays, `length_s` of its file sound from second `source_s` on."""

    play_s: float
    source_s: float
    length_s: float


@dataclass(frozen=True)
class Patch:
    """Something that happens from `start_s` to `end_s`, in seconds of the track as it plays."""

    kind: Literal["mute", "reverse", "brake", "spin_up"]
    start_s: float
    end_s: float


@dataclass(frozen=True)
class PlayOrder:
    """The passages of a track in the order in which they sound; none: the file plays as it is."""

    passages: tuple[Passage, ...] = ()
