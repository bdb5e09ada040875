"""A plan's data go in; frozen objects come out, texts read, defaults filled in, places in the file known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Discriminator, Field, PrivateAttr, Tag, ValidationInfo, model_validator

from mixrender.errors import Problem
from mixrender.formats import BIT_WORDS, FORMAT_NAMES, Bits, FormatName
from mixrender.plan import fields as f
from mixrender.plan.lanes import Lane, LanePoint, Moves, read_own_moves, read_transition_moves
from mixrender.plan.places import InPosition, Length, MoveTime, PlanModel, Position, Shift, from_yaml

Curve = Literal["equal-power", "linear", "slow", "sharp"]
Count = Literal["plain", "half", "double"]
Formants = Literal["follow", "keep"]
PlanPath = tuple[str | int, ...]


class LoudnessTarget(PlanModel):
    """How loud the finished mix shall be: the name of a published target, or numbers."""

    name: f.Text | None = None
    integrated_lufs: f.IntegratedLufs | None = Field(default=None, validation_alias="integrated")
    true_peak_dbtp: f.TruePeakDbtp = Field(default=-1.0, validation_alias="true_peak")

    example: ClassVar[str] = "`{integrated: -14 LUFS, true_peak: -1 dBTP}`, or the name of a target"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: Any) -> Any:
        if isinstance(value, str):
            is_level = value.strip()[:1] in ("-", "−", "+") or value.strip()[:1].isdigit()
            return {"integrated": value} if is_level else {"name": value}
        return value


class Output(PlanModel):
    """The file to write.

    `rate_hz` None: the rate of most tracks, or the next that the format has; `bit_rate_kbit_s` None: what is
    usual for a lossy format.
    """

    format: Annotated[FormatName, *f.words(*FORMAT_NAMES)] = "flac"
    bits: Annotated[Bits, *f.words(*BIT_WORDS)] = "24"
    rate_hz: f.SampleRateHz | None = Field(default=None, validation_alias="rate")
    bit_rate_kbit_s: f.BitRateKbitS | None = Field(default=None, validation_alias="bitrate")

    example: ClassVar[str] = "`{format: flac, bits: 24, rate: 44100}`"


class StartSpec(PlanModel):
    """Where the first track starts, and the length in bars of its fade in."""

    at: Position | None = None
    fade_bars: f.Bars = Field(default=0.0, validation_alias="fade")

    example: ClassVar[str] = "`{at: 1, fade: 0 bars}`"


class EndSpec(PlanModel):
    """Where the last track ends, and the length in bars of the fade out before that."""

    at: Position | None = None
    fade_bars: f.Bars = Field(default=0.0, validation_alias="fade")

    example: ClassVar[str] = "`{at: 129, fade: 8 bars}`"


class GridSpec(PlanModel):
    """Facts about a track's beats that override the analysis; None: as analysed.

    What is written is done in the order of the fields.
    """

    tempo_bpm: f.GridTempoBpm | None = Field(default=None, validation_alias="tempo")
    count: Annotated[Count, *f.words("plain", "half", "double")] | None = None
    shift: Shift | None = None
    bar_1_s: f.BarOneS | None = Field(default=None, validation_alias="bar_1")
    beats_per_bar: f.BeatsPerBar | None = None

    example: ClassVar[str] = "`{tempo: 126 BPM, bar_1: 0.231 s, beats_per_bar: 4}`"


class Track(PlanModel):
    """One track of the mix. `file` is as written, `path` where it is found; `cues` name bars of the track."""

    name: f.Name
    file: Annotated[Path, f.reader(Path, "the path of an audio file")]
    grid: GridSpec | None = None
    key: f.KeyName | None = None
    gain_db: f.GainDb = Field(default=0.0, validation_alias="gain")
    cues: Annotated[dict[str, float], BeforeValidator(f.cues_of)] = Field(default_factory=dict)
    key_lock: f.Flag = True
    shift_semitones: f.Semitones = Field(default=0.0, validation_alias="shift")
    formants: Annotated[Formants, *f.words("follow", "keep")] = "follow"
    title: f.Text | None = None
    artist: f.Text | None = None
    note: f.Text | None = None
    moves: Annotated[Moves, BeforeValidator(read_own_moves)] = Field(default_factory=dict)
    _folder: Path = PrivateAttr(default=Path())

    example: ClassVar[str] = "`{file: audio/ferry.flac, gain: -1.5 dB}`"

    @property
    def path(self) -> Path:
        """The file, relative paths taken from the plan's folder, and `~` from the user's own."""
        try:
            return self._folder / self.file.expanduser()
        except RuntimeError:  # `~name` of a user this machine does not know
            return self._folder / self.file


class TempoRamp(PlanModel):
    """A linear change of the mix tempo. None: `to_bpm` the incoming track's, `over_bars` the overlap's."""

    to_bpm: f.TempoBpm | None = Field(default=None, validation_alias="to")
    start: InPosition = InPosition()
    over_bars: f.Bars | None = Field(default=None, validation_alias="over")

    example: ClassVar[str] = "`{to: 126 BPM, start: 0, over: 16 bars}`"


def _one_ramp_or_more(value: Any, info: ValidationInfo) -> Any:
    if isinstance(value, (Mapping, TempoRamp)):
        return (value,)
    if isinstance(value, list):
        if not value:
            raise ValueError(f"this list is empty; write a ramp such as {TempoRamp.example}, or `hold`")
        return tuple(value)
    if isinstance(value, str) and from_yaml(info) and value.strip().lower() != "hold":
        raise ValueError(f"found `{value}`; write `hold`, or a ramp such as {TempoRamp.example}")
    return value.strip().lower() if isinstance(value, str) else value


TransitionTempo = Annotated[
    Annotated[tuple[TempoRamp, ...], Tag("ramps")] | Annotated[Literal["hold"], Tag("hold")],
    Discriminator(lambda value: "hold" if isinstance(value, str) else "ramps"),
    BeforeValidator(_one_ramp_or_more),
]


class Transition(PlanModel):
    """How one track gives way to the next. What is None is decided when the tracks are known."""

    from_track: f.Name = Field(validation_alias="from")
    to_track: f.Name = Field(validation_alias="to")
    leave: Position | None = None
    enter: Position | None = None
    overlap: Length | None = None
    gap: Length | None = None
    tempo: TransitionTempo | None = None
    recipe: f.Text = "blend"
    curve: Annotated[Curve, *f.words("equal-power", "linear", "slow", "sharp")] = "equal-power"
    count: Annotated[Count, *f.words("plain", "half", "double")] | None = None
    beatmatch: f.Flag | None = None
    nudge_s: f.NudgeS = Field(default=0.0, validation_alias="nudge")
    moves: Annotated[dict[str, Moves], BeforeValidator(read_transition_moves)] = Field(default_factory=dict)
    note: f.Text | None = None

    example: ClassVar[str] = "`{from: ferry, to: lantern, overlap: 16 bars}`"


class Plan(PlanModel):
    """A whole mix, as one plan file says it."""

    title: f.Text | None = None
    artist: f.Text | None = None
    date: f.Text | None = None
    note: f.Text | None = None
    cover: f.Text | None = None
    length_s: f.DurationS | None = Field(default=None, validation_alias="length")
    loudness: LoudnessTarget | None = None
    limiter: f.Flag = True
    output: Output = Output()
    start: StartSpec = StartSpec()
    end: EndSpec = EndSpec()
    tempo_bpm: f.TempoBpm | None = Field(default=None, validation_alias="tempo")
    bands_hz: f.Bands = Field(default=(250.0, 2500.0), validation_alias="bands")
    match_loudness: f.MatchLoudness = "tracks"
    tracks: tuple[Track, ...]
    transitions: Annotated[tuple[Transition, ...], f.as_list(Transition.example)] = ()
    _file: Path | None = PrivateAttr(default=None)
    _places: Mapping[PlanPath, tuple[int, int]] = PrivateAttr(default_factory=dict)
    _lines: Sequence[str] = PrivateAttr(default=())
    _warnings: tuple[Problem, ...] = PrivateAttr(default=())

    @property
    def file(self) -> Path | None:
        """The plan file, None if the plan was made in Python."""
        return self._file

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What was found doubtful when the plan was loaded."""
        return self._warnings

    def located(
        self, *, file: Path | None, places: Mapping[PlanPath, tuple[int, int]], lines: Sequence[str]
    ) -> Plan:
        """This plan as read from a file, whose folder relative paths start from."""
        tracks = tuple(track.model_copy() for track in self.tracks)
        plan = self.model_copy(update={"tracks": tracks})
        plan._file, plan._places, plan._lines = file, places, lines
        for track in tracks:
            track._folder = plan.folder
        return plan

    def warned(self, warnings: Sequence[Problem]) -> Plan:
        """This plan with the doubts that were found in it."""
        plan = self.model_copy()
        plan._warnings = tuple(warnings)
        return plan

    @property
    def folder(self) -> Path:
        """The plan file's folder."""
        return self._file.parent if self._file is not None else Path()

    def track(self, name: str) -> Track:
        """The track of that name; KeyError if there is none."""
        for track in self.tracks:
            if track.name == name:
                return track
        raise KeyError(name)

    def where(self, path: PlanPath) -> tuple[int, int] | None:
        """Line and column, from 1, of a place such as `('transitions', 1, 'overlap')`, counted from 0.

        A place that the text does not spell out is that of what holds it; None for plans made in Python.
        """
        for end in range(len(path), -1, -1):
            if path[:end] in self._places:
                return self._places[path[:end]]
        return None

    def line_text(self, line: int) -> str:
        """Text of a line of the plan file, counted from 1; empty if there is none."""
        return self._lines[line - 1] if 0 < line <= len(self._lines) else ""

    def problem(
        self, path: PlanPath, message: str, severity: Literal["error", "warning"] = "error"
    ) -> Problem:
        """A problem at a place of this plan."""
        line, column = self.where(path) or (None, None)
        return Problem(message, path_text(path), self._file, line, column, severity)


def path_text(path: PlanPath) -> str:
    """A place as people read it, counted from 1: `transitions[2].overlap`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


__all__ = [
    "EndSpec",
    "GridSpec",
    "InPosition",
    "Lane",
    "LanePoint",
    "Length",
    "LoudnessTarget",
    "MoveTime",
    "Moves",
    "Output",
    "Plan",
    "PlanPath",
    "Position",
    "Shift",
    "StartSpec",
    "TempoRamp",
    "Track",
    "Transition",
    "path_text",
]
