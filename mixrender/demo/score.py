"""What a track consists of, as data, and from that data the times and notes of every hit.

A bar is written as 16 steps, one character each: `X`, `x` and `o` strike (hard, normal, soft), a digit plays
that many steps of the scale above the root of the chord, `-` holds on, `.` rests. Patterns of several bars
are simply longer, and repeat through their section.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from mixrender.demo.synth import Hit, Voice
from mixrender.facts import Grid
from mixrender.keys import parse_key
from mixrender.units import beats_to_seconds, db_to_gain, semitones_to_ratio

STEPS_PER_BAR = 16
BEATS_PER_BAR = 4
STRENGTHS: Mapping[str, float] = {"X": 1.0, "x": 0.75, "o": 0.42}

_SCALES = {"minor": (0, 2, 3, 5, 7, 8, 10), "major": (0, 2, 4, 5, 7, 9, 11)}


@dataclass(frozen=True)
class Layer:
    """One instrument and its strip on the desk.

    `lowest_midi` is the lowest note it plays. With `chords` a strike plays the whole chord,
    with `rooted` its root as well where the chord has four notes. `reverb` and
    `echo` are sends (factors), `duck` is how far the kick holds the layer down (0 to 1), `filter_hz` a
    lowpass over the whole layer that sections sweep.
    """

    voice: Voice
    level_db: float
    lowest_midi: int = 48
    chords: bool = False
    rooted: bool = False
    reverb: float = 0.0
    echo: float = 0.0
    duck: float = 0.0
    filter_hz: float | None = None
    filter_q: float = 0.8


@dataclass(frozen=True)
class Section:
    """A stretch of the track: its patterns by layer, lowpass sweeps in Hz and level ramps in dB across it."""

    name: str
    bars: int
    patterns: Mapping[str, str]
    sweeps_hz: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    ramps_db: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Score:
    """A whole track. `swing` delays every second step by that fraction of a step.

    `progression` holds the scale degree (0 to 6) of each chord, every chord `chord_bars` long. Bar 1 follows
    `lead_in_s` of silence and a `pickup` of whole beats (patterns as in a section, four characters a beat).
    """

    name: str
    title: str
    artist: str
    tempo_bpm: float
    key: str
    progression: tuple[int, ...]
    layers: Mapping[str, Layer]
    sections: tuple[Section, ...]
    chord_bars: float = 1.0
    chord_notes: int = 4
    sample_rate_hz: int = 44100
    lead_in_s: float = 0.0
    pickup_beats: int = 0
    pickup: Mapping[str, str] = field(default_factory=dict)
    swing: float = 0.0
    drive: float = 1.0
    reverb_s: float = 1.6
    echo_beats: float = 0.75
    tail_s: float = 2.5
    seed: int = 0

    @property
    def bars(self) -> int:
        """Number of bars from bar 1 to the end, without the pickup."""
        return sum(section.bars for section in self.sections)

    @property
    def bar_1_s(self) -> float:
        """Time of the first beat of bar 1."""
        return self.lead_in_s + beats_to_seconds(self.pickup_beats, self.tempo_bpm)

    @property
    def grid(self) -> Grid:
        """The true grid."""
        return Grid("steady", tempo_bpm=self.tempo_bpm, bar_1_s=self.bar_1_s, beats_per_bar=BEATS_PER_BAR)

    @property
    def duration_s(self) -> float:
        """Length of the file, with its tail."""
        return self.grid.time_at(self.bars * BEATS_PER_BAR) + self.tail_s

    def first_bar(self, section_name: str) -> int:
        """Bar on which the first section of that name begins, from 1."""
        bar = 1
        for section in self.sections:
            if section.name == section_name:
                return bar
            bar += section.bars
        raise KeyError(section_name)

    def step_time_s(self, step: int, *, swung: bool = True) -> float:
        """Time of a step counted from bar 1."""
        late = self.swing if swung and step % 2 else 0.0
        return self.grid.time_at((step + late) * BEATS_PER_BAR / STEPS_PER_BAR)

    def scale_midi(self, degree: int, *, lowest_midi: int) -> int:
        """The note of a scale degree (0 the tonic, 7 an octave up, ...) in the octave above `lowest_midi`."""
        key = parse_key(self.key)
        octave, step = divmod(degree, 7)
        pitch = key.tonic + _SCALES[key.mode][step]
        return lowest_midi + (pitch - lowest_midi) % 12 + 12 * octave

    def pitch_classes(self) -> frozenset[int]:
        """The pitch classes of the key, C being 0."""
        return frozenset(self.scale_midi(degree, lowest_midi=0) % 12 for degree in range(7))


@dataclass(frozen=True)
class TimedHit:
    """A hit, when it sounds, and the gain that its section gives it."""

    time_s: float
    hit: Hit
    gain: float


def once(symbol: str, *, bars: int) -> str:
    """A pattern that strikes on its first step alone."""
    return symbol + "." * (bars * STEPS_PER_BAR - 1)


def shortened(score: Score, *, section_bars: int) -> Score:
    """The same track with every section cut to at most `section_bars` bars: quick to make."""
    cut = tuple(replace(s, bars=min(s.bars, section_bars)) for s in score.sections)
    return replace(score, sections=cut)


def hits_of(score: Score, layer_name: str) -> Iterator[TimedHit]:
    """Every hit of a layer in order of time, the pickup first."""
    layer = score.layers[layer_name]
    pickup = score.pickup.get(layer_name, "")
    start = -len(pickup)
    yield from _section_hits(score, layer, pickup, start, len(pickup), (0.0, 0.0))
    start = 0
    for section in score.sections:
        steps = section.bars * STEPS_PER_BAR
        pattern = section.patterns.get(layer_name, "")
        ramp = section.ramps_db.get(layer_name, (0.0, 0.0))
        yield from _section_hits(score, layer, pattern, start, steps, ramp)
        start += steps


def kick_times_s(score: Score) -> list[float]:
    """Times of all strokes of the kick."""
    return [timed.time_s for timed in hits_of(score, "kick")]


def _section_hits(
    score: Score, layer: Layer, pattern: str, start: int, steps: int, ramp_db: tuple[float, float]
) -> Iterator[TimedHit]:
    if not pattern:
        return
    for step in range(steps):
        symbol = pattern[step % len(pattern)]
        if symbol in ".-":
            continue
        held = 1
        while step + held < steps and pattern[(step + held) % len(pattern)] == "-":
            held += 1
        time_s = score.step_time_s(start + step)
        # Rounded so that hits of one length share one rendered sound.
        length_s = round(score.step_time_s(held, swung=False) - score.bar_1_s, 6)
        strength = STRENGTHS.get(symbol, 0.9 if step % 4 == 0 else 0.75)
        level_db = ramp_db[0] + (ramp_db[1] - ramp_db[0]) * step / steps
        notes = tuple(_midi_to_hz(n) for n in _notes(score, layer, symbol, start + step))
        yield TimedHit(time_s, Hit(notes, length_s, strength), db_to_gain(level_db))


def _notes(score: Score, layer: Layer, symbol: str, step: int) -> list[int]:
    bar = step / STEPS_PER_BAR
    root = score.progression[int(bar // score.chord_bars) % len(score.progression)]
    lowest = layer.lowest_midi
    if symbol.isdigit():
        # The root goes to the lowest octave, the steps of the scale are counted up from there.
        base = score.scale_midi(root, lowest_midi=lowest)
        octave, above = divmod(int(symbol), 7)
        return [score.scale_midi((root + above) % 7, lowest_midi=base) + 12 * octave]
    if layer.chords:
        return _chord(score, layer, root)
    return [score.scale_midi(root, lowest_midi=lowest)]


def _chord(score: Score, layer: Layer, root: int) -> list[int]:
    """Thirds on a root, folded into one octave: neighbouring chords share their common notes in place.

    Of four notes the root goes below the octave, or is left to the bass: beside a seventh it would rub.
    """
    degrees = [root + 2 * k for k in range(score.chord_notes)]
    low = []
    if len(degrees) > 3:
        degrees = degrees[1:]
        low = [score.scale_midi(root, lowest_midi=layer.lowest_midi - 12)] if layer.rooted else []
    return low + sorted(score.scale_midi(d % 7, lowest_midi=layer.lowest_midi) for d in degrees)


def _midi_to_hz(note: int) -> float:
    return 440.0 * semitones_to_ratio(note - 69)
