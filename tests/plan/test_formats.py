"""What kinds of files can hold, and what is said where they cannot."""

from __future__ import annotations

import pytest

from mixrender.errors import InputError
from mixrender.formats import FORMATS, FormatName, unfit
from mixrender.plan.load import parse_plan
from mixrender.plan.output import with_output


@pytest.mark.parametrize(
    ("format", "rate_hz", "near_hz"),
    [
        ("flac", 22_050, 22_050),
        ("vorbis", 192_000, 192_000),
        ("opus", 44_100, 48_000),
        ("opus", 96_000, 48_000),
        ("mp3", 22_050, 32_000),
        ("mp3", 44_100, 44_100),
        ("m4a", 176_400, 96_000),
    ],
)
def test_a_rate_that_a_format_lacks_becomes_the_next_higher_or_the_highest(
    format: FormatName, rate_hz: int, near_hz: int
) -> None:
    assert FORMATS[format].rate_near_hz(rate_hz) == near_hz


@pytest.mark.parametrize("format", sorted(FORMATS))
def test_what_a_format_takes_by_itself_is_legal(format: FormatName) -> None:
    kind = FORMATS[format]
    rate_hz = kind.rate_near_hz(44_100)
    assert list(unfit(format, bits="24", rate_hz=rate_hz, kbit_s=kind.default_kbit_s or None)) == []


def test_words_replace_those_of_the_plan_and_a_bit_rate_goes_with_its_format() -> None:
    plan = parse_plan("output: {format: mp3, bitrate: 192 kbit/s, rate: 48 kHz}\ntracks: [a.flac]\n")
    assert with_output(plan, {}) is plan
    flac = with_output(plan, {"format": "FLAC", "bits": "16"}).output
    assert (flac.format, flac.bits, flac.rate_hz, flac.bit_rate_kbit_s) == ("flac", "16", 48_000, None)
    mp3 = with_output(plan, {"format": "mp3"}).output
    assert mp3 == plan.output
    assert with_output(plan, {"format": "opus", "bitrate": "96"}).output.bit_rate_kbit_s == 96


def test_every_fault_of_the_words_is_said() -> None:
    plan = parse_plan("tracks: [a.flac]\n")
    with pytest.raises(InputError) as caught:
        with_output(plan, {"format": "opus", "rate": "44100", "bitrate": "16"})
    assert str(caught.value).startswith("--bitrate: found `16`; a bit rate lies from 32 to 512 kbit/s")
    with pytest.raises(InputError) as caught:
        with_output(plan, {"format": "opus", "rate": "44100", "bitrate": "512"})
    assert [line.split(":")[0] for line in str(caught.value).splitlines()] == ["--rate", "--bitrate"]
