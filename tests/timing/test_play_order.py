"""Edits and events of tracks: which bars sound when, what positions mean, every fault; reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from timelines import gridless, steady, timeline

from mixrender.errors import PlanError
from mixrender.facts import Grid, TrackFacts
from mixrender.timing.play_order import Passage, PlayOrder, order_in_bars
from mixrender.timing.timeline import Timeline

BAR_S = 2.0
"""A bar of four beats at 120 BPM."""


def plan(edits: str, *, leave: str = "", moves: str = "", more: str = "") -> str:
    leave = f", leave: {leave}" if leave else ""
    moves = f"\n            moves: {moves}" if moves else ""
    return f"""
        match_loudness: false
        tracks:
          a:
            file: a.flac
            cues: {{drop: 33}}
            edits: {edits}{moves}
          b: b.flac
        transitions:
          - {{from: a, to: b, enter: 1, overlap: 8 bars{leave}{more}}}
    """


def placed(edits: str, facts: TrackFacts | None = None, **more: str) -> Timeline:
    return timeline(plan(edits, **more), facts or steady(120), steady(120))


def problems_of(text: str, *facts: TrackFacts) -> str:
    with pytest.raises(PlanError) as caught:
        timeline(text, *facts or (steady(120), steady(120)))
    return str(caught.value)


def drifting(*, bars: int = 96) -> TrackFacts:
    """A track whose beats swing by 2 BPM around 120, slowly."""
    bpm = 120.0 + 2.0 * np.sin(np.arange(bars * 4) / 9.0)
    beats_s = np.concatenate(([0.0], np.cumsum(60.0 / bpm)))
    grid = Grid("drifting", 120.0, 0.0, beats_s=tuple(beats_s.tolist()))
    facts = steady(120, bars=bars)
    return replace(facts, grid=grid, duration_s=float(beats_s[-1]), last_sound_s=float(beats_s[-1]))


# --- order ---


def test_a_file_without_edits_plays_as_it_is():
    order = PlayOrder()

    assert (order.play_at(3.5), order.source_at(3.5), order.passes_at(3.5)) == (3.5, 3.5, (3.5,))
    assert order.play_at(3.5, 2) is None and order.joints_s() == ()


def test_seconds_of_file_and_play_lead_to_each_other():
    order = PlayOrder((Passage(0.0, 0.0, 10.0), Passage(10.0, 8.0, 2.0), Passage(12.0, 20.0, 5.0)))

    assert order.passes_at(9.0) == (9.0, 11.0)
    assert (order.play_at(9.0), order.play_at(9.0, 1), order.play_at(9.0, 3)) == (11.0, 9.0, None)
    assert order.passes_at(15.0) == () and order.play_near(15.0) == 12.0
    assert order.source_at(10.5) == 8.5 and order.source_at(12.0) == 20.0
    # Outside of the file time runs on.
    assert order.source_at(-1.0) == -1.0 and order.source_at(20.0) == 28.0
    assert order.play_at(-1.0) == -1.0 and order.play_at(28.0) == 20.0
    assert order.joints_s() == (10.0, 12.0) and order.end_s == 17.0


def test_repeats_and_skips_are_passages_in_the_order_of_the_file():
    track = placed("[{skip: 65, length: 16 bars}, {repeat: 33, length: 4 bars, times: 3}]").tracks[0]

    assert [(p.play_s, p.source_s, p.length_s) for p in track.order.passages] == [
        (0.0, 0.0, 36 * BAR_S),
        (36 * BAR_S, 32 * BAR_S, 4 * BAR_S),
        (40 * BAR_S, 32 * BAR_S, 4 * BAR_S),
        (44 * BAR_S, 36 * BAR_S, 28 * BAR_S),
        (72 * BAR_S, 80 * BAR_S, 16 * BAR_S),
    ]
    assert track.plays_s == (96 + 8 - 16) * BAR_S
    assert track.grid == track.facts.grid


def test_the_order_is_told_in_bars():
    for edits, said in (
        ("[]", "1-96"),
        ("[{repeat: 33, length: 4 bars, times: 3}]", "1-36, 33-36, 33-36, 37-96"),
        ("[{skip: 33, length: 16 bars}]", "1-32, 49-96"),
        ("[{skip: 1, length: 16 bars}, {repeat: 40, length: 1 bar}]", "17-40, 40, 41-96"),
        ("[{repeat: 33.5, length: 2 beats, times: 3}]", "1-33, 33.5 to 34, 33.5 to 34, 34-96"),
        (
            "[{repeat: 33, length: 1/4 beat, times: 5}, {skip: 64, length: 3 beats}, "
            "{repeat: 70, length: 1 beat, times: 3}]",
            "1 to 33.0625, 33 to 33.0625 (4 times), 33.0625 to 64, 64.75 to 70.25, "
            "70 to 70.25, 70 to 70.25, 70.25 to 97",
        ),
    ):
        assert order_in_bars(placed(edits).tracks[0]) == said


# --- positions ---


def test_a_leave_means_the_last_pass_or_the_one_it_names():
    edits = "[{repeat: 33, length: 4 bars, times: 3}]"

    for leave, bars in (("35", 42), ("35 pass 1", 34), ("35 pass 2", 38), ("drop pass 2", 36), ("65", 72)):
        transition = placed(edits, leave=leave).transitions[0]
        assert transition.start_s == pytest.approx(bars * BAR_S, abs=1e-9), leave
        assert transition.leave_bar == pytest.approx(float(leave.split()[0].replace("drop", "33")))
        assert transition.leave_s == pytest.approx((transition.leave_bar - 1) * BAR_S)


def test_an_enter_means_the_last_pass_or_the_one_it_names():
    text = """
        tracks:
          a: a.flac
          b: {file: b.flac, edits: [{repeat: 9, length: 4 bars, times: 2}]}
        transitions:
          - {from: a, to: b, leave: 49, enter: %s, overlap: 8 bars}
    """
    for enter, left_s in (("9", 88 - 4), ("9 pass 1", 92 - 4)):
        mix = timeline(text % enter, steady(120), steady(120))
        assert mix.transitions[0].enter_bar == 9
        # What is left of 100 bars after 12, or after 8.
        assert mix.duration_s - mix.transitions[0].start_s == pytest.approx((left_s + 4) * BAR_S, abs=0.02)


def test_skipped_bars_are_at_fault_wherever_they_are_named():
    edits = "[{skip: 33, length: 16 bars}]"
    by = "is skipped by edits[1] of `a`, 16 bars from `33` on"

    found = problems_of(plan(edits, leave="40"))
    assert f"bar 40 {by}" in found and "transitions[1].leave" in found
    found = problems_of(plan(edits, moves="{level: {41: -6 dB}, reverse: {42: 1 beat}}"))
    assert f"bar 41 {by}" in found and f"bar 42 {by}" in found and "tracks.a.moves" in found
    found = problems_of("start: {at: 34}\n" + plan(edits).replace("        ", ""))
    assert f"bar 34 {by}" in found and "start.at" in found
    # The first bar behind it sounds.
    assert placed(edits, leave="49").transitions[0].start_s == pytest.approx(32 * BAR_S)


def test_a_pass_that_there_is_not_is_at_fault():
    found = problems_of(plan("[{repeat: 33, length: 4 bars}]", leave="33 pass 3"))
    assert "there is no pass 3 of bar 33 in `a`: it sounds 2 times" in found
    found = problems_of(plan("[]", leave="33 pass 2"))
    assert "there is no pass 2 of bar 33 in `a`: it sounds once" in found


def test_own_lanes_follow_the_last_pass():
    edits = "[{repeat: 33, length: 4 bars, times: 2}]"
    mix = placed(edits, moves="{low: {33: kill at once, 35 pass 1: -6 dB at once, 41: 0 dB at once}}")

    beats = [point.beat / 4 for point in mix.tracks[0].lanes["low"]]
    # Bar 35 in pass 1 lies at 34, bar 33 in the last one at 36, bar 41 four later than in the file.
    assert beats[:3] == pytest.approx([34, 36, 44], abs=1e-9)


def test_defaults_count_phrases_of_the_file():
    # Leave bar 97 less 8 bars is 89, a phrase line; four bars more of it change nothing in the file.
    transition = placed("[{repeat: 33, length: 4 bars}]").transitions[0]
    assert transition.leave_bar == 89
    assert transition.start_s == pytest.approx(92 * BAR_S)
    # With its end left out, the last phrase line is that which sounds.
    transition = placed("[{skip: 87, length: 6 bars}]").transitions[0]
    assert transition.leave_bar == 81
    assert transition.start_s == pytest.approx(80 * BAR_S)


def test_the_default_end_and_overlap_are_those_of_what_plays():
    mix = timeline(
        "tracks: [{a: {file: a.flac, edits: [{repeat: 93, length: 4 bars, times: 5}]}}]", steady(120)
    )
    assert mix.duration_s == pytest.approx((96 + 16) * BAR_S, abs=0.03)
    found = problems_of(plan("[{skip: 90, length: 4 bars}]", leave="89"))
    assert "an overlap of 8 bars" in found and "use 4 bars or fewer" in found


# --- faults of edits ---


@pytest.mark.parametrize(
    ("edits", "said"),
    [
        ("[{repeat: 33, length: 8 bars}, {skip: 40, length: 4 bars}]", "overlaps edits[1], `repeat: 33`"),
        ("[{skip: 95, length: 4 bars}]", "reach beyond the end of 'a.flac', at bar 97"),
        ("[{repeat: 200, length: 4 bars}]", "reach beyond the end of 'a.flac', at bar 97"),
        ("[{skip: 90, length: 7 bars}]", "nothing is left of 'a.flac' after it; leave the track at `90`"),
        ("[{repeat: -3, length: 4 bars}]", "`-3` lies before the beginning of 'a.flac'"),
        ("[{repeat: 33, length: 33 bars}]", "1/32 beat to 32 bars, not 33 bars"),
        ("[{repeat: 33, length: 1/64 beat}]", "1/32 beat to 32 bars"),
        ("[{repeat: 33 pass 2, length: 1 bar}]", "which have no passes"),
        ("[{skip: 33, length: 0 bars}]", "its length is 0"),
        ("[{repeat: intro, length: 1 bar}]", "has no cue `intro`"),
    ],
)
def test_an_edit_that_cannot_be_is_refused(edits: str, said: str):
    found = problems_of(plan(edits))
    assert said in found and "tracks.a.edits[" in found


def test_an_edit_that_leaves_the_beat_says_what_would_keep_it():
    found = problems_of(plan("[{repeat: 33, length: 1/4 beat, times: 4}]"))
    assert "behind it the track plays 3/4 beat off its beats; `times: 5` would do" in found
    assert "or a `skip` of 3/4 beat right after it" in found
    found = problems_of(plan("[{skip: 33, length: 3.5 beats}]"))
    assert "plays 1/2 beat off its beats; `length: 4 beats` would do" in found
    found = problems_of(plan("[{repeat: 33, length: 0.3 s, times: 2}]"))
    assert "would do" in found
    # Brought back too late: a whole beat plays between the beats.
    late = "[{repeat: 33, length: 1/4 beat, times: 4}, {skip: 33.3125, length: 3/4 beat}]"
    assert "off its beats" in problems_of(plan(late))


@pytest.mark.parametrize(
    "edits",
    [
        "[{repeat: 33, length: 1/4 beat, times: 5}]",
        "[{repeat: 33, length: 1/4 beat, times: 4}, {skip: 33.0625, length: 3/4 beat}]",
        "[{repeat: 33, length: 1/4 beat, times: 4}, {repeat: 33.0625, length: 1/8 beat, times: 8}, "
        "{skip: 33.09375, length: 1.625 beats}]",
        "[{repeat: 33, length: 1/3 beat, times: 4}]",
        "[{repeat: 33, length: 0.5 s, times: 5}]",
    ],
)
def test_edits_that_come_back_to_the_beat_are_taken(edits: str):
    track = placed(edits).tracks[0]
    last = track.order.passages[-1]

    assert (last.play_s - last.source_s) / 0.5 == pytest.approx(round((last.play_s - last.source_s) / 0.5))


def test_bars_that_are_shifted_are_warned_of():
    mix = placed("[{repeat: 33, length: 1 beat, times: 2}]")
    assert any("bar lines come 1 beat later than whole bars" in p.message for p in mix.problems)
    # Bar lines of the file meet those of the next track all the same.
    assert mix.transitions[0].leave_bar % 1 == 0
    assert mix.transitions[0].start_beat % 4 == 1
    # One that does not make it worse is not warned of, nor one that brings it back.
    cured = placed("[{repeat: 33, length: 1 beat}, {skip: 41, length: 4 bars}, {skip: 49, length: 1 beat}]")
    assert sum("bar lines come" in p.message for p in cured.problems) == 1
    whole = placed("[{repeat: 33, length: 1 beat, times: 5}]")
    assert not any("bar lines come" in p.message for p in whole.problems)


def test_a_file_without_a_grid_is_edited_in_seconds():
    text = """
        tracks:
          a: {file: a.flac, edits: [{repeat: 10 s, length: 5 s, times: 3}, {skip: 40 s, length: 7 s}]}
          b: b.flac
        transitions:
          - {from: a, to: b, leave: %s, enter: 1, overlap: 4 s}
    """
    mix = timeline(text % "50 s", gridless(60.0), steady(120))
    assert mix.transitions[0].start_s == pytest.approx(50 + 10 - 7, abs=0.02)
    assert mix.transitions[0].leave_s == pytest.approx(50)
    assert (
        order_in_bars(mix.tracks[0]) == "0 s to 15 s, 10 s to 15 s, 10 s to 15 s, 15 s to 40 s, 47 s to 60 s"
    )
    mix = timeline(text % "12 s pass 1", gridless(60.0), steady(120))
    assert mix.transitions[0].start_s == pytest.approx(12, abs=0.02)
    found = problems_of(text.replace("5 s", "4 beats") % "50 s", gridless(60.0), steady(120))
    assert "write the place and the length of an edit in seconds" in found


def test_faults_of_edits_are_found_together_and_nothing_that_only_follows_from_them():
    edits = "[{skip: 33, length: 8 bars}, {skip: 38, length: 4 bars}, {repeat: 95, length: 8 bars}]"
    found = problems_of(plan(edits, leave="65 pass 2"))

    assert len(found.splitlines()) == 2
    assert "edits[2]: overlaps edits[1]" in found and "edits[3]: 8 bars from `95` on reach beyond" in found


# --- drifting ---


@pytest.mark.parametrize(
    "edits",
    [
        "[{repeat: 33, length: 4 bars, times: 3}]",
        "[{repeat: 33, length: 1/4 beat, times: 5}, {repeat: 41, length: 1 beat, times: 5}]",
        "[{skip: 33, length: 16 bars}, {repeat: 65, length: 2 bars}]",
        "[{repeat: 33, length: 1/4 beat, times: 4}, {skip: 33.0625, length: 3/4 beat}]",
    ],
)
def test_a_drifting_grid_is_rebuilt_from_the_passages(edits: str):
    facts = drifting()
    track = placed(edits, facts).tracks[0]
    source = facts.grid
    worst = 0.0
    for beat in range(int(track.grid.beat_at(track.plays_s)) - 1):
        file_beat = source.beat_at(track.order.source_at(track.grid.time_at(beat)))
        worst = max(worst, abs(file_beat - round(file_beat * 4) / 4))
    print(f"worst distance of a beat as played from the file's quarters {worst:.1e} <= 1e-6 beats")
    assert worst <= 1e-6
    assert all(b > a for a, b in pairwise(track.grid.beats_s))
    # Behind all edits the beats are the file's own, a whole number later.
    last = track.order.passages[-1]
    shift = track.grid.beat_at(last.play_s + 1.0) - source.beat_at(last.source_s + 1.0)
    assert shift == pytest.approx(round(shift), abs=1e-6)


def test_the_tempo_follows_an_edited_track_that_drifts():
    mix = placed("[{repeat: 33, length: 4 bars, times: 2}]", drifting(), leave="81")
    track = mix.tracks[0]

    # At its own speed throughout: seconds of the mix are seconds of the track as it plays.
    for beat in (100.0, 130.0, 150.25, 300.0):
        assert mix.tempo_map.time_at(beat) - mix.tempo_map.time_at(0.0) == pytest.approx(
            track.play_s_at(beat, mix.tempo_map), abs=1e-6
        )


# --- events ---


def patches(mix: Timeline, index: int = 0) -> list[tuple[str, float, float]]:
    return [(p.kind, round(p.start_s, 6), round(p.end_s, 6)) for p in mix.tracks[index].patches]


def test_events_of_a_track_lie_at_its_bars_and_seconds():
    mix = placed(
        "[]",
        moves="{mute: {83.2 s: 0.4 s}, reverse: {9.75: 1 beat}, brake: {17: 1 bar}, spin_up: {19: 2 beats}}",
    )

    assert patches(mix) == [
        ("reverse", 17.5, 18.0),
        ("brake", 32.0, 34.0),
        ("spin_up", 36.0, 37.0),
        ("mute", 83.2, 83.6),
    ]
    assert not {"mute", "reverse", "brake", "spin_up"} & set(mix.tracks[0].lanes)


def test_seconds_are_silenced_in_every_pass_and_bars_in_one():
    edits = "[{repeat: 33, length: 4 bars, times: 3}]"
    # Bar 33 begins at 64 s; a pass is 8 s.
    assert patches(placed(edits, moves="{mute: {66 s: 0.4 s}}")) == [
        ("mute", 66.0, 66.4),
        ("mute", 74.0, 74.4),
        ("mute", 82.0, 82.4),
    ]
    assert patches(placed(edits, moves="{mute: {66 s pass 2: 0.4 s}}")) == [("mute", 74.0, 74.4)]
    assert patches(placed(edits, moves="{mute: {34: 1 beat}}")) == [("mute", 82.0, 82.5)]
    assert patches(placed(edits, moves="{reverse: {34 pass 1: 1 beat}}")) == [("reverse", 66.0, 66.5)]
    # What begins before a loop and ends in it: its end sounds in every pass.
    assert patches(placed(edits, moves="{mute: {63.9 s: 0.3 s}}")) == [
        ("mute", 63.9, 64.2),
        ("mute", 72.0, 72.2),
        ("mute", 80.0, 80.2),
    ]


def test_events_of_a_transition_lie_on_beats_of_the_mix():
    more = (
        ", recipe: none, moves: {a: {brake: {end - 1: 1 bar}, mute: {-2: 2 beats}}, b: {spin_up: {0: 1 bar}}}"
    )
    mix = placed("[{skip: 33, length: 16 bars}]", leave="81", more=more)

    # Bar 81 plays 16 bars earlier, at 128 s.
    assert patches(mix) == [("mute", 124.0, 125.0), ("brake", 142.0, 144.0)]
    assert patches(mix, 1) == [("spin_up", 0.0, 2.0)]
    # Where the tempo glides they are as long as the music: 4 beats of 120 BPM.
    glide = timeline(plan("[]", leave="81", more=more), steady(120), steady(126))
    assert patches(glide) == [("mute", 156.0, 157.0), ("brake", 174.0, 176.0)]
    assert patches(glide, 1)[0][2] == pytest.approx(240 / 126, abs=1e-6)


def test_the_recipe_of_a_brake_stops_the_platter():
    mix = placed("[]", leave="81", more=", recipe: brake")

    assert patches(mix) == [("brake", 174.0, 176.0)]


@pytest.mark.parametrize(
    ("moves", "said"),
    [
        (
            "{reverse: {9: 1 bar}, brake: {9.5: 1 bar}}",
            "the `brake` at `9.5` begins before the `reverse` at `9`",
        ),
        ("{reverse: {9: 1 bar, 9.5: 1 bar}}", "the `reverse` at `9.5` begins before the `reverse` at `9`"),
    ],
)
def test_events_that_overlap_are_refused(moves: str, said: str):
    found = problems_of(plan("[]", moves=moves))
    assert said in found and "tracks.a.moves." in found


def test_mutes_that_meet_are_one():
    mix = placed("[]", moves="{mute: {20 s: 1 s, 20.5 s: 1 s, 21.5 s: 0.5 s}}")

    assert patches(mix) == [("mute", 20.0, 22.0)]


@pytest.mark.parametrize(
    ("edits", "moves", "said"),
    [
        ("[{skip: 33, length: 4 bars}]", "{mute: {66 s: 0.4 s}}", "`66 s` is skipped by edits"),
        ("[{skip: 33, length: 4 bars}]", "{reverse: {66 s: 0.4 s}}", "`66 s` is skipped by edits"),
        (
            "[{repeat: 33, length: 4 bars}]",
            "{reverse: {36 pass 1: 2 bars}}",
            "runs across a place where an edit",
        ),
        ("[]", "{reverse: {96: 1 beat}}", "lies where `a` does not sound"),
        ("[]", "{brake: {88.5: 1 bar}}", "is not over when `a` ends"),
    ],
)
def test_events_that_do_little_are_warned_of(edits: str, moves: str, said: str):
    mix = placed(edits, leave="81", moves=moves)

    assert any(said in p.message and p.severity == "warning" for p in mix.problems)


def test_events_in_bars_need_a_beat():
    text = """
        tracks:
          a: {file: a.flac, moves: {mute: {10 s: %s}}}
    """
    found = problems_of(text % "1 beat", gridless(60.0))
    assert "no beat is known of `a`: write lengths in seconds" in found
    assert patches(timeline(text % "0.5 s", gridless(60.0))) == [("mute", 10.0, 10.5)]
