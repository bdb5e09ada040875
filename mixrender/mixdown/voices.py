"""A mix of music and the voices to lie over it go in; the mix with both and the figures of each come out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from mixrender.audio.cache import Cache
from mixrender.audio.raw import RawAudio, decoded
from mixrender.dsp.ducking import LEAST_RAMP_S, Dip, passages, step_frames
from mixrender.facts import Grid
from mixrender.loudness.meter import ABSOLUTE_GATE_LUFS, integrated_together, level_lufs
from mixrender.loudness.power import STEPS_PER_S, PowerSeries, PowerSteps
from mixrender.mixdown.mix import BLOCK_FRAMES, Mix
from mixrender.mixdown.result import DuckedPassage, VoiceMeasure
from mixrender.mixdown.strip import Read, Strip
from mixrender.progress import Progress
from mixrender.timing.placement import EDGE_S
from mixrender.timing.spans import FreeSpan
from mixrender.timing.tails import rings_until_s
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement, VoicePlacement
from mixrender.units import FloatArray, seconds_to_frames

Span = tuple[int, int]
"""Mix frames from a start up to a stop."""


@dataclass(frozen=True)
class Desk:
    """What all strips of a mix have in common."""

    tempo_map: TempoMap
    sample_rate_hz: int
    bands_hz: tuple[float, float]

    def strip(self, voice: VoicePlacement, raw: RawAudio, *, gain_db: float) -> Strip:
        """The channel of a voice: that of a track without beats, up and down in 10 ms at the file's ends."""
        start = seconds_to_frames(voice.start_s, self.sample_rate_hz)

        def source(first: int, last: int) -> FloatArray:
            return raw.read(first - start, last - start).astype(np.float64)

        return Strip(
            _as_track(voice, self.tempo_map),
            source,
            gain_db=gain_db,
            tempo_map=self.tempo_map,
            sample_rate_hz=self.sample_rate_hz,
            bands_hz=self.bands_hz,
        )


def reach(voice: VoicePlacement, tempo_map: TempoMap, *, sample_rate_hz: int) -> Span:
    """The frames of the mix that a voice changes, its ducking and what rings on after it included."""
    rings_s = rings_until_s(voice.lanes, tempo_map=tempo_map, start_s=voice.start_s, end_s=voice.end_s)
    start_s = voice.start_s - max(voice.attack_s, LEAST_RAMP_S)
    end_s = max(voice.end_s + max(voice.release_s, LEAST_RAMP_S), rings_s)
    return max(seconds_to_frames(start_s, sample_rate_hz), 0), seconds_to_frames(end_s, sample_rate_hz)


def add_voices(
    music: Mix,
    voices: Sequence[VoicePlacement],
    desk: Desk,
    *,
    goal_lufs: float | None,
    cache: Cache,
    progress: Progress,
) -> tuple[Mix, tuple[VoiceMeasure, ...]]:
    """The mix with voices over its music, as loud as they shall be, and the figures of each.

    Each voice gets one gain, which brings its integrated loudness to `goal_lufs`, or, where that is None, to
    the loudness of the music while it speaks; and its own on top. In each passage the music is brought to
    `over_lu` under the voice's loudness in it; it is never lifted. For commentary over music, 10 LU or more
    are advised (Torcoli et al., JAES 67(12), 2019).
    """
    if not voices:
        return music, ()
    strips, dips = list[Strip](), list[Dip]()
    spoken = list[tuple[float, list[Span]]]()
    with progress.task("Levelling voices", total=len(voices)) as advance:
        for voice in voices:
            raw = decoded(
                voice.file,
                content_hash=voice.facts.content_hash,
                sample_rate_hz=desk.sample_rate_hz,
                cache=cache,
                progress=progress,
            )
            plain = desk.strip(voice, raw, gain_db=0.0)
            spans = _passages(plain, voice, desk.sample_rate_hz)
            own = _powers(plain.dry, spans, desk.sample_rate_hz)
            under = _powers(music.music, spans, desk.sample_rate_hz)
            gain_db = voice.gain_db + _matching_db(own, under, goal_lufs)
            if voice.duck:
                dips += _dips(voice, spans, own, under, voice_gain_db=gain_db, rate_hz=desk.sample_rate_hz)
            strips.append(desk.strip(voice, raw, gain_db=gain_db))
            spoken.append((gain_db, spans))
            advance(1)
    mix = music.with_voices(strips, dips)
    measures = tuple(
        _measure(mix, voice, strip, gain_db, spans)
        for voice, strip, (gain_db, spans) in zip(voices, strips, spoken, strict=True)
    )
    return mix, measures


def _as_track(voice: VoicePlacement, tempo_map: TempoMap) -> TrackPlacement:
    start_beat, end_beat = tempo_map.beat_at(voice.start_s), tempo_map.beat_at(voice.end_s)
    return TrackPlacement(
        index=voice.index,
        name=voice.name,
        file=voice.file,
        facts=voice.facts,
        grid=Grid("none"),
        rate=1.0,
        spans=(FreeSpan(start_beat, end_beat, 0.0),),
        start_beat=tempo_map.beat_at(voice.start_s + EDGE_S),
        end_beat=end_beat,
        start_s=voice.start_s,
        end_s=voice.end_s,
        lanes=voice.lanes,
        gain_db=voice.gain_db,
    )


# --- measuring: what rings on of a voice is no speech, so that it is measured without ---


def _passages(strip: Strip, voice: VoicePlacement, rate_hz: int) -> list[Span]:
    """Where a voice speaks, in frames of the mix."""
    step = step_frames(rate_hz)
    powers = [
        np.square(block[: len(block) // step * step]).reshape(-1, 2 * step).mean(axis=1)
        for block in _blocks(strip.dry, (strip.start, strip.stop), BLOCK_FRAMES // step * step)
    ]
    found = passages(np.concatenate([np.zeros(0), *powers]), sample_rate_hz=rate_hz, hold_s=voice.release_s)
    return [(strip.start + first, strip.start + last) for first, last in found]


def _matching_db(own: Sequence[PowerSeries], under: Sequence[PowerSeries], goal_lufs: float | None) -> float:
    """Gain in dB that makes a voice as loud as its goal; 0 where one of them cannot be measured."""
    # Where it speaks is all that counts: the gates leave out the pauses that a passage holds.
    own_lufs = _loudness(own)
    wanted_lufs = _loudness(under) if goal_lufs is None else goal_lufs
    return 0.0 if own_lufs is None or wanted_lufs is None else wanted_lufs - own_lufs


def _dips(
    voice: VoicePlacement,
    spans: Sequence[Span],
    own: Sequence[PowerSeries],
    under: Sequence[PowerSeries],
    *,
    voice_gain_db: float,
    rate_hz: int,
) -> Iterator[Dip]:
    """A dip for each passage in which the music is louder than it shall be."""
    attack, release = (
        seconds_to_frames(max(ramp_s, LEAST_RAMP_S), rate_hz) for ramp_s in (voice.attack_s, voice.release_s)
    )
    for span, voice_power, music_power in zip(spans, own, under, strict=True):
        voice_lufs, music_lufs = _loudness([voice_power]), _loudness([music_power])
        if voice_lufs is None or music_lufs is None:
            continue
        depth_db = music_lufs - (voice_lufs + voice_gain_db - voice.over_lu)
        if depth_db > 0.0:
            yield Dip(*span, attack, release, depth_db)


def _measure(
    mix: Mix, voice: VoicePlacement, strip: Strip, gain_db: float, spans: Sequence[Span]
) -> VoiceMeasure:
    rate_hz = mix.sample_rate_hz
    depths_db = [
        max((dip.depth_db for dip in mix.dips if dip.start < stop and start < dip.stop), default=0.0)
        for start, stop in spans
    ]
    return VoiceMeasure(
        index=voice.index,
        gain_db=gain_db,
        passages=tuple(
            DuckedPassage(start / rate_hz, stop / rate_hz, depth_db)
            for (start, stop), depth_db in zip(spans, depths_db, strict=True)
        ),
        voice_lufs=_loudness(_powers(strip.dry, spans, rate_hz)),
        music_lufs=_loudness(_powers(mix.ducked, spans, rate_hz)),
    )


def _powers(read: Read, spans: Sequence[Span], rate_hz: int) -> list[PowerSeries]:
    """The power of a sound in each of these spans, which lie in order, apart."""
    powers = [PowerSteps(sample_rate_hz=rate_hz, channels=2) for _ in spans]
    if not spans:
        return []
    # The pauses are read too: an effect that is read on without a break need not begin anew.
    begin = spans[0][0]
    for block in _blocks(read, (begin, spans[-1][1]), BLOCK_FRAMES):
        for (start, stop), power in zip(spans, powers, strict=True):
            power.push(block[max(start - begin, 0) : max(stop - begin, 0)])
        begin += len(block)
    return [power.series() for power in powers]


def _loudness(parts: Sequence[PowerSeries]) -> float | None:
    """Integrated loudness in LUFS of parts of a sound, as one programme; None: silent.

    Parts of which none holds a gating block of 0.4 s are measured by their mean power, not gated.
    """
    gated = integrated_together(parts)
    if gated is not None or not parts:
        return gated
    energies = np.concatenate([part.energies for part in parts])
    mean = float(energies.sum()) / max(len(energies) * parts[0].sample_rate_hz / STEPS_PER_S, 1.0)
    mean_lufs = float(level_lufs(np.array([mean]))[0]) if mean > 0.0 else -np.inf
    return mean_lufs if mean_lufs > ABSOLUTE_GATE_LUFS else None


def _blocks(read: Read, span: Span, frames: int) -> Iterator[FloatArray]:
    for begin in range(*span, frames):
        yield read(begin, min(begin + frames, span[1]))
