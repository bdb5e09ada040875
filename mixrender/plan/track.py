"""The files that sound in a mix, as a plan says them: tracks, layers of a transition, voices."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BeforeValidator, Field, PrivateAttr, ValidationInfo, model_validator

from mixrender.plan import fields as f
from mixrender.plan.lanes import Fault, Lane, Moves, raise_faults, read_noise_lane, read_own_moves
from mixrender.plan.places import InPosition, Length, PlanModel, Position, Shift, from_yaml, kind_of

Count = Literal["plain", "half", "double"]
Formants = Literal["follow", "keep"]
NoiseFilter = Literal["lowpass", "bandpass", "highpass"]


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


class Edit(PlanModel):
    """A change of which bars sound: a length from `repeat` on sounds `times` times, `skip` leaves one out."""

    repeat: Position | None = None
    skip: Position | None = None
    length: Length
    times: f.Times | None = None

    example: ClassVar[str] = "`{repeat: 97, length: 4 bars, times: 2}` or `{skip: 33, length: 16 bars}`"

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.repeat is None) == (self.skip is None):
            raise ValueError(f"an edit has one of `repeat` and `skip`; write {self.example}")
        if self.skip is not None and self.times is not None:
            raise ValueError("`times` belongs to `repeat`; take it away")
        return self

    @property
    def at(self) -> Position:
        """Where in the track it begins."""
        position = self.repeat if self.repeat is not None else self.skip
        assert position is not None
        return position

    @property
    def word(self) -> Literal["repeat", "skip"]:
        """Which of the two it is."""
        return "repeat" if self.repeat is not None else "skip"


class Sound(PlanModel):
    """A file that sounds. `file` is as written, `path` where it is found."""

    name: f.Name
    file: Annotated[Path, f.reader(Path, "the path of an audio file")]
    gain_db: f.GainDb = Field(default=0.0, validation_alias="gain")
    note: f.Text | None = None
    moves: Annotated[Moves, BeforeValidator(read_own_moves)] = Field(default_factory=dict)
    _folder: Path = PrivateAttr(default=Path())

    @property
    def path(self) -> Path:
        """The file, relative paths taken from the plan's folder, and `~` from the user's own."""
        try:
            return self._folder / self.file.expanduser()
        except RuntimeError:  # `~name` of a user this machine does not know
            return self._folder / self.file

    def in_folder(self, folder: Path) -> Self:
        """The same, its relative path taken from a folder."""
        found = self.model_copy()
        found._folder = folder
        return found


class Track(Sound):
    """One track of the mix; `cues` name bars of the track, `edits` change which of them sound."""

    grid: GridSpec | None = None
    key: f.KeyName | None = None
    cues: Annotated[dict[str, float], BeforeValidator(f.cues_of)] = Field(default_factory=dict)
    key_lock: f.Flag = True
    shift_semitones: f.Semitones = Field(default=0.0, validation_alias="shift")
    formants: Annotated[Formants, *f.words("follow", "keep")] = "follow"
    edits: Annotated[tuple[Edit, ...], f.as_list(Edit.example)] = ()
    title: f.Text | None = None
    artist: f.Text | None = None

    example: ClassVar[str] = "`{file: audio/ferry.flac, gain: -1.5 dB}`"


class Layer(Track):
    """A third track under a transition, from `at` for `length`; `enter` is the place in it that sounds first.

    None: `enter` its enter bar, `length` to the end of the overlap, or of the file.
    """

    at: InPosition = InPosition()
    enter: Position | None = None
    length: Length | None = None
    count: Annotated[Count, *f.words("plain", "half", "double")] | None = None
    beatmatch: f.Flag | None = None

    example: ClassVar[str] = "`{file: audio/voice.flac, enter: 17, at: 8, length: 8 bars}`"


class Voice(Sound):
    """Speech laid over the mix from `at` on, a place in `track` or a time of the mix; music gives way to it.

    While it speaks it is `over_lu` louder than the music, unless `duck` is false. Moves have positions in
    seconds of its file.
    """

    at: Position
    track: f.Name | None = None
    duck: f.Flag = True
    over_lu: f.LoudnessGapLu = Field(default=10.0, validation_alias="over")
    attack_s: f.DuckTimeS = Field(default=0.3, validation_alias="attack")
    release_s: f.DuckTimeS = Field(default=0.8, validation_alias="release")

    example: ClassVar[str] = "`{file: audio/ident.wav, track: lantern, at: 1}`"


class NoiseSweep(PlanModel):
    """Filtered noise laid over a transition: lanes of its level (dB) and of its filter's cutoff (Hz)."""

    level: Annotated[Lane, BeforeValidator(read_noise_lane("level"))]
    cutoff: Annotated[Lane, BeforeValidator(read_noise_lane("cutoff"))]
    filter: Annotated[NoiseFilter, *f.words("lowpass", "bandpass", "highpass")] = "lowpass"

    example: ClassVar[str] = (
        "`{level: {0: silent, end: -12 dB, end + 0.25: silent}, cutoff: {0: 200 Hz, end: 8 kHz}}`"
    )


def _named_layers(value: Any, info: ValidationInfo) -> Any:
    """Layers by name: a file alone, or a map of fields, which get the name."""
    if not from_yaml(info):
        return value
    if not isinstance(value, Mapping):
        raise ValueError(
            f"found {kind_of(value)}; write names and layers, such as `voice: {Layer.example[1:-1]}`"
        )
    named = {}
    faults: list[Fault] = []
    for name, layer in value.items():
        fields = {"file": layer} if isinstance(layer, str) else layer
        if isinstance(fields, Mapping) and "name" in fields:
            text = "unknown field `name`; a layer's name is the word that it stands under in `layers`"
            faults.append(((str(name), "name"), text))
        named[name] = {**fields, "name": str(name)} if isinstance(fields, Mapping) else fields
    raise_faults("layers", faults)
    return named


Layers = Annotated[dict[f.Name, Layer], BeforeValidator(_named_layers)]


def _named_voices(value: Any, info: ValidationInfo) -> Any:
    """Voices in a list: each is called by its place in it."""
    if not from_yaml(info):
        return value
    if not isinstance(value, list):
        raise ValueError(f"found {kind_of(value)}; write a list of maps such as {Voice.example}")
    text = "unknown field `name`; voices are called by their place in the list"
    named = [i for i, voice in enumerate(value) if isinstance(voice, Mapping) and "name" in voice]
    raise_faults("voices", [((i, "name"), text) for i in named])
    return [
        {**voice, "name": f"voice-{number}"} if isinstance(voice, Mapping) else voice
        for number, voice in enumerate(value, start=1)
    ]


Voices = Annotated[tuple[Voice, ...], BeforeValidator(_named_voices)]
