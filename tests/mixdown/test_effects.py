"""Effects on a strip: on the grid of the mix, exact in time and level, and gone where they are not wanted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from effect_strips import (
    BEAT_FRAMES,
    RAMP,
    STEADY,
    frame_of,
    impulses,
    quiet_tracks,
    strip_of,
    timeline_of,
    whole,
)
from markers import RATE_HZ, Sound, level_db

from mixrender.dsp.echo import tail_s as echo_tail_s
from mixrender.dsp.reverb import PREDELAY_S
from mixrender.mixdown.controls import Controls
from mixrender.timing.moves import MovePoint
from mixrender.timing.tails import REVERB_LATE_S, TAIL_FADE_S, echo_tail_beats, effect_spans

EFFECTS = ["echo", "reverb", "phaser", "flanger", "gate"]
BUSY = (
    "echo: {amount: {2: 0 %, 3: 70 %, 4.3: 0 %, 6: 50 % at once, 7: 0 %}, time: {2: 1/2 beat, 6: 3/4 beat}, "
    "feedback: {2: 60 %, 4: 30 %}, damping: {2: open, 5: 2 kHz}}, "
    "reverb: {amount: {1: 0 %, 1.5: 40 %, 2: 0 % at once}, time: {1: 2 beats, 3: 4 beats}}, "
    "phaser: {amount: {1.2: 0 %, 3: 100 %, 5.5: 0 %}, feedback: {1: 0 %, 4: 80 %}, time: 2 beats}, "
    "flanger: {amount: {2.5: 0 % at once, 3: 80 % at once, 5: 0 %}, delay: {2: 1 ms, 5: 8 ms}}, "
    "gate: {amount: {4: 0 %, 6: 100 %}, open: {4: 80 %, 6: 30 %}, time: 1/4 beat}, "
    "highpass: {3: open, 4: 500 Hz, 5: open at once}, level: {7: 0 dB, 7.5: silent}"
)
"""All effects at once, coming and going, with parameters that move."""


def music(seconds: float = 20.0) -> Sound:
    return 0.1 * np.random.default_rng(5).standard_normal((round(seconds * RATE_HZ), 2))


# --- no amount ---


@pytest.mark.parametrize("effect", EFFECTS)
@pytest.mark.parametrize("amount", ["{amount: 0 %, time: 2 beats}", "{2: 0 %, 4: 0 %}"])
def test_an_amount_of_nothing_leaves_every_bit(effect: str, amount: str) -> None:
    plain, with_effect = timeline_of("low: {2: 0 dB}"), timeline_of(f"{effect}: {amount}")

    assert with_effect.duration_s == plain.duration_s
    expected = whole(strip_of(plain, music()))
    assert level_db(expected) > -25.0
    assert whole(strip_of(with_effect, music())).tobytes() == expected.tobytes()


@pytest.mark.parametrize("effect", EFFECTS)
def test_before_and_after_its_span_an_effect_leaves_every_bit(effect: str) -> None:
    plain = timeline_of("low: {2: 0 dB}")
    timeline = timeline_of(f"{effect}: {{amount: {{3: 0 %, 4: 80 %, 5: 0 %}}, time: 1/2 beat}}")
    strip, sound = strip_of(timeline, music()), music()
    expected = whole(strip_of(plain, sound))
    heard = strip.read(0, len(expected))
    changed = np.flatnonzero(np.any(heard != expected, axis=1))
    tail_beats = {"echo": 5.0, "reverb": 0.5}.get(effect, 0.0)
    late_frames = round((TAIL_FADE_S + REVERB_LATE_S + 0.002) * RATE_HZ) if tail_beats else 0

    assert len(changed) > BEAT_FRAMES
    assert changed[0] >= frame_of(timeline, 8.0) - 1
    assert changed[-1] <= frame_of(timeline, 16.0 + tail_beats) + 1 + late_frames


# --- echo ---


def repeats(strip_sound: Sound, expected: list[float], *, reach: int = 441) -> list[tuple[float, float]]:
    """Place in frames, to a fraction, of the peak near each expected frame, and level in dB at 1 kHz."""
    found = []
    for place in expected:
        first = round(place) - reach
        piece = strip_sound[first : first + 2 * reach, 0]
        fine = np.fft.irfft(np.fft.rfft(piece), 64 * len(piece)) * 64.0
        k = int(np.argmax(fine))
        turns = np.exp(-2j * np.pi * 1000.0 / RATE_HZ * np.arange(len(piece)))
        found.append((first + k / 64.0, 20.0 * np.log10(np.abs(np.dot(piece, turns)))))
    return found


@pytest.mark.parametrize(("time", "beats"), [("1/2 beat", 0.5), ("3/4 beat", 0.75), ("1/3 beat", 1 / 3)])
def test_repeats_of_an_echo_lie_on_the_beat_grid_to_the_sample(time: str, beats: float) -> None:
    timeline = timeline_of(f"echo: {{amount: 80 %, time: {time}, feedback: 50 %, damping: open}}")
    start = round(frame_of(timeline, 4.0))
    heard = whole(strip_of(timeline, impulses([start])))
    expected = [start + m * beats * BEAT_FRAMES for m in range(1, 8)]
    found = repeats(heard, expected)
    errors = [abs(place - wanted) for (place, _), wanted in zip(found, expected, strict=True)]
    levels_db = [level for _, level in found]
    wanted_db = [20 * np.log10(0.8) + 20 * np.log10(0.5) * m for m in range(7)]
    off_db = np.abs(np.array(levels_db) - wanted_db)

    print(f"{time}: off by {max(errors):.3f} frames, bound 0.1; {off_db.max():.3f} dB, bound 0.05")
    assert heard[start, 0] == 1.0
    assert max(errors) <= 0.1
    assert off_db.max() <= 0.05


def test_repeats_of_an_echo_follow_a_ramp_of_tempo_to_the_sample() -> None:
    timeline = timeline_of("echo: {amount: 100 %, time: 1 beat, feedback: 70 %, damping: open}", plan=RAMP)
    at_beats = [10.0, 20.37]
    starts = [round(frame_of(timeline, beat)) for beat in at_beats]
    for start in starts:
        heard = whole(strip_of(timeline, impulses([start])))
        beat = timeline.tempo_map.beat_at(start / RATE_HZ)
        expected = [frame_of(timeline, beat + m) for m in range(1, 6)]
        steps = np.diff([start, *expected])
        found = repeats(heard, expected)
        errors = [abs(place - wanted) for (place, _), wanted in zip(found, expected, strict=True)]

        print(f"repeats {steps.round(1)} frames apart; off by {max(errors):.3f} frames, bound 0.2")
        assert steps[0] - steps[-1] > 100.0
        assert max(errors) <= 0.2


def test_an_echo_rings_on_past_the_end_of_its_track_down_to_60_db_and_no_further() -> None:
    timeline = timeline_of("echo: {amount: 100 %, time: 1/2 beat, feedback: 50 %, damping: open}")
    track = timeline.tracks[0]
    start = round(frame_of(timeline, 31.0))
    strip = strip_of(timeline, impulses([start]))
    heard = whole(strip)
    last = start + 10 * BEAT_FRAMES // 2  # ten repeats: the eleventh would be 60.2 dB down
    after_s = timeline.duration_s - track.end_s

    print(f"rings on for {after_s:.3f} s; repeat 10 at {20 * np.log10(heard[last, 0]):.2f} dB")
    assert strip.stop == round(track.end_s * RATE_HZ) < last
    assert strip.sounds_until == len(heard) == round(timeline.duration_s * RATE_HZ)
    assert after_s == pytest.approx(10 * 0.25 + TAIL_FADE_S, abs=0.002)
    assert 20 * np.log10(heard[last, 0]) == pytest.approx(-9 * 6.0206, abs=0.1)
    assert np.abs(heard[-1]).max() < 1e-6
    assert not strip.read(strip.sounds_until, strip.sounds_until + RATE_HZ).any()


def test_what_is_sent_after_the_fader_is_silent_too_and_what_was_sent_before_rings_on() -> None:
    # "Echo out": the level goes, the repeats stay.
    timeline = timeline_of("echo: {amount: 100 %, time: 1 beat, damping: open}, level: {5: silent at once}")
    sent, silenced = round(frame_of(timeline, 15.5)), round(frame_of(timeline, 18.0))
    heard = whole(strip_of(timeline, impulses([sent, silenced])))

    assert heard[sent + BEAT_FRAMES, 0] == pytest.approx(1.0, abs=1e-9)
    assert np.abs(heard[silenced - 5 : silenced + 5]).max() < 1e-3
    assert np.abs(heard[silenced + BEAT_FRAMES - 5 : silenced + BEAT_FRAMES + 5]).max() < 1e-3


# --- reverb ---


@pytest.mark.parametrize("beats", [2, 4, 8])
def test_a_reverb_decays_by_60_db_in_its_beats(beats: int) -> None:
    timeline = timeline_of(f"reverb: {{amount: 100 %, time: {beats} beats, damping: open}}")
    start = round(frame_of(timeline, 4.0))
    heard = whole(strip_of(timeline, impulses([start])))
    wet = np.square(heard[start + 1 :]).sum(axis=1)
    energy_db = 10 * np.log10(np.cumsum(wet[::-1])[::-1] + 1e-30)  # Schroeder 1965: integrated backwards
    energy_db -= energy_db[0]
    fall = np.flatnonzero((energy_db < -5.0) & (energy_db > -35.0))  # T30 of ISO 3382-1
    slope = np.polyfit(fall / BEAT_FRAMES, energy_db[fall], 1)[0]
    rt60_beats = -60.0 / slope
    total_db = 10 * np.log10(wet.sum() / 2.0)

    print(f"RT60 {rt60_beats:.2f} beats of {beats}, bound 5 %; energy {total_db:+.2f} dB, bound 1.5 dB")
    assert rt60_beats == pytest.approx(beats, rel=0.05)
    assert abs(total_db) <= 1.5


def test_a_reverb_rings_on_past_the_end_of_its_track() -> None:
    timeline = timeline_of("reverb: {amount: 100 %, time: 4 beats}")
    strip = strip_of(timeline, music())
    heard = whole(strip)
    after_s = (len(heard) - strip.stop) / RATE_HZ
    levels_db = [level_db(heard[strip.stop + at : strip.stop + at + 4410]) for at in (4410, 44100, 79380)]

    print(f"rings on for {after_s:.3f} s: {np.round(levels_db, 1)} dB")
    assert after_s == pytest.approx(4 * 0.5 + REVERB_LATE_S + TAIL_FADE_S, abs=0.002)
    assert levels_db[0] > levels_db[1] + 15.0 > levels_db[2] + 30.0
    assert levels_db[2] < levels_db[0] - 45.0
    assert REVERB_LATE_S == PREDELAY_S


# --- gate, phaser, flanger ---


@pytest.mark.parametrize("plan", [STEADY, RAMP], ids=["steady", "ramp"])
def test_a_gate_opens_on_the_grid(plan: str) -> None:
    timeline = timeline_of("gate: {amount: 100 %, time: 1/2 beat, open: 40 %}", plan=plan)
    heard = whole(strip_of(timeline, np.ones((20 * RATE_HZ, 2))))[:, 0]
    for beat in np.arange(9.0, 30.0, 0.5):
        line, closed = (int(np.ceil(frame_of(timeline, beat + share))) for share in (0.0, 0.2))
        fall = closed - round(0.005 * RATE_HZ)
        assert np.all(heard[line : fall - 2] == 1.0)
        assert np.all(heard[closed + 1 : int(np.ceil(frame_of(timeline, beat + 0.5))) - 223] == 0.0)
        assert 0.0 < heard[line - 110] < 1.0


def test_a_gate_that_gets_faster_stays_on_the_grid() -> None:
    # A straight move fades from one rhythm to the other; half-way both are heard, each on its own lines.
    timeline = timeline_of("gate: {amount: 100 %, time: {3: 1 beat, 5: 1/2 beat}, open: 50 %}")
    heard = whole(strip_of(timeline, np.ones((20 * RATE_HZ, 2))))[:, 0]
    found = [
        [heard[round(frame_of(timeline, beat + share))] for share in (0.1, 0.4, 0.6, 0.9)]
        for beat in (7.0, 12.0, 16.0)
    ]

    print(np.round(found, 3).tolist())
    assert found[0] == [1.0, 1.0, 0.0, 0.0]
    assert found[1] == pytest.approx([1.0, 0.45, 0.575, 0.0], abs=1e-3)
    assert found[2] == [1.0, 0.0, 1.0, 0.0]


def test_parameters_that_hold_throughout_are_set_when_an_effect_comes_at_once() -> None:
    timeline = timeline_of("gate: {amount: {3: 100 % at once, 5: 0 % at once}, time: 2 beats, open: 25 %}")
    heard = whole(strip_of(timeline, np.ones((20 * RATE_HZ, 2))))[:, 0]
    line = round(frame_of(timeline, 8.0))

    # From the default, half a beat half open, nothing is heard: the gate is open at the end of both.
    assert np.all(heard[RATE_HZ : line - 441 * 2] == 1.0)
    assert np.all(heard[line + 2 : line + BEAT_FRAMES // 2 - 225] == 1.0)
    assert np.all(heard[line + BEAT_FRAMES // 2 + 2 : line + 2 * BEAT_FRAMES - 225] == 0.0)


def test_parameters_are_set_from_the_beginning_where_an_effect_is() -> None:
    timeline = timeline_of("gate: {amount: {2: 100 %}, time: 4 beats, open: 25 %}")
    heard = whole(strip_of(timeline, np.ones((20 * RATE_HZ, 2))))[:, 0]
    edge = np.sin(0.5 * np.pi * np.arange(441) / 441) ** 2

    # 10 ms before beat 0 a gate of 4 beats is closed, and opens in 5 ms; one of half a beat would as well.
    assert np.all(heard[:220] == 0.0)
    assert np.all(heard[221:440] <= edge[221:440])
    assert np.all(heard[442 : BEAT_FRAMES - 225] == 1.0)
    assert np.all(heard[BEAT_FRAMES + 442 : 4 * BEAT_FRAMES] == 0.0)


def notches_db(heard: Sound, at: int, frequencies_hz: list[float]) -> list[tuple[float, float]]:
    """Place in Hz and level in dB of the lowest point within 5 % of each frequency."""
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(heard[at - 16 : at + 4 * RATE_HZ - 16, 0])) + 1e-12)
    found = []
    for hz in frequencies_hz:
        low, high = round(hz * 0.95 * 4), round(hz * 1.05 * 4) + 1
        k = low + int(np.argmin(spectrum[low:high]))
        found.append((k / 4, float(spectrum[k])))
    return found


@pytest.mark.parametrize("feedback", [0, 60])
def test_the_notches_of_a_phaser_lie_where_theory_puts_them(feedback: int) -> None:
    timeline = timeline_of(f"phaser: {{amount: 100 %, centre: 1 kHz, depth: 0 %, feedback: {feedback} %}}")
    at = round(frame_of(timeline, 4.0))
    heard = whole(strip_of(timeline, impulses([at])))
    corner = np.tan(np.pi * 1000.0 / RATE_HZ)
    expected = [RATE_HZ / np.pi * np.arctan(corner * np.tan(np.pi * k / 8)) for k in (1, 3)]
    found = notches_db(heard, at, expected)

    print(f"notches {found}, expected {np.round(expected, 1)} Hz within 0.5 Hz, below -50 dB")
    for (hz, level), wanted in zip(found, expected, strict=True):
        assert abs(hz - wanted) <= 0.5
        assert level < -50.0


def test_the_notches_of_a_phaser_wander_with_the_beats_of_the_mix() -> None:
    # Over 4 beats: at beat 5 a quarter of the way, an octave up; at beat 7 an octave down.
    timeline = timeline_of("phaser: {amount: 100 %, centre: 1 kHz, depth: 50 %, time: 4 beats}")
    levels_db = []
    for beat, corner_hz in ((5.0, 2000.0), (7.0, 500.0)):
        for tone_hz in (500.0, 2000.0):
            notch_hz = tone_hz * np.tan(np.pi / 8)
            t = np.arange(24 * RATE_HZ) / RATE_HZ
            heard = whole(strip_of(timeline, np.sin(2 * np.pi * notch_hz * t)[:, None] * np.ones(2)))
            at = round(frame_of(timeline, beat))
            level = level_db(heard[at - 441 : at + 441])
            levels_db.append((corner_hz == tone_hz, level))

    print([(hit, round(level, 1)) for hit, level in levels_db])
    assert all((level < -23.0) == hit for hit, level in levels_db)


def test_the_notches_of_a_flanger_lie_half_way_between_the_multiples_of_its_delay() -> None:
    timeline = timeline_of("flanger: {amount: 100 %, delay: 2 ms, depth: 0 %}")
    at = round(frame_of(timeline, 4.0))
    heard = whole(strip_of(timeline, impulses([at])))
    expected = [250.0, 750.0, 2250.0]
    found = notches_db(heard, at, expected)

    print(f"notches {found}, expected {expected} Hz within 0.5 Hz, below -40 dB")
    for (hz, level), wanted in zip(found, expected, strict=True):
        assert abs(hz - wanted) <= 0.5
        assert level < -40.0


def test_half_an_amount_of_a_phaser_leaves_half_a_notch() -> None:
    # (1 - a / 2) - a / 2 = 1 - a: at 50 % the notch is 6 dB deep.
    timeline = timeline_of("phaser: {amount: 50 %, centre: 1 kHz, depth: 0 %}")
    at = round(frame_of(timeline, 4.0))
    heard = whole(strip_of(timeline, impulses([at])))
    (_, level), *_ = notches_db(heard, at, [1000.0 * np.tan(np.pi / 8)])

    assert level == pytest.approx(-6.02, abs=0.05)


# --- however it is read ---


@pytest.mark.parametrize(
    ("plan", "size"),
    [
        pytest.param(RAMP, 30_011, id="ramp"),
        pytest.param(RAMP, 997, id="ramp-small", marks=pytest.mark.accuracy),
        pytest.param(STEADY, 997, id="steady-small", marks=pytest.mark.accuracy),
    ],
)
def test_blocks_of_any_size_give_the_same_bytes(plan: str, size: int) -> None:
    timeline = timeline_of(BUSY, plan=plan)
    expected = whole(strip_of(timeline, music()))
    strip = strip_of(timeline, music())
    parts = [strip.read(at, min(at + size, len(expected))) for at in range(0, len(expected), size)]

    assert np.concatenate(parts).tobytes() == expected.tobytes()


@pytest.mark.parametrize("reads", [3, pytest.param(30, marks=pytest.mark.accuracy)])
def test_reads_that_begin_anywhere_give_the_same_bytes(reads: int) -> None:
    timeline = timeline_of(BUSY, plan=RAMP)
    expected = whole(strip_of(timeline, music()))
    strip = strip_of(timeline, music())
    rng = np.random.default_rng(reads)
    for start in rng.integers(-1000, len(expected), reads):
        stop = start + int(rng.integers(1, 60_000))
        inside = slice(max(int(start), 0), min(stop, len(expected)))
        heard = strip.read(int(start), stop)[inside.start - int(start) :][: inside.stop - inside.start]
        assert heard.tobytes() == expected[inside].tobytes()


@pytest.mark.parametrize("seed", range(20))
def test_outside_of_its_spans_an_effect_has_no_amount(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tempo_map = timeline_of("low: {2: 0 dB}", plan=RAMP).tempo_map
    beats = np.sort(np.round(rng.uniform(0.0, 30.0, 8), 2)).tolist()
    points = []
    for beat, following in zip(beats, [*beats[1:], 40.0], strict=True):
        length = float(np.round(rng.uniform(0.0, following - beat), 3))
        move = [None, "at once", length][rng.integers(3)]
        points.append(MovePoint(beat, float(rng.choice([0.0, 0.0, 40.0, 100.0])), move))
    controls = Controls({"phaser": tuple(points)}, tempo_map=tempo_map, sample_rate_hz=RATE_HZ)
    stop = 20 * RATE_HZ
    amount = np.broadcast_to(controls.value("phaser", 0, stop), stop)
    spans = effect_spans(controls.points, "phaser", tempo_map=tempo_map, start_s=0.0, end_s=stop / RATE_HZ)
    inside = np.zeros(stop, dtype=bool)
    for span in spans:
        inside[round(span.start_s * RATE_HZ) : round(span.stop_s * RATE_HZ)] = True

    assert not np.any(amount[~inside])
    idle = np.count_nonzero(inside & (amount == 0.0))
    print(f"{len(spans)} spans; {idle / RATE_HZ * 1000:.1f} ms of them without an amount, bound 20 ms")
    assert idle <= 0.020 * RATE_HZ


# --- what is known of tails on both sides ---


@pytest.mark.parametrize("feedback", [0, 1, 10, 50, 75, 90])
def test_the_timing_and_the_sound_know_the_same_tail(feedback: int) -> None:
    beats = echo_tail_beats(time_beats=0.75, feedback_percent=feedback)

    assert beats == pytest.approx(echo_tail_s(0.75, feedback / 100.0), rel=1e-12)


def test_the_files_of_these_tests_are_not_needed(tmp_path: Path) -> None:
    assert not any(track.path.exists() for track in quiet_tracks())
