"""Keys that are matched: the smallest shift that fits, in order of the tracks, or the reason why not."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from mixrender.errors import PlanError
from mixrender.facts import Doubt
from mixrender.keys import Key, fifths_distance, parse_key
from mixrender.plan.check import check_plan
from mixrender.plan.load import parse_plan
from mixrender.timing.match_key import MOST_SEMITONES
from tests.timing.timelines import steady, timeline

KEYS = [Key(tonic, mode) for tonic, mode in product(range(12), ("major", "minor"))]


def mix(a: str, b: str, *, match: str = "true", extra: str = ""):
    return timeline(
        f"""
        tracks:
          a: {{file: a.wav, key: {a}}}
          b: {{file: b.wav, key: {b}{extra}}}
        transitions:
          - {{from: a, to: b, match_key: {match}}}
        """,
        steady(124.0),
        steady(124.0),
    )


def test_every_pair_of_keys_comes_to_within_a_fifth_by_two_semitones_or_fewer():
    # Common practice, no source: keys go together that are the same, relative, or a fifth apart. A semitone
    # is seven fifths, so shifts of 0, ±1 and ±2 reach every place of the circle of twelve.
    worst = 0.0
    for a, b in product(KEYS, KEYS):
        track = mix(str(a), str(b)).tracks[1]
        assert track.key is not None
        assert fifths_distance(a, parse_key(track.key)) <= 1
        worst = max(worst, abs(track.shift_semitones))
    print(f"largest shift: {worst:g} semitones, bound {MOST_SEMITONES}")
    assert worst <= MOST_SEMITONES


@pytest.mark.parametrize(
    ("a", "b", "shift", "becomes"),
    [
        ("A minor", "A minor", 0, "A minor"),
        ("A minor", "C major", 0, "C major"),
        ("C major", "G major", 0, "G major"),
        ("C major", "B major", 1, "C major"),
        ("C major", "D major", -2, "C major"),
        ("C major", "F# major", 1, "G major"),
    ],
)
def test_the_smallest_shift_that_fits_is_taken(a, b, shift, becomes):
    track = mix(a, b).tracks[1]

    assert (track.shift_semitones, track.key) == (shift, becomes)


def test_a_shift_above_two_semitones_in_all_is_refused_unless_forced():
    with pytest.raises(PlanError, match=r"shifted by \+3 semitones in all.*match_key: force"):
        mix("C major", "A major", extra=", shift: +2")  # B major, a semitone below C

    assert mix("C major", "A major", match="force", extra=", shift: +2").tracks[1].shift_semitones == 3


def test_the_next_transition_starts_from_the_key_that_the_track_has_got():
    found = timeline(
        """
        tracks:
          a: {file: a.wav, key: C major}
          b: {file: b.wav, key: B major}
          c: {file: c.wav, key: B major}
        transitions:
          - {from: a, to: b, match_key: true}
          - {from: b, to: c, match_key: true}
        """,
        steady(124.0),
        steady(124.0),
        steady(124.0),
    )

    assert [track.shift_semitones for track in found.tracks] == [0, 1, 1]


def test_an_unknown_key_is_a_fault_that_says_what_to_write():
    with pytest.raises(PlanError, match="no key is known of `b`; write it: `key: F minor`"):
        timeline(
            """
            tracks: {a: {file: a.wav, key: C major}, b: b.wav}
            transitions: [{from: a, to: b, match_key: true}]
            """,
            steady(124.0),
            steady(124.0),
        )


def test_a_key_that_the_analysis_doubts_is_warned_of():
    doubted = replace(steady(124.0, key="B major"), doubts=(Doubt("key", "F minor"),))
    found = timeline(
        """
        tracks: {a: {file: a.wav, key: C major}, b: b.wav}
        transitions: [{from: a, to: b, match_key: true}]
        """,
        steady(124.0),
        doubted,
    )

    assert any("the key of `b` is not sure to be B major" in str(problem) for problem in found.problems)


def test_matching_needs_key_lock():
    plan = parse_plan(
        "tracks: {a: a.wav, b: {file: b.wav, key_lock: false}}\n"
        "transitions: [{from: a, to: b, match_key: true}]\n"
    )

    assert any("no key lock, so its key cannot be matched" in str(p) for p in check_plan(plan))
