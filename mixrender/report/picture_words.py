"""The facts of a track in, what its picture says of them in words out."""

from __future__ import annotations

import textwrap
from pathlib import Path

from mixrender.facts import SURE, Doubt, TrackFacts
from mixrender.report.picture_text import shown
from mixrender.report.tables import number
from mixrender.units import format_time

_LINE_CHARACTERS = 104
_MOST_LINES = 7


def title_of(file: Path, facts: TrackFacts) -> str:
    """Artist and title, or the name of the file."""
    words = [text for text in (facts.tags.artist, facts.tags.title) if text]
    return shown(" – ".join(words) if words else file.name, most=80)


def subtitle_of(file: Path, facts: TrackFacts) -> str:
    """The file, unless the title names it, its length, rate and loudness."""
    loudness = facts.loudness.integrated_lufs
    named = title_of(file, facts) == shown(file.name, most=80)
    parts = [
        *([] if named else [shown(file.name, most=70)]),
        format_time(facts.duration_s),
        f"{facts.sample_rate_hz} Hz",
        "mono" if facts.channels == 1 else "stereo",
        "not measurable" if loudness is None else f"{loudness:.1f} LUFS",
    ]
    return "   ".join(parts)


def found_lines(facts: TrackFacts) -> list[tuple[str, str]]:
    """What was found and how sure it is: pairs of a name and words."""
    grid, confidence = facts.grid, facts.confidence
    lines = [("tempo", "none found")]
    if grid.kind != "none" and grid.bar_1_s is not None and grid.tempo_bpm is not None:
        drifting = ", changing" if grid.kind == "drifting" else ", steady"
        lines = [
            ("tempo", f"{grid.tempo_bpm:.2f} BPM{drifting}, {_sure(confidence.tempo)}"),
            ("beats", f"on the beat, {_sure(confidence.beats)}"),
            ("bar 1", f"at {number(grid.bar_1_s, digits=3)} s, {_sure(confidence.bar_1)}"),
            ("metre", f"{grid.beats_per_bar} beats a bar"),
        ]
    return [*lines, ("key", _key(facts)), *_by_hand(facts)]


def doubt_lines(facts: TrackFacts) -> list[str]:
    """Doubts, each with the command that cures it, and what is wrong with the file."""
    texts = [*map(_doubt, facts.doubts), *(shown(text, most=300) for text in facts.warnings)]
    folded = [textwrap.wrap(text, _LINE_CHARACTERS, subsequent_indent="    ") for text in texts]
    lines = [line for part in folded for line in part]
    return lines if len(lines) <= _MOST_LINES else [*lines[: _MOST_LINES - 1], "…"]


def mark_words(facts: TrackFacts, *, reasons: bool) -> tuple[str, str]:
    """Where to enter and where to leave, with the reasons if there is room for them."""
    enter, leave = f"enter {facts.first_enter_bar}", f"leave {facts.last_leave_bar}"
    if not reasons:
        return enter, leave
    why, why_not_later = (shown(reason, most=48) for reason in (facts.enter_reason, facts.leave_reason))
    return ": ".join(filter(None, (enter, why))), ": ".join(filter(None, (leave, why_not_later)))


def _sure(confidence: float) -> str:
    return f"{'sure' if confidence >= SURE else 'doubtful'} ({100.0 * confidence:.0f} %)"


def _key(facts: TrackFacts) -> str:
    if facts.key is None:
        return "none found"
    rival = f", else {facts.key_rival}" if facts.key_rival else ""
    return f"{facts.key} ({100.0 * facts.confidence.key:.0f} %){rival}"


def _by_hand(facts: TrackFacts) -> list[tuple[str, str]]:
    if not facts.corrections and not facts.locked:
        return []
    words = shown("; ".join(facts.corrections), most=70) or "nothing"
    return [("by hand", f"{words}{', locked' if facts.locked else ''}")]


def _doubt(doubt: Doubt) -> str:
    words = shown(doubt.words, most=150)
    return f"{words} → mixrender grid FILE {shown(doubt.cure)}" if doubt.cure else words
