"""Tracks in their order to the semitones by which each is shifted: as written, and to match keys."""

from __future__ import annotations

from collections.abc import Sequence

from mixrender.errors import Problem
from mixrender.facts import TrackFacts
from mixrender.keys import Key, described, fitting_shift, parse_key
from mixrender.plan.model import Plan, Track

MOST_SEMITONES = 2
"""More than this in all is refused unless forced: of the tracks that DJs shift at all, 94 % are shifted by
one semitone (Kim et al., ISMIR 2020)."""


def shifts_semitones(plan: Plan, facts: Sequence[TrackFacts]) -> tuple[list[float], list[Problem]]:
    """The shift of each track of a plan, and what keeps a key from being matched.

    Where a transition asks for it, the incoming track gets the smallest shift with which its key is the same
    as that of the outgoing one, relative to it, or a fifth from one of these. Any key is at most two
    semitones from such a one; a shift that the plan writes comes on top.
    """
    shifts = [track.shift_semitones for track in plan.tracks]
    problems: list[Problem] = []
    names = [track.name for track in plan.tracks]
    for number, transition in enumerate(plan.transitions):
        pair = (transition.from_track, transition.to_track)
        if transition.match_key == "off" or not set(pair) <= set(names):
            continue
        out, into = (names.index(name) for name in pair)
        path = ("transitions", number, "match_key")
        keys = [_sounding_key(plan.tracks[i], facts[i], shifts[i]) for i in (out, into)]
        if keys[0] is None or keys[1] is None:
            message = _no_key(plan.tracks[out if keys[0] is None else into], shifts)
            problems.append(plan.problem(path, message))
            continue
        total = shifts[into] + fitting_shift(keys[0], keys[1])
        if abs(total) > MOST_SEMITONES and transition.match_key != "force":
            message = (
                f"`{pair[1]}` would be shifted by {total:+g} semitones in all, and more than "
                f"{MOST_SEMITONES} is plainly heard: take its `shift` away, or write `match_key: force`"
            )
            problems.append(plan.problem(path, message))
            continue
        shifts[into] = total
        problems += _doubts(plan, plan.tracks[out], facts[out], path)
        problems += _doubts(plan, plan.tracks[into], facts[into], path)
    return shifts, problems


def sounding_key(track: Track, facts: TrackFacts, shift_semitones: float) -> str | None:
    """The key that a track has in the mix: written or found, and moved by whole semitones; else None.

    Where it is not moved it is given as it is written.
    """
    if not shift_semitones:
        return track.key or facts.key
    key = _sounding_key(track, facts, shift_semitones)
    return None if key is None else str(key)


def key_matched(out: str, into: str, semitones: float) -> str:
    """What the matching of a key came to, in words."""
    unit = "semitone" if abs(semitones) == 1 else "semitones"
    by = f"{semitones:+g} {unit}" if semitones else "it fits as it is"
    return f"{by}: {into}, {described(parse_key(out), parse_key(into))}"


def _sounding_key(track: Track, facts: TrackFacts, shift_semitones: float) -> Key | None:
    name = track.key or facts.key
    whole = round(shift_semitones)
    if name is None or whole != shift_semitones:
        return None
    return parse_key(name).transposed(semitones=whole)


def _no_key(track: Track, shifts: Sequence[float]) -> str:
    if track.shift_semitones != round(track.shift_semitones):
        return f"`{track.name}` is shifted by a part of a semitone, so its key has no name; write whole ones"
    return f"no key is known of `{track.name}`; write it: `key: F minor`"


def _doubts(plan: Plan, track: Track, facts: TrackFacts, path: tuple[str | int, ...]) -> list[Problem]:
    """A warning where a matched key is the analysis's, and it is not sure of it."""
    if track.key is not None or not any(doubt.part == "key" for doubt in facts.doubts):
        return []
    message = f"the key of `{track.name}` is not sure to be {facts.key}; if it is not, write its `key:`"
    return [plan.problem(path, message, "warning")]
