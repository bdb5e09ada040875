"""The scores as data: what is known of the tracks before a sample is made."""

from __future__ import annotations

import math

import pytest

from mixrender.demo.score import STEPS_PER_BAR, Score, hits_of, kick_times_s, shortened
from mixrender.demo.tracks import SCORES

# Written out by hand, so that a change of a score is a change here too.
TRUTH = {
    "ferrow-lights": (124.0, 0.12, "A minor", 44100, 72),
    "glasswork-tide": (127.43, 0.35, "D minor", 44100, 72),
    "hollow-engine": (128.0, 0.0, "G minor", 48000, 80),
    "pinwheel-static": (132.0, 0.04 + 2 * 60 / 132, "C minor", 44100, 72),
    "slow-cartography": (87.0, 0.08, "F minor", 44100, 48),
    "kite-over-varrow": (174.0, 0.05, "Ab major", 44100, 96),
}

each_score = pytest.mark.parametrize("score", SCORES, ids=lambda score: score.name)


def test_the_scores_are_the_documented_six() -> None:
    found = {s.name: (s.tempo_bpm, s.bar_1_s, s.key, s.sample_rate_hz, s.bars) for s in SCORES}

    assert list(found) == list(TRUTH)
    for name, (tempo_bpm, bar_1_s, key, rate_hz, bars) in TRUTH.items():
        assert found[name] == (tempo_bpm, pytest.approx(bar_1_s, abs=1e-9), key, rate_hz, bars)


@each_score
def test_a_track_lasts_two_to_three_minutes(score: Score) -> None:
    print(f"{score.name}: {score.duration_s:.1f} s, bounds 120 to 180 s")
    assert 120.0 <= score.duration_s <= 180.0


@each_score
def test_sections_come_in_phrases_of_eight_bars(score: Score) -> None:
    assert [section.bars % 8 for section in score.sections] == [0] * len(score.sections)
    assert score.sections[0].name == "intro"
    assert score.sections[-1].name == "outro"


@each_score
def test_every_pattern_has_an_instrument_and_fits_its_section(score: Score) -> None:
    for section in score.sections:
        assert set(section.patterns) <= set(score.layers)
        assert set(section.sweeps_hz) | set(section.ramps_db) <= set(section.patterns)
        for name, pattern in section.patterns.items():
            bars, rest = divmod(len(pattern), STEPS_PER_BAR)
            assert rest == 0, f"{section.name} {name}: {len(pattern)} steps"
            # A mark at the start of a section may be written with more rests than the section has bars.
            assert section.bars % bars == 0 or set(pattern[1:]) == {"."}, (
                f"{section.name} {name}: {bars} bars"
            )


@each_score
def test_swept_layers_have_a_lowpass(score: Score) -> None:
    for section in score.sections:
        for name in section.sweeps_hz:
            assert score.layers[name].filter_hz is not None, f"{section.name} {name}"


@each_score
def test_intro_and_outro_have_no_chords(score: Score) -> None:
    for section in (score.sections[0], score.sections[-1]):
        assert not [name for name in section.patterns if score.layers[name].chords]


@each_score
def test_no_kick_and_no_bass_in_the_break(score: Score) -> None:
    for section in score.sections:
        if section.name in ("break", "build"):
            assert not {"kick", "bass"} & set(section.patterns)


@pytest.mark.parametrize("name", ["ferrow-lights", "glasswork-tide", "hollow-engine"])
def test_kicks_lie_on_every_beat_of_the_intro(name: str) -> None:
    score = next(s for s in SCORES if s.name == name)
    tempo_bpm, bar_1_s, *_ = TRUTH[name]
    expected = [bar_1_s + beat * 60.0 / tempo_bpm for beat in range(60)]  # 15 bars; the 16th has a gap

    worst_s = max(abs(a - b) for a, b in zip(kick_times_s(score), expected, strict=False))
    print(f"{name}: worst {worst_s * 1e6:.3f} us, bound 1 us")
    assert worst_s < 1e-6


@each_score
def test_swing_delays_only_every_second_step(score: Score) -> None:
    step_s = 15.0 / score.tempo_bpm

    late = [score.step_time_s(step) - score.bar_1_s - step * step_s for step in range(8)]
    assert late == pytest.approx([0.0, score.swing * step_s] * 4, abs=1e-9)


@each_score
def test_every_note_belongs_to_the_key(score: Score) -> None:
    allowed = score.pitch_classes()
    for name in score.layers:
        for timed in hits_of(score, name):
            for note_hz in timed.hit.notes_hz:
                midi = 69 + 12 * math.log2(note_hz / 440.0)
                assert abs(midi - round(midi)) < 1e-6
                assert round(midi) % 12 in allowed, f"{name} at {timed.time_s:.2f} s"


def test_the_pickup_lies_before_bar_1() -> None:
    score = next(s for s in SCORES if s.name == "pinwheel-static")

    first = min(timed.time_s for timed in hits_of(score, "snare"))
    assert first == pytest.approx(0.04, abs=1e-9)
    assert score.bar_1_s - first == pytest.approx(2 * 60 / 132, abs=1e-9)


def test_a_shortened_score_keeps_every_section() -> None:
    short = shortened(SCORES[0], section_bars=2)

    assert [s.name for s in short.sections] == [s.name for s in SCORES[0].sections]
    assert short.bars == 2 * len(short.sections)
    assert short.first_bar("drop") == 9
