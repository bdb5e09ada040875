"""A track counted by a grid that was set by hand: what lies in it keeps its place in time."""

from dataclasses import replace

import pytest

from mixrender.analysis.recount import with_grid
from mixrender.facts import BarContent, Confidence, Doubt, Grid, Section, TrackFacts
from mixrender.timing.corrections import doubled, halved, shifted

OLD = Grid("steady", 120.0, 0.5, 4)  # bars of 2 s
FACTS = TrackFacts(
    content_hash="ab" * 16,
    duration_s=40.5,
    sample_rate_hz=44100,
    channels=2,
    decoder="none",
    grid=OLD,
    confidence=Confidence(tempo=0.4, beats=0.5, bar_1=0.6, key=0.7),
    sections=(
        Section(1, 0.5, bars=8, end_s=16.5, drums=False, integrated_lufs=-14.0),
        Section(9, 16.5, bars=8, end_s=32.5, drums=True, integrated_lufs=-9.0),
        Section(17, 32.5, bars=4, end_s=40.5, drums=False),
    ),
    bars=BarContent(level_lufs=(-20.0, -10.0) * 10, kick=(0.0, 1.0) * 10, bass=(0.5,) * 20),
    first_enter_bar=9,
    last_leave_bar=17,
    drums_from_bar=9,
    drums_until_bar=17,
    doubts=(Doubt("tempo", "60 or 120 BPM?", "--half"), Doubt("key", "the key may also be C major")),
)


def begins_s(facts: TrackFacts, bar: int | None) -> float:
    assert bar is not None
    return facts.grid.time_at(facts.grid.bar_to_beat(bar))


@pytest.mark.parametrize(
    ("grid", "within_s"),
    [
        (doubled(OLD), 1e-9),
        (halved(OLD), 1e-9),
        (shifted(OLD, seconds=0.012), 0.012 + 1e-9),
        (shifted(OLD, beats=1), 0.5 + 1e-9),
        (replace(OLD, beats_per_bar=3), 0.75 + 1e-9),  # half a bar of three beats
    ],
    ids=["doubled", "halved", "12 ms later", "a beat later", "three beats"],
)
def test_places_keep_their_time_to_the_nearest_bar_line(grid, within_s):
    moved = with_grid(FACTS, grid)

    for place in ("first_enter_bar", "last_leave_bar", "drums_from_bar", "drums_until_bar"):
        away_s = begins_s(moved, getattr(moved, place)) - begins_s(FACTS, getattr(FACTS, place))
        print(f"{place}: {away_s * 1000:.3f} ms away, bound {within_s * 1000:.3f} ms")
        assert abs(away_s) <= within_s
    for section, before in zip(moved.sections, FACTS.sections, strict=True):
        assert abs(section.start_s - before.start_s) <= within_s + 1e-6  # written to the microsecond
        assert section.start_s == pytest.approx(begins_s(moved, section.bar), abs=1e-6)
        assert section.end_s == pytest.approx(begins_s(moved, section.bar + section.bars), abs=1e-6)
        assert (section.drums, section.integrated_lufs) == (before.drums, before.integrated_lufs)


def test_what_sounds_in_a_bar_of_double_length_is_the_mean_of_the_two_that_it_covers():
    bars = with_grid(FACTS, halved(OLD)).bars

    assert bars.kick == (0.5,) * 10
    assert bars.bass == (0.5,) * 10
    mean_lufs = -12.596  # 10 lg((0.1 + 0.01) / 2), by hand
    assert bars.level_lufs == pytest.approx([mean_lufs] * 10, abs=0.001)
    assert bars.vocals == ()


def test_what_sounds_in_bars_of_half_the_length_is_that_of_the_bar_they_lie_in():
    bars = with_grid(FACTS, doubled(OLD)).bars

    assert bars.kick == (0.0, 0.0, 1.0, 1.0) * 10
    assert bars.level_lufs == pytest.approx((-20.0, -20.0, -10.0, -10.0) * 10, abs=1e-4)


def test_a_bar_that_begins_a_beat_later_takes_a_quarter_from_the_next():
    bars = with_grid(FACTS, shifted(OLD, beats=1)).bars

    assert len(bars.kick) == 19
    assert bars.kick == pytest.approx((0.25, 0.75) * 9 + (0.25,), abs=1e-4)


def test_of_two_sections_on_one_bar_line_the_later_is_left():
    short = replace(
        FACTS, sections=(Section(1, 0.5, bars=1, end_s=2.5), Section(2, 2.5, bars=19, end_s=40.5, drums=True))
    )

    # Bars of 16 s: both begin nearest to the first.
    (section,) = with_grid(short, halved(halved(halved(OLD)))).sections

    assert (section.bar, section.start_s, section.drums) == (1, 0.5, True)


def test_a_grid_set_by_hand_is_sure_and_the_key_stays_as_doubtful_as_it_was():
    moved = with_grid(FACTS, doubled(OLD))

    assert moved.confidence == Confidence(tempo=1.0, beats=1.0, bar_1=1.0, key=0.7)
    assert [doubt.part for doubt in moved.doubts] == ["key"]


def test_the_same_grid_changes_nothing_but_how_sure_it_is():
    moved = with_grid(FACTS, OLD)

    assert replace(moved, confidence=FACTS.confidence, doubts=FACTS.doubts) == FACTS


@pytest.mark.parametrize(("old", "new"), [(Grid("none"), OLD), (OLD, Grid("none"))])
def test_without_a_grid_before_or_after_nothing_is_told_by_bars(old, new):
    moved = with_grid(replace(FACTS, grid=old), new)

    assert (moved.grid, moved.sections, moved.bars) == (new, (), BarContent())
    assert moved.first_enter_bar is None and moved.drums_until_bar is None
