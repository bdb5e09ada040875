"""Everything that a render or a preview found out, as plain data for the reports."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from mixrender.dsp.true_peak import Float32Array
from mixrender.errors import Problem
from mixrender.facts import Loudness
from mixrender.loudness.judge import Criterion
from mixrender.loudness.spans import MeasuredSound
from mixrender.mixdown.levelling import Levelling
from mixrender.mixdown.offsets import BeatOffset
from mixrender.mixdown.trace import ClipTrace
from mixrender.plan.fields import MatchLoudness
from mixrender.timing.timeline import Timeline


@dataclass(frozen=True)
class Clip:
    """One written preview clip: its file, where in the mix it begins, its length, loudness and limiting.

    `trace` is what a picture of it shows; None where none was wanted. `digest` names all that it depends on:
    clips of one digest have the same bytes. `is_new` is False where that very file lay there before.
    """

    path: Path
    start_s: float
    duration_s: float
    loudness: Loudness
    max_reduction_db: float = 0.0
    trace: ClipTrace | None = None
    digest: str = ""
    is_new: bool = True


@dataclass(frozen=True)
class SpanFigures:
    """A span of the delivered mix: its loudness, with times in seconds of the mix, and gain reduction."""

    start_s: float
    end_s: float
    loudness: Loudness
    max_gain_reduction_db: float
    mean_gain_reduction_db: float


@dataclass(frozen=True)
class TrackMeasure:
    """What was measured of the mix where a track is in it: in its whole span, and where it plays alone.

    `alone` is its longest span without another track, None where that is under 3 s; `before_master_lufs` the
    integrated loudness of that span in front of the master.
    """

    in_mix: SpanFigures
    alone: SpanFigures | None
    before_master_lufs: float | None = None

    @property
    def alone_lufs(self) -> float | None:
        """Integrated loudness where the track plays alone; None: not measurable."""
        return self.alone.loudness.integrated_lufs if self.alone else None


@dataclass(frozen=True)
class TransitionMeasure:
    """What was measured of one transition; None where it could not be.

    `loudness_step_lu` is the integrated loudness of the 8 bars after the overlap less that of the 8 before,
    in the file as delivered, or in the clip as the master left it.
    `overlap` is the mix where both tracks sound; None on a preview, and where they do not.
    """

    beat_offset: BeatOffset | None
    loudness_step_lu: float | None
    clip: Clip | None = None
    overlap: SpanFigures | None = None

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the figures say that the user should know."""
        nudge = self.beat_offset.suggested_nudge_ms if self.beat_offset else None
        if self.beat_offset is None or nudge is None:
            return ()
        late = "late" if self.beat_offset.median > 0 else "early"
        distance_ms = abs(self.beat_offset.median)
        return (
            f"the incoming beats are {distance_ms:.1f} ms {late} throughout: `nudge: {nudge} ms` moves them",
        )


@dataclass(frozen=True)
class DuckedPassage:
    """A part of the mix in which a voice speaks, and by how many dB (>= 0) the music lies lower in it."""

    start_s: float
    end_s: float
    depth_db: float


@dataclass(frozen=True)
class VoiceMeasure:
    """What became of voice `index` of the timeline: its one gain, and where the music gave way to it.

    `voice_lufs` is its integrated loudness while it speaks, `music_lufs` that of the music under it, given
    way; both in front of the master, None where there is nothing to measure.
    """

    index: int
    gain_db: float
    passages: tuple[DuckedPassage, ...]
    voice_lufs: float | None
    music_lufs: float | None

    @property
    def over_lu(self) -> float | None:
        """How much louder than the music the voice is while it speaks; None: not measurable."""
        if self.voice_lufs is None or self.music_lufs is None:
            return None
        return self.voice_lufs - self.music_lufs

    @property
    def duck_db(self) -> float:
        """By how many dB the music lies lower where it does most, 0 or more."""
        return max((passage.depth_db for passage in self.passages), default=0.0)


def _nothing() -> Float32Array:
    return np.zeros(0, np.float32)


@dataclass(frozen=True)
class MasterFigures:
    """What the master did: one constant gain, and the limiter's reduction; `predicted` on previews.

    The mean is over all frames of the mix, in dB; where the limiter does not act it counts as 0.
    `gain_reduction_db` is the greatest reduction (0 or more) in each tenth of a second, shape (tenths,),
    `mean_gain_reductions_db` the mean in each; both empty on previews and where there was no limiter.
    """

    gain_db: float
    max_gain_reduction_db: float
    mean_gain_reduction_db: float
    predicted: bool
    gain_reduction_db: Float32Array = field(default_factory=_nothing, compare=False, repr=False)
    mean_gain_reductions_db: Float32Array = field(default_factory=_nothing, compare=False, repr=False)


@dataclass(frozen=True)
class TargetVerdict:
    """A loudness target and whether the mix meets it; `passed` None where no verdict is given.

    `name` is that of a published target, where the plan names one; `criteria` are figures and their bounds.
    """

    integrated_lufs: float | None
    true_peak_dbtp: float
    passed: bool | None
    reason: str = ""
    name: str | None = None
    criteria: tuple[Criterion, ...] = ()


@dataclass(frozen=True)
class Correction:
    """How often a mix was made again, and the loudness and ceiling of the sound that was encoded at last."""

    rounds: int
    integrated_lufs: float | None
    true_peak_dbtp: float


@dataclass(frozen=True)
class MixResult:
    """A rendered mix or its preview clips: the timeline, every figure, and the files written.

    `transitions` holds one measure per transition of the timeline, None for those that a preview left out.
    `loudness` is that of the delivered file, None on a preview; `before_encoding` that of the sound given to
    a lossy codec, None where the format is not lossy. `sound` is the delivered file over time, `tracks` what
    was measured of it for each track, `levelling` what would make the tracks equally loud; None and empty on
    a preview. `voices` are those that are heard in it, `layer_gains_db` the gains of the timeline's layers,
    `match_loudness` is how the plan says that tracks be levelled.
    """

    timeline: Timeline
    sample_rate_hz: int
    gains_db: tuple[float, ...]
    transitions: tuple[TransitionMeasure | None, ...]
    loudness: Loudness | None
    master: MasterFigures
    target: TargetVerdict | None
    inputs: tuple[tuple[Path, str], ...]
    versions: dict[str, str]
    files: tuple[Path, ...] = ()
    clipped_samples: int = 0
    warnings: tuple[str, ...] = ()
    before_encoding: Loudness | None = None
    correction: Correction | None = None
    sound: MeasuredSound | None = None
    tracks: tuple[TrackMeasure, ...] = ()
    levelling: Levelling | None = None
    voices: tuple[VoiceMeasure, ...] = ()
    layer_gains_db: tuple[float, ...] = ()
    match_loudness: MatchLoudness = "tracks"

    def all_warnings(self) -> list[Problem | str]:
        """Warnings of the plan, of what was measured, and of the master, in that order."""
        names = [track.name for track in self.timeline.tracks]
        measured = [
            f"{names[transition.outgoing]} → {names[transition.incoming]}: {text}"
            for transition, measure in zip(self.timeline.transitions, self.transitions, strict=True)
            if measure is not None
            for text in measure.warnings
        ]
        return [*self.timeline.problems, *measured, *self.warnings]
