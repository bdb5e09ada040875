"""Lines that say what a plan does to its tracks, and recipes written out so that they can be pasted."""

from __future__ import annotations

from textwrap import dedent

import pytest

from mixrender.plan.controls import EVENTS
from mixrender.plan.load import parse_plan
from mixrender.plan.recipes import RECIPES
from mixrender.report.move_lines import EVENT_WORDS, expanded, move_lines
from mixrender.timing.build import build_timeline
from tests.timing.timelines import steady

PLAN = """\
recipes:
  drift: {parameters: {wet: 60 %}, from: {echo: {end - 1: 0 %, end: <wet>}, level: {end: silent at once}}}
tracks:
  a:
    file: a.wav
    key: C major
    edits: [{repeat: 65, length: 4 bars, times: 3}, {skip: 9, length: 8 bars}]
    moves: {mute: {60 s: 0.4 s}, reverse: {40: 1 beat}}
  b: {file: b.wav, key: B major}
transitions:
  - from: a
    to: b
    leave: 57
    enter: 1
    overlap: 16 bars
    match_key: true
    recipe: drift
    layers: {third: {file: c.wav, key: A minor, at: 8}}
    noise_sweep: {level: {8: silent, end: -18 dB, end + 1: silent}, cutoff: {8: 300 Hz, end: 9 kHz}}
    moves: {b: {gate: {amount: {2: 80 %, 3: 0 %}, time: 1/4 beat}}, third: {low: {8: kill}}}
"""


def read(text: str = PLAN):
    plan = parse_plan(dedent(text))
    return plan, build_timeline(plan, [steady(120.0), steady(120.0), steady(126.0)][: len(plan.sounds)])


def test_each_move_edit_layer_and_key_has_one_line_that_explains_it():
    lines = [" | ".join(line) for line in move_lines(*read())]

    assert lines == [
        " | a | 4 bars from 65 on sound 3 times",
        " | a | 8 bars from 9 on are skipped",
        " | a | bars in the order 1-8, 17-68, 65-68, 65-68, 69-96",
        " | a | `mute` at 60 s: silent for 0.4 s",
        " | a | `reverse` at 40: played backwards for 1 beat",
        "1 | b | `match_key`: +1 semitone: C major, same key",
        "1 | third | a layer from 1:52.0 to 2:08.0, 4.8 % slower, A minor",
        "1 | b | `gate` {amount: {2: 80 %, 3: 0 %}, time: 1/4 beat}: every 1/4 beat, 0.125 s at 120.00 BPM",
        "1 | third | `low` {8: kill}",
        "1 | noise_sweep | noise through a lowpass for 18.0 s",
    ]


def test_an_expanded_transition_keeps_its_places_and_curve_and_names_what_else_it_has():
    text = """
        tracks: {a: a.wav, b: b.wav}
        transitions:
          - from: a
            to: b
            leave: 60
            enter: 5.0
            overlap: 8 bars
            curve: cut
            nudge: 5 ms
            layers: {third: {file: c.wav}}
            moves: {third: {level: {0: silent, 4: 0 dB}}}
    """
    lines = expanded(*read(text)).splitlines()

    assert lines[1:9] == [
        "# 1: blend, 8 bars; keep its `nudge`, `layers`",
        "  - from: a",
        "    to: b",
        "    leave: 60",
        "    enter: 5",
        "    overlap: 8 bars",
        "    curve: cut",
        "    recipe: none",
    ]
    assert lines[-2:] == ["      third:", "        level: {0: silent, 4: 0 dB}"]


def test_times_are_those_at_the_tempo_where_an_effect_begins():
    text = """
        tracks:
          a: a.wav
          b: {file: b.wav, moves: {gate: {41: 100 %, 42: 0 %}}, edits: [{skip: 60, length: 1 bar}]}
        transitions:
          - {from: a, to: b, leave: 65, enter: 1, overlap: 16 bars, moves: {b: {echo: {0: 30 %, 4: 0 %}}}}
    """
    plan = parse_plan(dedent(text))
    lines = [
        " | ".join(line) for line in move_lines(plan, build_timeline(plan, [steady(120.0), steady(125.0)]))
    ]

    assert lines == [
        " | b | 1 bar from 60 on is skipped",
        " | b | bars in the order 1-59, 61-96",
        " | b | `gate` {41: 100 %, 42: 0 %}: every 1/2 beat, 0.240 s at 125.00 BPM",
        "1 | b | `echo` {0: 30 %, 4: 0 %}: every 3/4 beat, 0.375 s at 120.00 BPM",
    ]


def test_every_event_has_words():
    assert set(EVENT_WORDS) == set(EVENTS)


@pytest.mark.parametrize("recipe", [*RECIPES, "drift"])
def test_an_expanded_recipe_pasted_into_the_plan_gives_the_same_lanes(recipe):
    plan, timeline = read(PLAN.replace("recipe: drift", f"recipe: {recipe}"))
    head = PLAN[: PLAN.index("transitions:")]
    _, again = read(head + expanded(plan, timeline))

    for before, after in zip(timeline.tracks, again.tracks, strict=True):
        assert before.lanes.keys() == after.lanes.keys()
        for control, points in before.lanes.items():
            assert repr(points) == repr(after.lanes[control])
        assert before.patches == after.patches
