"""A mix and a window of it go in; a digest of all that the clip of that window depends on comes out.

Two clips of one digest have the same bytes and the same figures. What the mix does outside of the window is
not in it, nor are names and notes; times are, as they stand: moved by a whole number of frames, sums round in
another way. Each room tells by itself what its part of a window depends on (`Strip.depends`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, fields
from functools import cached_property

import numpy as np

from mixrender.audio import keyframes, programs, rubberband, stretch
from mixrender.dsp.formants import FORMANTS_VERSION
from mixrender.errors import ToolError
from mixrender.mixdown.chain import Setting
from mixrender.mixdown.edited import order_between
from mixrender.mixdown.measure import offset_beats_s
from mixrender.mixdown.metronome import Metronome
from mixrender.mixdown.prepare import Gains, voices_goal_lufs
from mixrender.mixdown.strip import Strip
from mixrender.mixdown.trace import Side, traced_strips
from mixrender.mixdown.windows import Window, is_heard, needed_warps, with_voices
from mixrender.plan.model import Plan
from mixrender.timing.pieces import Copy, Piece, Warp, track_pieces
from mixrender.timing.timeline import NoisePlacement, Timeline, TrackPlacement, TransitionPlacement
from mixrender.units import FloatArray

CLIP_VERSION = "1"
"""Raised whenever the same plan and files would give other clips, or other figures or traces of them."""

_NEAR_S = 5.0
"""More than a stretcher, a filter or a metronome's tone reaches beyond what it gives."""

_RINGS_S = 120.0
"""The tempo so long before a voice and after it may count for what it is sent to."""


def clip_digest(
    mix: MixFacts, transition: TransitionPlacement, window: Window, *, metronome: Metronome | None
) -> str:
    """32 hexadecimal digits: a digest of all that the clip of these frames depends on."""
    digest = hashlib.blake2b(digest_size=16)
    for fact in _facts(mix, transition, window, metronome):
        digest.update(fact if isinstance(fact, bytes) else repr(fact).encode())
        digest.update(b"\n")
    return digest.hexdigest()


@dataclass(frozen=True, eq=False)
class MixFacts:
    """What all clips of a mix have in common."""

    plan: Plan
    timeline: Timeline
    rate_hz: int
    gains: Gains
    setting: Setting
    versions: Mapping[str, str]

    @cached_property
    def pieces(self) -> dict[int, list[Piece]]:
        """Pieces of the tracks that have been asked for, by their places in `sounding`."""
        return {}

    def pieces_of(self, track: TrackPlacement) -> list[Piece]:
        """The pieces of a track."""
        if track.index not in self.pieces:
            self.pieces[track.index] = track_pieces(
                track, self.timeline.tempo_map, sample_rate_hz=self.rate_hz
            )
        return self.pieces[track.index]

    @cached_property
    def strips(self) -> tuple[Strip, ...]:
        """The strips of all that sounds, to be asked what they depend on and not to be read."""
        return tuple(
            Strip(
                track,
                _unread,
                gain_db=gain_db,
                tempo_map=self.timeline.tempo_map,
                sample_rate_hz=self.rate_hz,
                bands_hz=self.plan.bands_hz,
            )
            for track, gain_db in zip(self.timeline.sounding, self.gains.sounding_db, strict=True)
        )


def _facts(
    mix: MixFacts, transition: TransitionPlacement, window: Window, metronome: Metronome | None
) -> Iterator[object]:
    plan, timeline, rate_hz = mix.plan, mix.timeline, mix.rate_hz
    output = plan.output
    yield CLIP_VERSION, keyframes.MAP_VERSION, stretch.STRETCH_VERSION, rubberband.ADAPTER_VERSION
    yield FORMANTS_VERSION, sorted(mix.versions.items())
    yield window, rate_hz, output.format, output.bits, output.bit_rate_kbit_s
    yield astuple(mix.setting), plan.bands_hz
    voices, windows = with_voices(timeline, [window], rate_hz)
    # A voice is as loud as the music under it asks for, in the clip and outside of it.
    hull = min(first for first, _ in windows), max(last for _, last in windows)
    start_s, end_s = (frame / rate_hz for frame in window)
    sides = dict(traced_strips(timeline, transition, start_s=start_s, end_s=end_s))
    for strip in mix.strips:
        yield from _strip(mix, strip, sides.get(strip.track.index), windows, hull)
    for noise in timeline.noises:
        if noise.start_s * rate_hz <= hull[1] and hull[0] <= noise.end_s * rate_hz:
            yield from _noise(mix, noise)
    if voices:
        yield voices_goal_lufs(plan, timeline, mix.gains)
    for voice in voices:
        yield from ("voice", voice.facts.content_hash, *_decoders(voice.facts.decoder))
        named = ("index", "name", "file", "facts")
        yield [getattr(voice, field.name) for field in fields(voice) if field.name not in named]
        yield _tempo(mix, voice.start_s - _RINGS_S, voice.end_s + _RINGS_S)
    if metronome is not None:
        near = (start_s - _NEAR_S, end_s + _NEAR_S)
        beats = zip(metronome.times_s, metronome.accents, strict=True)
        yield "clicks", metronome.level_db, [beat for beat in beats if near[0] < beat[0] < near[1]]
    yield offset_beats_s(timeline, transition) if transition.beatmatched else None
    yield transition.start_beat, transition.end_beat, transition.enter_beat, transition.beats_per_bar
    yield _tempo(mix, start_s, end_s)


def _strip(
    mix: MixFacts,
    strip: Strip,
    side: Side | None,
    windows: list[Window],
    hull: Window,
) -> Iterator[object]:
    track = strip.track
    if side is None and not (strip.start < hull[1] and hull[0] < strip.sounds_until):
        return
    depends = strip.depends(*hull)
    pieces = mix.pieces_of(track)
    warps = needed_warps(track, pieces, windows, mix.timeline.tempo_map, mix.rate_hz)
    yield from ("strip", side, track.facts.content_hash, *_decoders(track.facts.decoder))
    yield is_heard(track, windows, mix.timeline.tempo_map, mix.rate_hz)
    yield track.key_lock, track.shift_semitones, track.formants
    yield depends.facts
    near = round(_NEAR_S * mix.rate_hz)
    first, last = depends.start - near, depends.stop + near
    copies = [
        (max(piece.start, first), min(piece.stop, last), piece.offset)
        for piece in pieces
        if isinstance(piece, Copy) and piece.start < last and first < piece.stop
    ]
    played = [frame + offset for start, stop, offset in copies for frame in (start, stop)]
    yield copies
    for warp in warps:
        knots = warp.knots if track.key_lock else _between(warp, first, last)
        yield (
            max(warp.start, first) if not track.key_lock else warp.start,
            min(warp.stop, last) if not track.key_lock else warp.stop,
            warp.head_joins,
            warp.tail_joins,
        )
        yield np.ascontiguousarray(knots, dtype="<f8").tobytes()
        played += [round(float(frame)) for frame in (knots[0, 0], knots[-1, 0])]
    if played:
        yield order_between(
            track.order.passages,
            track.patches,
            min(played) - near,
            max(played) + near,
            sample_rate_hz=mix.rate_hz,
        )


def _between(warp: Warp, first: int, last: int) -> FloatArray:
    """The knots of a map between two frames of the mix, and two more at either side."""
    low, high = np.searchsorted(warp.knots[:, 1], (first, last))
    return warp.knots[max(low - 2, 0) : high + 2]


def _noise(mix: MixFacts, noise: NoisePlacement) -> Iterator[object]:
    yield "noise", noise.transition, noise.start_s, noise.end_s, noise.filter, sorted(noise.lanes.items())
    yield _tempo(mix, noise.start_s, noise.end_s)


def _tempo(mix: MixFacts, start_s: float, end_s: float) -> tuple[object, ...]:
    """The tempo of the mix between two times, and as far around as anything there may ask for it."""
    tempo_map = mix.timeline.tempo_map
    return tempo_map.within(tempo_map.beat_at(start_s - _NEAR_S), tempo_map.beat_at(end_s + _NEAR_S))


def _decoders(decoder: str) -> tuple[str, ...]:
    """What decodes a file, with its version; libsndfile's own is among the versions of all clips."""
    if not decoder.startswith("ffmpeg"):
        return (decoder,)
    try:
        return decoder, programs.version("ffmpeg", programs.ffmpeg())
    except ToolError:
        return (decoder,)


def _unread(start: int, stop: int) -> FloatArray:
    raise AssertionError("what a strip depends on is told without its sound")
