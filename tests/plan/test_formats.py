"""What kinds of files can hold, and what is said where they cannot."""

from __future__ import annotations

from pathlib import Path

import pytest

from mixrender.errors import InputError, PlanError
from mixrender.formats import FORMATS, FormatName, unfit
from mixrender.plan.load import load_plan, parse_plan
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
    bits = None if kind.is_lossy else "24"
    assert list(unfit(format, bits=bits, rate_hz=rate_hz, kbit_s=kind.default_kbit_s or None)) == []


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


NO_BITS = "MP3 has no bits per sample to choose; leave `bits` out"


def test_bits_are_refused_where_a_format_has_none_and_someone_wrote_them() -> None:
    # 24 is what a plan has that says nothing.
    for bits in ("16", "24"):
        with pytest.raises(InputError, match=f"--bits: {NO_BITS}"):
            with_output(parse_plan("tracks: [a.flac]\n"), {"format": "mp3", "bits": bits})
        with pytest.raises(InputError, match=f"--bits: {NO_BITS}"):
            with_output(parse_plan("output: {format: mp3}\ntracks: [a.flac]\n"), {"bits": bits})


def test_bits_of_the_plan_fall_away_where_an_option_asks_for_a_format_that_has_none() -> None:
    plan = parse_plan("output: {format: wav, bits: 16, rate: 48 kHz}\ntracks: [a.flac]\n")
    mp3, aiff = (with_output(plan, {"format": format}).output for format in ("mp3", "aiff"))
    assert (mp3.format, mp3.rate_hz, "bits" in mp3.model_fields_set) == ("mp3", 48_000, False)
    assert (aiff.format, aiff.bits) == ("aiff", "16")


def test_bits_of_a_plan_whose_format_has_none_are_a_fault_at_their_place(tmp_path: Path) -> None:
    (tmp_path / "a.flac").write_bytes(b"")
    (tmp_path / "plan.yaml").write_text("output: {format: mp3, bits: 16}\ntracks: [a.flac]\n")
    with pytest.raises(PlanError, match=NO_BITS) as caught:
        load_plan(tmp_path / "plan.yaml")
    assert [problem.path for problem in caught.value.problems] == ["output.bits"]


@pytest.mark.parametrize(
    ("written", "meant"), [("ogg", "vorbis"), ("AAC", "m4a"), ("mp4", "m4a"), ("aif", "aiff")]
)
def test_another_name_of_a_format_leads_to_its_own(written: str, meant: str) -> None:
    with pytest.raises(InputError) as caught:
        with_output(parse_plan("tracks: [a.flac]\n"), {"format": written})
    assert str(caught.value).startswith(f"--format: found `{written}`; write `flac`, ")
    assert str(caught.value).endswith(f"(did you mean `{meant}`?)")
