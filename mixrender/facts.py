"""What is known of a track before it is mixed: its grid of beats, its loudness, its key and its sections."""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, field
from typing import Literal

from mixrender.units import beats_to_seconds, interval_to_bpm, seconds_to_beats

GridKind = Literal["steady", "drifting", "none"]

SURE = 0.9
"""A part of an analysis with at least this confidence is shown as sure."""


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

    def beats_within(self, duration_s: float) -> range:
        """Every beat from the start of a file to its end; one that is early by rounding alone counts."""
        return range(math.ceil(self.beat_at(0.0) - 1e-6), math.floor(self.beat_at(duration_s)) + 1)


@dataclass(frozen=True)
class Loudness:
    """The loudness of a piece of sound by ITU-R BS.1770-5 and EBU Tech 3341 and 3342; None: not measurable.

    `loud_lufs` is the 95th percentile of the gated short-term loudness: how loud the loud parts are.
    `true_peak_channel` counts from 0, in the order of the file: left is 0, right 1, and of `channels`
    in all.
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
    true_peak_channel: int | None = None
    channels: int | None = None

    @property
    def plr_lu(self) -> float | None:
        """Peak-to-loudness ratio: the true peak less the integrated loudness, in LU; None: not measurable."""
        if self.true_peak_dbtp is None or self.integrated_lufs is None:
            return None
        return self.true_peak_dbtp - self.integrated_lufs


@dataclass(frozen=True)
class Section:
    """A part of a track: its first bar, when it begins, and what sounds in it.

    `bars` is its length, `integrated_lufs` its loudness, `energy` how driving it is beside the rest of the
    track (0 to 1). `drums`, `kick`, `bass`, `vocals`: whether they play through most of it; None where the
    evidence does not allow to say.
    """

    bar: int
    start_s: float
    bars: int = 0
    end_s: float | None = None
    integrated_lufs: float | None = None
    energy: float | None = None
    kick: bool | None = None
    drums: bool | None = None
    bass: bool | None = None
    vocals: bool | None = None


@dataclass(frozen=True)
class BarContent:
    """What sounds in each whole bar from bar 1 on: tuples of one figure a bar, all of one length.

    `level_lufs` is the momentary-like loudness of the bar (K-weighted mean power; -70 for silence). The
    others are presences from 0 (surely not) to 1 (surely); `vocals` is empty where it cannot be told.
    """

    level_lufs: tuple[float, ...] = ()
    kick: tuple[float, ...] = ()
    drums: tuple[float, ...] = ()
    bass: tuple[float, ...] = ()
    vocals: tuple[float, ...] = ()


Part = Literal["tempo", "beats", "bar 1", "key"]


@dataclass(frozen=True)
class Confidence:
    """How probably each part of an analysis is right, 0 to 1.

    `tempo`: the tempo as people count it, not its double or half. `beats`: the beats lie on the beat, not
    between. `bar_1`: bars begin where they should, given the beats. `key`: the key.
    """

    tempo: float = 0.0
    beats: float = 0.0
    bar_1: float = 0.0
    key: float = 0.0

    @property
    def placed(self) -> float:
        """How probably both the tempo and the place of the beats are right, 0 to 1."""
        return min(self.tempo, self.beats)


@dataclass(frozen=True)
class Doubt:
    """A part of the analysis that may be wrong: the alternative in words, and the edit that would take it.

    `cure` is what follows `mixrender grid FILE`, for example `--double`; None where no edit helps.
    """

    part: Part
    words: str
    cure: str | None = None


@dataclass(frozen=True)
class Condition:
    """The state of a sound file: what may spoil a mix, whatever the music.

    `clipped_runs` counts flat tops, runs of three and more samples at one value, at full scale or at the
    file's own maximum: `clipped_dbfs` is that level, the longest has `clipped_longest` samples and begins at
    `clipped_at_s`. `samples_over` counts samples over full scale, which only lossy and float files hold.
    `dc_offset` is the mean of each channel, full scale = 1. `correlation` is that of the two channels, -1 to
    1 (1: a mono file; None: a channel is silent). `mono_loss_db` is how much quieter the sum of both channels
    is than the same power in phase, at most 100; `balance_db` how much louder the right one is than the left.
    `same_channels`: both channels of a stereo file hold the same. `gap_s` is the longest time below -60 dBFS
    between sounds, from `gap_at_s`. `bits` are those of a sample, where the file states them.
    """

    clipped_runs: int = 0
    clipped_longest: int = 0
    clipped_at_s: float | None = None
    clipped_dbfs: float | None = None
    samples_over: int = 0
    dc_offset: tuple[float, ...] = ()
    correlation: float | None = None
    mono_loss_db: float | None = None
    balance_db: float | None = None
    silent_channel: Literal["left", "right"] | None = None
    same_channels: bool = False
    gap_s: float = 0.0
    gap_at_s: float | None = None
    bits: int | None = None


@dataclass(frozen=True)
class FileTags:
    """What a file says of itself; None where it says nothing."""

    title: str | None = None
    artist: str | None = None
    album: str | None = None
    genre: str | None = None
    date: str | None = None
    tempo_bpm: float | None = None
    key: str | None = None


@dataclass(frozen=True)
class TrackFacts:
    """What the analysis found in one file, keyed by its content.

    Times are seconds of the decoded file. `first_sound_s` and `last_sound_s` bound what lies above -60 dBFS.
    `first_enter_bar` is the first bar worth sounding, `last_leave_bar` the bar line by which the track
    should be gone; both None without a grid, the reasons beside them in words. `drums_from_bar` and
    `drums_until_bar` are the bar in which the drums first play and the bar line at which they stop for good.
    `doubts` are about grid and key, `warnings` about the file. `corrections` says in words what the user
    changed by hand, `locked` that nothing may change it any more. `tags` are those of the file at its place.
    """

    content_hash: str
    duration_s: float
    sample_rate_hz: int
    channels: int
    decoder: str
    grid: Grid
    confidence: Confidence = field(default_factory=Confidence)
    key: str | None = None
    key_rival: str | None = None
    tuning_cents: float | None = None
    sections: tuple[Section, ...] = ()
    bars: BarContent = field(default_factory=BarContent)
    first_enter_bar: int | None = None
    enter_reason: str = ""
    last_leave_bar: int | None = None
    leave_reason: str = ""
    drums_from_bar: int | None = None
    drums_until_bar: int | None = None
    first_sound_s: float = 0.0
    last_sound_s: float = 0.0
    loudness: Loudness = field(default_factory=lambda: Loudness(duration_s=0.0))
    condition: Condition = field(default_factory=Condition)
    tags: FileTags = field(default_factory=FileTags)
    doubts: tuple[Doubt, ...] = ()
    warnings: tuple[str, ...] = ()
    corrections: tuple[str, ...] = ()
    locked: bool = False
    analysis_version: str = ""

    @property
    def tempo_confidence(self) -> float:
        """How probably both the tempo and the place of the beats are right, 0 to 1."""
        return self.confidence.placed

    @property
    def key_confidence(self) -> float:
        """How probably the key is right, 0 to 1."""
        return self.confidence.key

    @property
    def sure(self) -> bool:
        """Whether the beats may be relied on without looking: steady, and sure beyond 0.9 or set by hand."""
        return self.grid.kind == "steady" and self.tempo_confidence >= SURE
