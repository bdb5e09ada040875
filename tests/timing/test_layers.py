"""Layers under a transition: where they begin, how long they sound, and what cannot be."""

from __future__ import annotations

import pytest

from mixrender.errors import PlanError
from mixrender.timing.timeline import Timeline
from tests.timing.timelines import gridless, steady, timeline

TRACKS = "tracks: {a: a.wav, b: b.wav}"


def layered(layer: str, *, bpm: float = 126.0, bars: int = 96, moves: str = "", facts=None) -> Timeline:
    text = f"""
{TRACKS}
transitions:
  - from: a
    to: b
    leave: 65
    enter: 1
    overlap: 16 bars
    tempo: hold
    layers:
      voice: {layer}
    {moves}
"""
    layer_facts = facts if facts is not None else steady(bpm, bars=bars)
    return timeline(text, steady(126.0), steady(126.0), layer_facts)


def bars_of(found: Timeline) -> tuple[float, float]:
    """Bars after the start of the overlap at which the layer begins and ends."""
    layer, transition = found.layers[0], found.transitions[0]
    bar = transition.beats_per_bar
    return (layer.start_beat - transition.start_beat) / bar, (layer.end_beat - transition.start_beat) / bar


@pytest.mark.parametrize(
    ("layer", "begin", "end"),
    [
        ("v.wav", 0.0, 16.0),
        ("{file: v.wav, at: 8}", 8.0, 16.0),
        ("{file: v.wav, at: middle, length: 4 bars}", 8.0, 12.0),
        ("{file: v.wav, at: 25 %, length: 8 beats}", 4.0, 6.0),
        ("{file: v.wav, at: -4, length: 24 bars}", -4.0, 20.0),
        ("{file: v.wav, at: end, length: 4 bars}", 16.0, 20.0),
    ],
)
def test_a_layer_begins_where_it_says_and_ends_with_the_overlap_unless_told(layer, begin, end):
    assert bars_of(layered(layer)) == pytest.approx((begin, end), abs=1e-9)


def test_a_layer_that_is_shorter_than_the_overlap_ends_with_its_file():
    begin, end = bars_of(layered("v.wav", bars=5))

    assert begin == 0.0
    assert end == pytest.approx(5.0 + 0.5 / 4, abs=1e-9)  # half a beat is room for the last beat's decay


def test_the_bar_that_enters_is_the_one_that_is_written_and_its_lines_meet_those_of_the_tracks():
    layer = layered("{file: v.wav, enter: 17, at: 8}").layers[0]

    assert layer.grid.beat_to_bar(layer.spans[0].source_beat) == 17.0  # type: ignore[union-attr]


def test_a_layer_is_stretched_to_the_tempo_of_the_mix_and_counted_double_where_that_is_nearer():
    assert layered("v.wav", bpm=120.0).layers[0].speed_at(400.0, layered("v.wav").tempo_map) == 1.05
    assert layered("v.wav", bpm=63.0).layers[0].rate == 0.5
    assert layered("{file: v.wav, count: plain}", bpm=90.0).layers[0].rate == 1.0


def test_a_file_without_a_beat_plays_as_it_is_and_so_does_one_that_is_not_to_be_matched():
    free = layered("{file: v.wav, enter: 3.5 s}", facts=gridless(20.0)).layers[0]
    untouched = layered("{file: v.wav, beatmatch: false}", bpm=120.0)

    assert free.source_s_at(free.start_beat, untouched.tempo_map) == 3.5
    assert untouched.layers[0].speed_at(untouched.layers[0].start_beat, untouched.tempo_map) == 1.0


def test_lanes_of_a_layer_are_its_own_and_those_of_the_transition():
    found = layered(
        "{file: v.wav, moves: {low: {1: kill}}}",
        moves="moves: {voice: {level: {0: silent, 4: 0 dB}, echo: {amount: {12: 50 %}, feedback: 40 %}}}",
    )
    lanes, start = found.layers[0].lanes, found.transitions[0].start_beat

    assert sorted(lanes) == ["echo", "echo.feedback", "level", "low"]
    assert [(point.beat - start, point.value) for point in lanes["level"]][1] == (16.0, 0.0)
    assert [(point.beat - start, point.value) for point in lanes["echo.feedback"]] == [(0.0, 40.0)]


def test_events_of_a_layer_lie_in_its_own_sound():
    found = layered("{file: v.wav, enter: 17}", moves="moves: {voice: {reverse: {2: 1 bar}}}")
    patch = found.layers[0].patches[0]
    bar_s = 240.0 / 126.0

    assert (patch.start_s, patch.end_s) == pytest.approx((18 * bar_s, 19 * bar_s), abs=1e-9)


@pytest.mark.parametrize(
    ("layer", "message"),
    [
        ("{file: v.wav, at: end}", "the overlap is over there"),
        ("{file: v.wav, length: 200 bars}", "200 bars are more than"),
        ("{file: v.wav, enter: 300}", "has ended there"),
        ("{file: v.wav, enter: 1.5}", "does not lie on the bar lines of `a` there; 1 would"),
        ("{file: v.wav, length: 0 bars}", "layers.voice.length: its length is 0; write one such as `4 bars`"),
        ("{file: v.wav, at: -80, length: 4 bars}", "the mix has not begun there; `-64` or later would do"),
        ("{file: v.wav, enter: 12 s}", "beats that meet are counted in bars"),
    ],
)
def test_a_layer_that_cannot_be_is_a_fault_that_says_what_would_do(layer, message):
    with pytest.raises(PlanError, match=message):
        layered(layer)


def test_a_layer_without_a_beat_cannot_be_matched():
    with pytest.raises(PlanError, match="no beat is known of `voice`: give it a `grid`"):
        layered("{file: v.wav, beatmatch: true}", facts=gridless(20.0))


def test_a_layer_that_is_much_sped_up_is_warned_of_at_its_place():
    found = layered("v.wav", bpm=110.0)

    assert any("`voice` is sped up by 14.5 %" in str(p) and "layers.voice" in p.path for p in found.problems)
