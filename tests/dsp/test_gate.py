"""The gate: its closed form, its place on the beat grid, its edges."""

import numpy as np
import pytest
from effect_checks import RATE_HZ, bass_note, click_db, edged_amount

from mixrender.dsp.gate import gate_gain

EDGE_BEATS = 0.01  # 5 ms at 120 BPM
BEAT_FRAMES = 24_000


def steady_beats(n_beats):
    return np.arange(n_beats * BEAT_FRAMES) / BEAT_FRAMES


def gain_of(beats, amount=1.0, *, period_beats=0.5, open_share=0.5, edge_beats=EDGE_BEATS):
    return gate_gain(beats, amount, period_beats=period_beats, open_share=open_share, edge_beats=edge_beats)


@pytest.mark.parametrize("amount", [0.3, 1.0])
@pytest.mark.parametrize(("period_beats", "open_share"), [(0.5, 0.5), (0.75, 0.2), (8.0, 0.95)])
def test_the_gate_has_its_closed_form(period_beats, open_share, amount):
    # Open from the line, closed in the last 5 ms of the open part, open again in the last 5 ms before the
    # next line; corners of the form, and between them half a cosine.
    beats = steady_beats(16)
    phase = np.mod(beats, period_beats)
    opened, end = open_share * period_beats, period_beats
    corners = [0.0, opened - EDGE_BEATS, opened, end - EDGE_BEATS, end]
    expected = (
        1
        - amount
        + amount * (0.5 - 0.5 * np.cos(np.pi * np.interp(phase, corners, [1.0, 1.0, 0.0, 0.0, 1.0])))
    )
    error = np.max(
        np.abs(gain_of(beats, amount, period_beats=period_beats, open_share=open_share) - expected)
    )

    print(f"error {error:.1e}, bound 1e-10")
    assert error < 1e-10


def test_open_is_exactly_one_and_closed_exactly_one_less_the_amount():
    beats = np.array([-0.5, 0.0, 0.1, 0.26, 0.4, 0.5, 1000.0, 1000.3])

    assert gain_of(beats).tolist() == [1, 1, 1, 0, 0, 1, 1, 0]
    assert gain_of(beats, 0.25).tolist() == [1, 1, 1, 0.75, 0.75, 1, 1, 0.75]
    assert np.all(gain_of(steady_beats(1), 0.0) == 1.0)


def test_an_attack_on_the_line_sounds_whole_in_a_ramp_of_tempo():
    # From 120 to 140 BPM in 32 beats, as in the lanes: every frame nearest to a line and 100 ms from it on.
    times_s = np.arange(14 * RATE_HZ) / RATE_HZ
    beats = 120.0 * 32.0 / 20.0 * np.expm1(times_s * 20.0 / (60.0 * 32.0))
    tempo_bpm = 120.0 + 20.0 / 32.0 * beats
    gain = gain_of(beats, period_beats=0.5, open_share=0.6, edge_beats=0.005 * tempo_bpm / 60.0)
    lines = np.flatnonzero(np.diff(np.floor(beats / 0.5))) + 1  # the first frames at or after a line
    whole = np.min([gain[line : line + round(0.1 * RATE_HZ)] for line in lines[:-1]])
    before = np.max([gain[line - round(0.006 * RATE_HZ)] for line in lines])
    rises = [np.count_nonzero(gain[line - 480 : line] > 0) for line in lines]

    print(
        f"{len(lines)} lines, lowest gain after them {whole}; rises last {min(rises)} to {max(rises)} frames"
    )
    assert len(lines) > 50
    assert whole == 1.0
    assert before == 0.0
    assert all(abs(frames - 240) <= 1 for frames in rises)  # 5 ms to a frame


@pytest.mark.parametrize("open_share", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("period_beats", [1 / 32, 0.5])
def test_the_gain_never_moves_faster_than_a_cosine_over_the_edge_or_over_the_part_that_it_ends(
    period_beats, open_share
):
    gain = gain_of(steady_beats(4), period_beats=period_beats, open_share=open_share)
    edge_frames = BEAT_FRAMES * min(EDGE_BEATS, *(period_beats * np.array([open_share, 1 - open_share])))
    fastest, bound = np.max(np.abs(np.diff(gain))), np.pi / 2 / edge_frames

    print(f"fastest {fastest:.5f} a frame, bound {bound:.5f}")
    assert fastest < bound
    assert gain.min() < 1e-4 and gain.max() == 1.0  # a part of one edge is closed at one moment alone


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.4])
def test_a_gated_bass_note_does_not_click(phase):
    # Common practice, no source: what lies above 2 kHz of a bass note is a click.
    beats = steady_beats(4)
    note = bass_note(len(beats), phase)
    heard_db = click_db(note * gain_of(beats)[:, np.newaxis])
    hard_db = click_db(note * (np.mod(beats, 0.5) < 0.25)[:, np.newaxis])

    print(f"{heard_db:.1f} dBFS above 2 kHz, bound -60 dBFS; without edges {hard_db:.1f}")
    assert heard_db < -60.0 < hard_db


@pytest.mark.parametrize("on", [20_000, 23_000, 24_000])
def test_an_amount_that_comes_and_goes_in_10_ms_does_not_click(on):
    beats = steady_beats(4)
    amount = edged_amount(len(beats), on=on, off=on + 44_000)
    heard_db = click_db(bass_note(len(beats), 0.25) * gain_of(beats, amount)[:, np.newaxis])

    print(f"{heard_db:.1f} dBFS above 2 kHz, bound -60 dBFS")
    assert heard_db < -60.0


def test_any_part_of_the_beats_has_the_same_gain():
    beats = np.linspace(-3.0, 9.0, 10_001)
    amount, period_beats = np.linspace(0.0, 1.0, 10_001), np.linspace(0.25, 1.0, 10_001)
    whole = gain_of(beats, amount, period_beats=period_beats)
    piece = slice(3333, 7777)

    assert np.array_equal(
        gain_of(beats[piece], amount[piece], period_beats=period_beats[piece]), whole[piece]
    )
    assert np.isfinite(whole).all()
