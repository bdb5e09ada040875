"""Facts of a track in, what of its file may spoil a mix out: one line each, in words with numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from mixrender.facts import Condition, TrackFacts
from mixrender.keys import Key, parse_key
from mixrender.timing.corrections import doubt_in_words
from mixrender.units import format_time, gain_to_db

LEAST_FLAT_TOPS = 10
"""Fewer cannot be heard as distortion; common practice, no source."""

MOST_TRUE_PEAK_DBTP = 1.0
"""EBU R 128 allows -1 dBTP, and BS.1770-5, Annex 2, has converters and coders clip from 0 on. Loud masters
often lie a little above that without harm; where to speak up is common practice, no source."""

MOST_OFFSET = 0.02
"""Of full scale: 0.2 dB of headroom, and a thump of -34 dBFS where the sound starts. No source."""

MOST_MONO_LOSS_DB = 6.0
"""Channels that have nothing to do with each other lose 3 dB, by arithmetic; at 6 dB they work against each
other (a correlation of -0.5). Common practice, no source."""

MOST_IMBALANCE_DB = 6.0
"""One channel has a quarter of the other's power; common practice, no source."""

SILENT_MONO_DB = 40.0
"""A loss in mono of which nothing useful is left; common practice, no source."""

LEAST_LOUDNESS_LUFS = -25.0
"""2 LU below the target of broadcasting (EBU R 128), which is quiet beside any record. No source."""

MOST_LEAD_S = 2.0
"""The pause before a track of a CD lasts 2 to 3 s (IEC 60908, from memory)."""

MOST_TAIL_S = 5.0
"""Common practice, no source."""

MOST_GAP_S = 3.0
"""More than a stop of a bar at 80 BPM; common practice, no source."""

LEAST_BITS = 9
LEAST_RATE_HZ = 32_000
"""Below, nothing above 16 kHz can be in the file; common practice, no source."""

SAME_TEMPO = 0.01
"""A tag's tempo within 1 % of the measured one, or of its double or half, is the same; no source."""


def all_warnings(facts: TrackFacts, *, file: Path | None = None) -> tuple[str, ...]:
    """Everything about a track that is shown as a warning: doubts, the sound, the tags.

    With a `file`, a doubt that one command settles brings that command.
    """
    doubts = (doubt_in_words(doubt, file) if file else doubt.words for doubt in facts.doubts)
    return (*doubts, *facts.warnings, *tag_warnings(facts))


def sound_warnings(facts: TrackFacts) -> tuple[str, ...]:
    """What is wrong with the sound itself, the worst first; nothing where all is as usual."""
    return (*_channel_warnings(facts.condition), *_level_warnings(facts), *_silence_warnings(facts))


def tag_warnings(facts: TrackFacts) -> tuple[str, ...]:
    """What the file's tags lack, or say otherwise than the analysis.

    They belong to the file and not to its sound, so they are found out anew whenever facts are shown.
    """
    return tuple(w for w in (_unnamed(facts), _tempo_differs(facts), _key_differs(facts)) if w)


def _channel_warnings(condition: Condition) -> Iterator[str]:
    loss_db, balance_db = condition.mono_loss_db or 0.0, condition.balance_db or 0.0
    if condition.silent_channel:
        yield f"the {condition.silent_channel} channel is silent: make it mono, or get another copy"
    elif loss_db >= SILENT_MONO_DB:
        yield "the channels cancel each other: in mono nothing is left; turn one of them over"
    elif loss_db >= MOST_MONO_LOSS_DB:
        yield f"the channels are out of phase: in mono it loses {loss_db:.1f} dB; is one of them turned over?"
    elif abs(balance_db) >= MOST_IMBALANCE_DB:
        louder, other = ("right", "left") if balance_db > 0.0 else ("left", "right")
        yield f"the {louder} channel is {abs(balance_db):.1f} dB louder than the {other}"


def _level_warnings(facts: TrackFacts) -> Iterator[str]:
    condition, loudness = facts.condition, facts.loudness
    if condition.clipped_runs >= LEAST_FLAT_TOPS and condition.clipped_at_s is not None:
        yield (
            f"clipped: {condition.clipped_runs} flat tops at {condition.clipped_dbfs:.1f} dBFS, the worst "
            f"({condition.clipped_longest} samples) at {format_time(condition.clipped_at_s)}; "
            "listen, and get a better copy if it crackles"
        )
    if loudness.true_peak_dbtp is not None and loudness.true_peak_dbtp > MOST_TRUE_PEAK_DBTP:
        yield f"true peak {loudness.true_peak_dbtp:+.1f} dBTP{_peak_advice(condition.samples_over)}"
    offset, where = _offset(condition)
    if abs(offset) >= MOST_OFFSET:
        yield f"DC offset of {100 * abs(offset):.1f} % of full scale{where}: a highpass at 20 Hz removes it"
    if loudness.integrated_lufs is not None and loudness.integrated_lufs < LEAST_LOUDNESS_LUFS:
        yield (f"very quiet: {loudness.integrated_lufs:.1f} LUFS; matched to others, its noise comes up too")
    if condition.bits is not None and condition.bits < LEAST_BITS:
        yield f"{condition.bits} bits a sample: expect noise at about {_noise_db(condition.bits):.0f} dBFS"
    if facts.sample_rate_hz < LEAST_RATE_HZ:
        yield (
            f"sample rate {facts.sample_rate_hz} Hz: nothing above {facts.sample_rate_hz / 2000:g} kHz in it"
        )


def _silence_warnings(facts: TrackFacts) -> Iterator[str]:
    condition, tail_s = facts.condition, facts.duration_s - facts.last_sound_s
    if facts.first_sound_s >= MOST_LEAD_S:
        yield f"{facts.first_sound_s:.1f} s of silence before the first sound"
    if condition.gap_at_s is not None and condition.gap_s >= MOST_GAP_S:
        yield f"{condition.gap_s:.1f} s of silence inside it, from {format_time(condition.gap_at_s)}"
    if tail_s >= MOST_TAIL_S:
        yield f"{tail_s:.1f} s of silence after the last sound"


def _peak_advice(samples_over: int) -> str:
    if samples_over:
        over = f"{samples_over:,} {'sample' if samples_over == 1 else 'samples'} over full scale"
        return f", {over}: players clip there, a mix made here does not"
    return ": lower it, or expect clipping in players and in lossy copies"


def _offset(condition: Condition) -> tuple[float, str]:
    """The greatest offset of a channel, and in which channels there is one worth a word."""
    offsets = condition.dc_offset
    if not offsets:
        return 0.0, ""
    worst = max(offsets, key=abs)
    high = [name for name, x in zip(("left", "right"), offsets, strict=False) if abs(x) >= MOST_OFFSET]
    return worst, f" in the {high[0]} channel" if len(offsets) == 2 and len(high) == 1 else ""


def _noise_db(bits: int) -> float:
    """Noise of rounding to `bits` beside a full-scale sine: 1.76 dB + 6.02 dB a bit (textbook formula)."""
    return -gain_to_db(1.5**0.5 * 2.0**bits)


def _unnamed(facts: TrackFacts) -> str | None:
    missing = [name for name in ("title", "artist") if not getattr(facts.tags, name)]
    return (
        f"no {' or '.join(missing)} in the tags: the plan can name them, for the list of tracks"
        if missing
        else None
    )


def _tempo_differs(facts: TrackFacts) -> str | None:
    tagged, found = facts.tags.tempo_bpm, facts.grid.tempo_bpm
    if not tagged or not found:
        return None
    if any(abs(tagged * factor / found - 1.0) <= SAME_TEMPO for factor in (0.5, 1.0, 2.0)):
        return None
    return f"the tag says {tagged:g} BPM, measured {found:.2f}"


def _key_differs(facts: TrackFacts) -> str | None:
    tagged = _tagged_key(facts.tags.key or "")
    if tagged is None or facts.key is None or tagged == parse_key(facts.key):
        return None
    return f"the tag says {tagged}, found {facts.key}"


def _tagged_key(text: str) -> Key | None:
    """The key of a tag, as a name or as ID3v2 writes it in TKEY (`Am`, `F#m`, `Bb`); None for other texts."""
    short = re.fullmatch(r"([A-Ga-g])([#b♯♭]?)\s?(m|min|maj)?", text.strip())
    if short:
        letter, accidental, mode = short.groups()
        text = f"{letter}{accidental} {'minor' if mode in ('m', 'min') else 'major'}"
    try:
        return parse_key(text)
    except ValueError:
        return None
