"""What is known of a track before it is mixed: its grid of beats, its loudness, its key and its sections."""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field
from typing import Literal

from mixrender.units import beats_to_seconds, interval_to_bpm, seconds_to_beats

GridKind = Literal["steady", "drifting", "none"]


@dataclass(frozen=True)
class Grid:
    """Where the beats of a track lie. Beat 0 is the first beat of bar 1; earlier beats are negative.

    A steady grid is a tempo and the time of beat 0. A drifting one lists its beats: `beats_s[i]` is the time
    of beat `first_beat + i`, strictly rising, at least two of them; before and after them the nearest
    interval goes on. Kind `none` means that no beat was found: it has no bars, and the functions below must
    not be called.
    """

    kind: GridKind
    tempo_bpm: float | None = None
    bar_1_s: float | None = None
    beats_per_bar: int = 4
    beats_s: tuple[float, ...] = ()
    first_beat: int = 0

    def time_at(self, beat: float) -> float:
        """Time in seconds of a beat (fractions allowed)."""
        if self.kind == "drifting":
            i = min(max(int(beat // 1) - self.first_beat, 0), len(self.beats_s) - 2)
            start, end = self.beats_s[i], self.beats_s[i + 1]
            return start + (beat - self.first_beat - i) * (end - start)
        assert self.kind == "steady" and self.tempo_bpm is not None and self.bar_1_s is not None
        return self.bar_1_s + beats_to_seconds(beat, self.tempo_bpm)

    def beat_at(self, time_s: float) -> float:
        """The beat, with its fraction, at a time in seconds; the inverse of `time_at`."""
        if self.kind == "drifting":
            i = min(max(bisect.bisect_right(self.beats_s, time_s) - 1, 0), len(self.beats_s) - 2)
            start, end = self.beats_s[i], self.beats_s[i + 1]
            return self.first_beat + i + (time_s - start) / (end - start)
        assert self.kind == "steady" and self.tempo_bpm is not None and self.bar_1_s is not None
        return seconds_to_beats(time_s - self.bar_1_s, self.tempo_bpm)

    def tempo_at(self, beat: float, *, over_beats: int = 8) -> float:
        """Tempo in BPM around a beat: a drifting grid is averaged over `over_beats` beats."""
        if self.kind == "drifting":
            span_s = self.time_at(beat + over_beats / 2) - self.time_at(beat - over_beats / 2)
            return interval_to_bpm(span_s / over_beats)
        assert self.tempo_bpm is not None
        return self.tempo_bpm

    def bar_to_beat(self, bar: float) -> float:
        """Beat on which a bar begins: bar 1 is beat 0."""
        return (bar - 1.0) * self.beats_per_bar

    def beat_to_bar(self, beat: float) -> float:
        """Bar, with its fraction, in which a beat lies: beat 0 is bar 1."""
        return beat / self.beats_per_bar + 1.0


@dataclass(frozen=True)
class Loudness:
    """The loudness of a piece of sound by ITU-R BS.1770-5 and EBU Tech 3341 and 3342; None: not measurable.

    `loud_lufs` is the 95th percentile of the gated short-term loudness: how loud the loud parts are.
    """

    duration_s: float
    integrated_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_momentary_lufs: float | None = None
    max_momentary_s: float | None = None
    max_short_term_lufs: float | None = None
    max_short_term_s: float | None = None
    true_peak_dbtp: float | None = None
    true_peak_s: float | None = None
    sample_peak_dbfs: float | None = None
    loud_lufs: float | None = None


@dataclass(frozen=True)
class Section:
    """A part of a track: the bar on which it begins, and when."""

    bar: int
    start_s: float


@dataclass(frozen=True)
class TrackFacts:
    """What the analysis found in one file, keyed by its content.

    Times are seconds of the decoded file. `first_sound_s` and `last_sound_s` bound what lies above -60 dBFS.
    `first_enter_bar` is the first bar worth sounding, `last_leave_bar` the bar line by which the track
    should be gone; both None without a grid. Confidences run from 0 to 1.
    """

    content_hash: str
    duration_s: float
    sample_rate_hz: int
    channels: int
    decoder: str
    grid: Grid
    tempo_confidence: float = 0.0
    key: str | None = None
    key_confidence: float = 0.0
    tuning_cents: float | None = None
    sections: tuple[Section, ...] = ()
    first_enter_bar: int | None = None
    last_leave_bar: int | None = None
    first_sound_s: float = 0.0
    last_sound_s: float = 0.0
    loudness: Loudness = field(default_factory=lambda: Loudness(duration_s=0.0))
    warnings: tuple[str, ...] = ()
    analysis_version: str = ""
