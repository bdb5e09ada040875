"""Texts with units become numbers in base units; anything else is refused in words that help."""

import math

import pytest

from mixrender.plan import quantities as q
from mixrender.plan.controls import CONTROLS
from mixrender.plan.lanes import read_value
from mixrender.plan.places import InPosition, Length, Position, Shift

GOOD = [
    (q.TEMPO.parse, "126 BPM", 126.0),
    (q.TEMPO.parse, "126.5bpm", 126.5),
    (q.GAIN.parse, "-1.5 dB", -1.5),
    (q.GAIN.parse, "−1.5dB", -1.5),
    (q.GAIN.parse, "+ 3 DB", 3.0),
    (q.BAND_EDGE.parse, "1.2 kHz", 1200.0),
    (q.BAND_EDGE.parse, "900 Hz", 900.0),
    (q.SAMPLE_RATE.parse, "44100", 44100.0),
    (q.SAMPLE_RATE.parse, "44.1 kHz", 44100.0),
    (q.INTEGRATED.parse, "-14 LUFS", -14.0),
    (q.TRUE_PEAK.parse, "-1 dBTP", -1.0),
    (q.SEMITONES.parse, "+1", 1.0),
    (q.SEMITONES.parse, "-2 semitones", -2.0),
    (q.BARS.parse, "16 bars", 16.0),
    (q.BARS.parse, "1 bar", 1.0),
    (q.NUDGE.parse, "4 ms", 0.004),
    (q.NUDGE.parse, "-0.01 s", -0.01),
    (q.to_duration, "58 min 30 s", 3510.0),
    (q.to_duration, "1 h 2 min", 3720.0),
    (q.to_duration, "0.231 s", 0.231),
    (q.to_duration, "4ms", 0.004),
    (CONTROLS["level"].parse, "silent", -math.inf),
    (CONTROLS["low"].parse, "Kill", -math.inf),
    (CONTROLS["lowpass"].parse, "20 kHz", 20_000.0),
]


@pytest.mark.parametrize(("parse", "text", "expected"), GOOD, ids=[text for _, text, _ in GOOD])
def test_quantity_is_read_in_its_base_unit(parse, text, expected):
    assert expected == pytest.approx(parse(text), rel=1e-15, abs=0)


@pytest.mark.parametrize("text", ["open", " OPEN "])
def test_open_filter_is_nan(text):
    assert math.isnan(CONTROLS["highpass"].parse(text))


BAD = [
    (q.TEMPO.parse, "126", "found `126` without a unit; write `126 BPM`"),
    (q.TEMPO.parse, "nan BPM", "found `nan BPM`; write a tempo such as `126 BPM`"),
    (q.TEMPO.parse, "1e3 BPM", "found `1e3 BPM`; write a tempo such as `126 BPM`"),
    (q.TEMPO.parse, "9" * 400 + " BPM", f"found `{'9' * 57}...`; a tempo lies from 20 to 1,000 BPM"),
    (q.TEMPO.parse, "٣٠ BPM", "found `٣٠ BPM`; write a tempo such as `126 BPM`"),
    (q.GAIN.parse, "-1,5 dB", "found `-1,5 dB`; write numbers with a point and no commas, such as `-1.5 dB`"),
    (q.GAIN.parse, "", "found ``; write a gain such as `-1.5 dB`"),
    (q.BARS.parse, "16", "found `16` without a unit; write `16 bars`"),
    (q.BARS.parse, "1", "found `1` without a unit; write `1 bar`"),
    (q.BARS.parse, "-1 bar", "found `-1 bar`; a length in bars lies from 0 to 1,024"),
    (q.to_duration, "58:30", "found `58:30`; write `58 min 30 s`, with its units"),
    (q.to_duration, "1:02:03", "found `1:02:03`; write `1 h 2 min 3 s`, with its units"),
    (q.to_duration, "25 h", "found `25 h`; a time lies from 0 s to 24 h"),
    (q.to_duration, "30 s 58 min", "found `30 s 58 min`; write a time such as `58 min 30 s`"),
    (q.to_length, "3/0 beats", "found `3/0 beats`; write a fraction such as `3/4 beat`"),
    (q.to_shift, "1", "found `1` without a unit; write `1 beat`"),
    (q.to_shift, "-1", "found `-1` without a unit; write `-1 beat`"),
    (q.to_shift, "2", "found `2` without a unit; write `2 beats`"),
    (q.to_shift, "-3/0 beats", "found `-3/0 beats`; write a fraction such as `3/4 beat`"),
    (q.to_shift, "5 min", "found `5 min`; write a shift such as `1 beat`, `-0.5 beats` or `12 ms`"),
    (q.to_shift, "-61 s", "found `-61 s`; a shift is not greater than 60 seconds either way"),
    (q.to_shift, "65 bars", "found `65 bars`; a shift is not greater than 64 bars either way"),
    (q.GRID_TEMPO.parse, "401 BPM", "found `401 BPM`; a tempo lies from 20 to 400 BPM"),
    (q.to_flag, "Yes", "found `Yes`; write `true`"),
    (q.to_flag, "off", "found `off`; write `false`"),
    (
        CONTROLS["level"].parse,
        "-300 dB",
        "found `-300 dB`; a level lies from -100 to 12 dB; `silent` is allowed too",
    ),
    (CONTROLS["low"].parse, "silent", "found `silent`; write a value of `low` such as `-6 dB`, or `kill`"),
]


@pytest.mark.parametrize(("parse", "text", "expected"), BAD, ids=[text[:12] for _, text, _ in BAD])
def test_refusal_says_what_was_found_and_what_to_write(parse, text, expected):
    with pytest.raises(ValueError) as caught:
        parse(text)

    assert expected == str(caught.value)


PLACES = [
    (Position, "97", Position(bars=97)),
    (Position, "-1", Position(bars=-1)),
    (Position, "97 + 0.75", Position(bars=97.75)),
    (Position, "97-8", Position(bars=89)),
    (Position, "drop", Position(cue="drop")),
    (Position, "drop - 16", Position(cue="drop", bars=-16)),
    (Position, "big-drop + .5", Position(cue="big-drop", bars=0.5)),
    (Position, "184.2 s", Position(seconds=184.2)),
    (Position, "3 min 4 s", Position(seconds=184)),
    (InPosition, "8.5", InPosition(bars=8.5)),
    (InPosition, "-2", InPosition(bars=-2)),
    (InPosition, "end", InPosition(from_end=True)),
    (InPosition, "End -4", InPosition(from_end=True, bars=-4)),
    (Length, "16 bars", Length(bars=16)),
    (Length, "1/2 bar", Length(bars=0.5)),
    (Length, "0.5 beats", Length(beats=0.5)),
    (Length, "0 bars", Length(bars=0)),
    (Length, "250 ms", Length(seconds=0.25)),
    (Shift, "1 beat", Shift(beats=1)),
    (Shift, "-0.5 beats", Shift(beats=-0.5)),
    (Shift, "−1/2 beat", Shift(beats=-0.5)),
    (Shift, "- 3/4 beat", Shift(beats=-0.75)),
    (Shift, "+2 bars", Shift(bars=2)),
    (Shift, "-12 ms", Shift(seconds=-0.012)),
    (Shift, "1.5 s", Shift(seconds=1.5)),
]


@pytest.mark.parametrize(("kind", "text", "expected"), PLACES, ids=[text for _, text, _ in PLACES])
def test_place_is_read_and_written_back_to_the_same_place(kind, text, expected):
    place = kind.parse(text)

    assert expected == place
    assert place == kind.parse(str(place))


@pytest.mark.parametrize(
    ("kind", "text"), [(Position, "1e9"), (Position, "999999"), (InPosition, "drop"), (Length, "-1 s")]
)
def test_senseless_place_is_refused(kind, text):
    with pytest.raises(ValueError, match=r"^found "):
        kind.parse(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0 dB", (0.0, None)),
        ("silent at once", (-math.inf, "at once")),
        ("0 dB in 2 beats", (0.0, Length(beats=2))),
        ("-6 dB in 1/2 bar", (-6.0, Length(bars=0.5))),
        ("-6 dB  AT  ONCE", (-6.0, "at once")),
    ],
)
def test_value_of_a_point_may_carry_its_time(text, expected):
    assert expected == read_value(text, CONTROLS["level"])
