"""A field's text goes in, its value comes out: the types of a plan's fields, with their JSON Schema."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ValidationInfo, WithJsonSchema

from mixrender.keys import parse_key
from mixrender.plan import quantities as q
from mixrender.plan.lanes import Fault, raise_faults
from mixrender.plan.places import CUE_PATTERN, NAME_PATTERN, from_yaml, kind_of

SCALARS = ["string", "number"]
"""YAML readers of editors turn `97` into a number; the language reads its text."""


def reader(parse: Callable[[str], Any], wanted: str) -> BeforeValidator:
    """Parse texts; from a plan file nothing else is legal, from Python values pass as they are."""

    def read(value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, str):
            return parse(value)
        if from_yaml(info) and value is not None:
            raise ValueError(f"found {kind_of(value)}; write {wanted}")
        return value

    return BeforeValidator(read)


def described(pattern: str, text: str, example: str, *, bare_numbers: bool = False) -> WithJsonSchema:
    """JSON Schema of a text in the plan."""
    kinds: Any = SCALARS if bare_numbers else "string"
    return WithJsonSchema({"type": kinds, "pattern": pattern, "description": text, "examples": [example]})


def _of(quantity: q.Quantity, text: str) -> tuple[BeforeValidator, WithJsonSchema]:
    schema = described(quantity.pattern, text, quantity.example, bare_numbers=quantity.unit_optional)
    return reader(quantity.parse, quantity.wanted), schema


def words(
    *words: str, meant: Mapping[str, str] = MappingProxyType({})
) -> tuple[BeforeValidator, WithJsonSchema]:
    """Reader and schema of a field that takes one of some words; `meant` has what others stand for."""
    allowed = [*words, *(int(word) for word in words if word.isdecimal())]
    return reader(lambda text: q.to_word(text, words, meant=meant), q.one_of(words)), WithJsonSchema(
        {"enum": allowed}
    )


def _plain_text(text: str) -> str:
    return text


def checked_name(text: str, *, pattern: str = NAME_PATTERN, what: str = "a name") -> str:
    """The name, if it is made of letters, digits, `-` and `_`."""
    if re.fullmatch(pattern, text) is None:
        start = ", starting with a letter" if pattern == CUE_PATTERN else ""
        raise ValueError(f"found {q.shorten(text)}; {what} is made of letters, digits, `-` and `_`{start}")
    return text


def _rate(text: str) -> int:
    value = q.SAMPLE_RATE.parse(text)
    if value != round(value):
        raise ValueError(f"found {q.shorten(text)}; a sample rate is a whole number of Hz")
    return round(value)


def _bit_rate(text: str) -> int:
    value = q.BIT_RATE.parse(text)
    if value != round(value):
        raise ValueError(f"found {q.shorten(text)}; a bit rate is a whole number of kbit/s")
    return round(value)


def _bands(value: Any, info: ValidationInfo) -> Any:
    wanted = "two band edges, the lower first, such as `[250 Hz, 2.5 kHz]`"
    if from_yaml(info) and not isinstance(value, list):
        raise ValueError(f"found {kind_of(value)}; write {wanted}")
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise ValueError(f"write {wanted}")
    for part in value:
        if from_yaml(info) and not isinstance(part, str):
            raise ValueError(f"found {kind_of(part)}; write {wanted}")
    low, high = (q.BAND_EDGE.parse(part) if isinstance(part, str) else float(part) for part in value)
    if low * 2.0 > high:
        raise ValueError(f"{low:g} Hz and {high:g} Hz lie less than an octave apart; write {wanted}")
    return low, high


def _match_loudness(value: Any, info: ValidationInfo) -> Any:
    if not from_yaml(info):
        return value
    words = {"true": "tracks", "regions": "regions", "false": "off"}
    text = value.strip().lower() if isinstance(value, str) else kind_of(value)
    if text not in words:
        trap = {"off": "false", "no": "false", "none": "false", "on": "true", "yes": "true", "tracks": "true"}
        hint = f"`{trap[text]}`" if text in trap else q.one_of(words)
        raise ValueError(f"found {q.shorten(text.strip('`'))}; write {hint}")
    return words[text]


def _match_key(value: Any, info: ValidationInfo) -> Any:
    if not from_yaml(info):
        return value
    words = {"true": "fit", "force": "force", "false": "off"}
    text = value.strip().lower() if isinstance(value, str) else kind_of(value)
    if text not in words:
        trap = {"off": "false", "no": "false", "none": "false", "on": "true", "yes": "true"}
        hint = f"`{trap[text]}`" if text in trap else q.one_of(words)
        raise ValueError(f"found {q.shorten(text.strip('`'))}; write {hint}")
    return words[text]


def _mapping_of(value: Any, info: ValidationInfo, *, example: str) -> Any:
    if from_yaml(info) and not isinstance(value, dict):
        raise ValueError(f"found {kind_of(value)}; write a map such as `{example}`")
    return value


def as_list(example: str) -> BeforeValidator:
    """Refuse anything but a list from a plan file; the example has its back quotes."""

    def read(value: Any, info: ValidationInfo) -> Any:
        if from_yaml(info) and not isinstance(value, list):
            raise ValueError(f"found {kind_of(value)}; write a list of maps such as {example}")
        return value

    return BeforeValidator(read)


def cues_of(value: Any, info: ValidationInfo) -> Any:
    """Names of bars: refused all at once where names or bars are wrong."""
    value = _mapping_of(value, info, example="{break: 49, drop: 65}")
    if not isinstance(value, dict):
        return value
    faults: list[Fault] = []
    cues: dict[str, float] = {}
    for name, bar in value.items():
        try:
            checked_name(str(name), pattern=CUE_PATTERN, what="a cue's name")
            if str(name).lower() == "end":
                raise ValueError("`end` already has a meaning; choose another name for this cue")
            cues[name] = bar if isinstance(bar, (int, float)) else _cue_bar(bar)
        except ValueError as error:
            faults.append(((str(name),), str(error)))
    raise_faults("cues", faults)
    return cues


def _cue_bar(value: Any) -> float:
    if not isinstance(value, str):
        raise ValueError(f"found {kind_of(value)}; write a bar of the track such as `65`")
    try:
        return q.to_number(value)
    except ValueError:
        raise ValueError(f"found {q.shorten(value)}; write a bar of the track such as `65`") from None


Text = Annotated[
    str, reader(_plain_text, "a text"), WithJsonSchema({"type": ["string", "number", "boolean"]})
]
Name = Annotated[
    str,
    reader(checked_name, "a name"),
    described(r"^[A-Za-z0-9_\-\u0080-\uffff]+$", "Name of a track.", "ferry", bare_numbers=True),
]
Flag = Annotated[bool, reader(q.to_flag, "`true` or `false`"), WithJsonSchema({"type": "boolean"})]
KeyName = Annotated[
    str,
    reader(lambda text: str(parse_key(text)), "a key such as `F minor`"),
    described(
        r"^\s*[A-Ga-g]\s*[#♯b♭]?\s+([mM][aA][jJ][oO][rR]|[mM][iI][nN][oO][rR])\s*$", "A key.", "F minor"
    ),
]
TempoBpm = Annotated[float, *_of(q.TEMPO, "A tempo in BPM.")]
GridTempoBpm = Annotated[float, *_of(q.GRID_TEMPO, "A track's tempo in BPM.")]
GainDb = Annotated[float, *_of(q.GAIN, "A gain in dB.")]
IntegratedLufs = Annotated[float, *_of(q.INTEGRATED, "Integrated loudness of the mix, in LUFS.")]
TruePeakDbtp = Annotated[float, *_of(q.TRUE_PEAK, "Highest true peak of the mix, in dBTP.")]
Semitones = Annotated[float, *_of(q.SEMITONES, "Semitones up, or down with a minus.")]
Bars = Annotated[float, *_of(q.BARS, "A length in bars.")]
LoudnessGapLu = Annotated[float, *_of(q.LOUDNESS_GAP, "By how much a voice is louder than the music.")]
DuckTimeS = Annotated[float, *_of(q.DUCK_TIME, "A time in which the music gives way, or comes back.")]
Times = Annotated[
    int,
    reader(
        lambda text: q.to_integer(text, what="how many times", minimum=2, maximum=1024), "a number from 2"
    ),
    WithJsonSchema({"type": "integer", "minimum": 2, "maximum": 1024}),
]
NudgeS = Annotated[float, *_of(q.NUDGE, "Time by which the incoming track plays later than its grid says.")]
SampleRateHz = Annotated[
    int,
    reader(_rate, q.SAMPLE_RATE.wanted),
    described(q.SAMPLE_RATE.pattern, "Sample rate of the mix in Hz.", "44100", bare_numbers=True),
]
BitRateKbitS = Annotated[
    int,
    reader(_bit_rate, q.BIT_RATE.wanted),
    described(q.BIT_RATE.pattern, "Bit rate in kbit/s.", "256 kbit/s", bare_numbers=True),
]
DurationS = Annotated[
    float,
    reader(lambda text: q.to_duration(text), "a time such as `58 min 30 s`"),
    described(q.DURATION_PATTERN, "A time, with its units.", "58 min 30 s"),
]
BarOneS = Annotated[
    float,
    reader(lambda text: q.to_duration(text, example="0.231 s"), "a time such as `0.231 s`"),
    described(q.DURATION_PATTERN, "Time of bar 1 in the file.", "0.231 s"),
]
BeatsPerBar = Annotated[
    int,
    reader(q.to_beats_per_bar, "the beats per bar, such as `4`"),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 32}),
]
Bands = Annotated[
    tuple[float, float],
    BeforeValidator(_bands),
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "string", "pattern": q.BAND_EDGE.pattern},
            "minItems": 2,
            "maxItems": 2,
            "description": "The two band edges of `low`, `mid` and `high`.",
        }
    ),
]
MatchLoudness = Annotated[
    Literal["tracks", "regions", "off"],
    BeforeValidator(_match_loudness),
    WithJsonSchema({"enum": [True, "regions", False]}),
]
MatchKey = Annotated[
    Literal["off", "fit", "force"],
    BeforeValidator(_match_key),
    WithJsonSchema({"enum": [True, "force", False]}),
]


def _recipe_values(value: Any, info: ValidationInfo) -> Any:
    """Texts by name, such as `{amount: 80 %}`."""
    value = _mapping_of(value, info, example="{amount: 80 %}")
    if not isinstance(value, dict):
        return value
    faults: list[Fault] = [
        ((str(name),), f"found {kind_of(text)}; write a text such as `80 %`")
        for name, text in value.items()
        if not isinstance(text, str)
    ]
    raise_faults("with", faults)
    return value


RecipeValues = Annotated[
    dict[str, str],
    BeforeValidator(_recipe_values),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": SCALARS}}),
]
