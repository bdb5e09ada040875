"""The name of a format goes in; what such a file can hold, and how it is called, comes out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

FormatName = Literal["flac", "wav", "aiff", "mp3", "opus", "vorbis", "m4a"]
Bits = Literal["16", "24", "float"]

FORMAT_NAMES: tuple[FormatName, ...] = get_args(FormatName)
BIT_WORDS: tuple[Bits, ...] = get_args(Bits)

MEANT_FORMATS: Mapping[str, FormatName] = MappingProxyType({"ogg": "vorbis", "aac": "m4a", "mp4": "m4a"})
"""What is often written for a format, and the name that it has here."""


@dataclass(frozen=True)
class Format:
    """A kind of file that a mix can be written to.

    `bits` are the forms that a sample may have; there are none where the codec is lossy. `rates_hz` are the
    sample rates it may have, in order; empty: any from 8 to 192 kHz. A lossy one has a bit rate in kbit/s:
    one of `bit_rates_kbit_s` if they are listed, else from `lowest_kbit_s` to `highest_kbit_s`.
    """

    name: FormatName
    title: str
    suffix: str
    bits: tuple[Bits, ...] = ()
    rates_hz: tuple[int, ...] = ()
    bit_rates_kbit_s: tuple[int, ...] = ()
    lowest_kbit_s: int = 0
    highest_kbit_s: int = 0
    default_kbit_s: int = 0
    largest_bytes: int | None = None

    @property
    def is_lossy(self) -> bool:
        """Whether what is read from the file differs from what was written to it by more than rounding."""
        return not self.bits

    def rate_near_hz(self, rate_hz: int) -> int:
        """The sample rate itself if the format has it, else the next higher that it has, else its highest."""
        if not self.rates_hz or rate_hz in self.rates_hz:
            return rate_hz
        return next((rate for rate in self.rates_hz if rate > rate_hz), self.rates_hz[-1])


FORMATS: Mapping[FormatName, Format] = MappingProxyType(
    {
        known.name: known
        for known in (
            Format("flac", "FLAC", ".flac", bits=("16", "24")),
            Format("wav", "WAV", ".wav", bits=("16", "24", "float")),
            # Sizes of chunks have 32 bits, and nothing like RF64 goes beyond (AIFF 1.3, Apple, 1989). Floats
            # are AIFF-C, another format, which many players refuse.
            Format("aiff", "AIFF", ".aiff", bits=("16", "24"), largest_bytes=0xFFFF_FFFF),
            # MPEG-1 layer III alone: its rates, and its constant bit rates (ISO/IEC 11172-3, 2.4.2.3).
            Format(
                "mp3",
                "MP3",
                ".mp3",
                rates_hz=(32000, 44100, 48000),
                bit_rates_kbit_s=(64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
                default_kbit_s=320,
            ),
            # Opus decodes to 48 kHz, and has at most 510 kbit/s (RFC 6716, sections 2 and 2.1.1).
            Format(
                "opus",
                "Opus",
                ".opus",
                rates_hz=(48000,),
                lowest_kbit_s=32,
                highest_kbit_s=510,
                default_kbit_s=192,
            ),
            Format("vorbis", "Vorbis", ".ogg", lowest_kbit_s=64, highest_kbit_s=500, default_kbit_s=256),
            # The rates of AAC (ISO/IEC 14496-3, table 1.18) from 32 kHz on, which hold music.
            Format(
                "m4a",
                "M4A",
                ".m4a",
                rates_hz=(32000, 44100, 48000, 64000, 88200, 96000),
                lowest_kbit_s=64,
                highest_kbit_s=320,
                default_kbit_s=256,
            ),
        )
    }
)
"""Every format by its name."""


def unfit(
    format: FormatName, *, bits: Bits | None = None, rate_hz: int | None = None, kbit_s: int | None = None
) -> Iterator[tuple[Literal["bits", "rate", "bitrate"], str]]:
    """What a format cannot hold of what is asked for: the field, and what is wrong with the way out.

    None stands for what the format itself decides, or what nobody wrote.
    """
    kind = FORMATS[format]
    if bits is not None and kind.is_lossy:
        yield "bits", f"{kind.title} has no bits per sample to choose; leave `bits` out, or write `bitrate`"
    elif bits is not None and bits not in kind.bits:
        yield "bits", f"{kind.title} holds whole numbers only; write `bits: 24`, or `format: wav`"
    if rate_hz is not None and kind.rates_hz and rate_hz not in kind.rates_hz:
        yield "rate", f"{kind.title} cannot have {rate_hz} Hz; write {_one_of(kind.rates_hz)}"
    if kbit_s is None:
        return
    if not kind.is_lossy:
        yield "bitrate", f"{kind.title} has no bit rate to choose; leave `bitrate` out"
    elif kind.bit_rates_kbit_s and kbit_s not in kind.bit_rates_kbit_s:
        rates = _one_of(kind.bit_rates_kbit_s)
        yield "bitrate", f"{kind.title} cannot have {kbit_s} kbit/s; write {rates}"
    elif not kind.bit_rates_kbit_s and not kind.lowest_kbit_s <= kbit_s <= kind.highest_kbit_s:
        span = f"from {kind.lowest_kbit_s} to {kind.highest_kbit_s} kbit/s"
        yield "bitrate", f"{kind.title} cannot have {kbit_s} kbit/s; write a bit rate {span}"


def _one_of(numbers: Sequence[int]) -> str:
    texts = [str(number) for number in numbers]
    return " or ".join(text for text in (", ".join(texts[:-1]), texts[-1]) if text)
