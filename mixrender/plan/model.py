"""A plan's data go in; frozen objects come out, texts read, defaults filled in, places in the file known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import BeforeValidator, Discriminator, Field, PrivateAttr, Tag, ValidationInfo, model_validator

from mixrender.errors import Problem
from mixrender.formats import BIT_WORDS, FORMAT_NAMES, MEANT_FORMATS, Bits, FormatName, unfit
from mixrender.plan import fields as f
from mixrender.plan.lanes import Lane, LanePoint, Moves, read_transition_moves
from mixrender.plan.places import InPosition, Length, MoveTime, PlanModel, Position, Shift, from_yaml
from mixrender.plan.recipe_text import Recipe, Recipes
from mixrender.plan.target_text import target_words
from mixrender.plan.track import Count, Edit, GridSpec, Layer, Layers, NoiseSweep, Sound, Track, Voice, Voices

Curve = Literal["equal-power", "linear", "smooth", "slow", "sharp", "cut"]
CURVES: tuple[Curve, ...] = get_args(Curve)
PlanPath = tuple[str | int, ...]


class LoudnessTarget(PlanModel):
    """How loud the finished mix shall be: a published target by name, numbers, or both."""

    name: f.Text | None = None
    integrated_lufs: f.IntegratedLufs | None = Field(default=None, validation_alias="integrated")
    true_peak_dbtp: f.TruePeakDbtp = Field(default=-1.0, validation_alias="true_peak")

    example: ClassVar[str] = "`{integrated: -14 LUFS, true_peak: -1 dBTP}`, or the name of a target"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: Any) -> Any:
        if isinstance(value, str):
            return target_words(value)
        return value


class Output(PlanModel):
    """The file to write.

    `rate_hz` None: the rate of most tracks, or the next that the format has; `bit_rate_kbit_s` None: what is
    usual for a lossy format.
    """

    format: Annotated[FormatName, *f.words(*FORMAT_NAMES, meant=MEANT_FORMATS)] = "flac"
    bits: Annotated[Bits, *f.words(*BIT_WORDS)] = "24"
    rate_hz: f.SampleRateHz | None = Field(default=None, validation_alias="rate")
    bit_rate_kbit_s: f.BitRateKbitS | None = Field(default=None, validation_alias="bitrate")

    example: ClassVar[str] = "`{format: flac, bits: 24, rate: 44100}`"

    def unfit(self) -> Iterator[tuple[Literal["bits", "rate", "bitrate"], str]]:
        """What the format cannot hold of what is written, as `formats.unfit` says it."""
        bits = self.bits if "bits" in self.model_fields_set else None
        return unfit(self.format, bits=bits, rate_hz=self.rate_hz, kbit_s=self.bit_rate_kbit_s)


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
    recipe_values: f.RecipeValues = Field(default_factory=dict, validation_alias="with")
    curve: Annotated[Curve, *f.words(*CURVES)] = "equal-power"
    count: Annotated[Count, *f.words("plain", "half", "double")] | None = None
    beatmatch: f.Flag | None = None
    nudge_s: f.NudgeS = Field(default=0.0, validation_alias="nudge")
    match_key: f.MatchKey = "off"
    layers: Layers = Field(default_factory=dict)
    noise_sweep: NoiseSweep | None = None
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
    click: f.Flag = False
    recipes: Recipes = Field(default_factory=dict)
    voices: Voices = ()
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
        plan = self.model_copy()
        plan._file, plan._places, plan._lines = file, places, lines
        folder = plan.folder
        transitions = tuple(
            transition.model_copy(
                update={
                    "layers": {name: layer.in_folder(folder) for name, layer in transition.layers.items()}
                }
            )
            for transition in self.transitions
        )
        found = {
            "tracks": tuple(track.in_folder(folder) for track in self.tracks),
            "voices": tuple(voice.in_folder(folder) for voice in self.voices),
            "transitions": transitions,
        }
        return plan.model_copy(update=found)

    def warned(self, warnings: Sequence[Problem]) -> Plan:
        """This plan with the doubts that were found in it."""
        plan = self.model_copy()
        plan._warnings = tuple(warnings)
        return plan

    @property
    def folder(self) -> Path:
        """The plan file's folder."""
        return self._file.parent if self._file is not None else Path()

    @property
    def layers(self) -> tuple[Layer, ...]:
        """The layers of all transitions, in their order."""
        return tuple(layer for transition in self.transitions for layer in transition.layers.values())

    @property
    def sounds(self) -> tuple[Sound, ...]:
        """Every file that sounds: tracks, layers, voices."""
        return (*self.tracks, *self.layers, *self.voices)

    def path_of(self, sound: Sound) -> PlanPath:
        """The place of a track, a layer or a voice of this plan."""
        for number, transition in enumerate(self.transitions):
            if sound.name in transition.layers and isinstance(sound, Layer):
                return ("transitions", number, "layers", sound.name)
        for number, voice in enumerate(self.voices):
            if voice.name == sound.name and isinstance(sound, Voice):
                return ("voices", number)
        return ("tracks", sound.name)

    def path_of_name(self, name: str) -> PlanPath:
        """The place of the track or layer of that name."""
        return next((self.path_of(sound) for sound in self.sounds if sound.name == name), ("tracks", name))

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
    "CURVES",
    "Count",
    "Curve",
    "Edit",
    "EndSpec",
    "GridSpec",
    "InPosition",
    "Lane",
    "LanePoint",
    "Layer",
    "Length",
    "LoudnessTarget",
    "MoveTime",
    "Moves",
    "NoiseSweep",
    "Output",
    "Plan",
    "PlanPath",
    "Position",
    "Recipe",
    "Shift",
    "Sound",
    "StartSpec",
    "TempoRamp",
    "Track",
    "Transition",
    "Voice",
    "path_text",
]
