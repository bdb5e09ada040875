"""A timeline to a mix that can be read: decodes every track, stretches what needs it, builds the strips."""

from __future__ import annotations

import functools
import os
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path

from mixrender.audio import programs
from mixrender.audio.cache import Cache
from mixrender.audio.raw import RawAudio, decoded
from mixrender.formats import FORMATS
from mixrender.loudness.meter import integrated
from mixrender.mixdown.edited import EditedAudio, edited
from mixrender.mixdown.levels import Measure, constant_gains_db, goal_lufs, layer_gains_db
from mixrender.mixdown.mix import Mix
from mixrender.mixdown.noise_sweep import NoiseSweep
from mixrender.mixdown.result import VoiceMeasure
from mixrender.mixdown.sources import PlacedSource, Stretched, StretchJob, Varied
from mixrender.mixdown.strip import Strip
from mixrender.mixdown.voices import Desk, add_voices
from mixrender.mixdown.windows import Window, is_heard, needed_warps, with_voices
from mixrender.plan.model import Plan
from mixrender.progress import Progress
from mixrender.timing.pieces import Copy, Piece, Warp, track_pieces
from mixrender.timing.timeline import Timeline, TrackPlacement, VoicePlacement
from mixrender.units import seconds_to_frames

MAX_DEFAULT_RATE_HZ = 48_000
PROCESSES = 2
"""Stretches that run at once: the program uses one core."""


@dataclass(frozen=True)
class Gains:
    """The constant gain in dB of each track and of each layer of a mix."""

    tracks_db: tuple[float, ...]
    layers_db: tuple[float, ...] = ()

    @property
    def sounding_db(self) -> tuple[float, ...]:
        """Those of all that sounds, in the order of the timeline's `sounding`."""
        return self.tracks_db + self.layers_db


@dataclass(frozen=True, eq=False)
class PreparedMix:
    """A mix ready to be read, the gain in dB of each track and layer in it, and what became of its voices."""

    mix: Mix
    gains_db: tuple[float, ...]
    voices: tuple[VoiceMeasure, ...] = ()
    layer_gains_db: tuple[float, ...] = ()


def mix_rate_hz(plan: Plan, timeline: Timeline) -> int:
    """The plan's rate, or that of most tracks, or the next higher one that the plan's format has."""
    if plan.output.rate_hz is not None:
        return plan.output.rate_hz
    return FORMATS[plan.output.format].rate_near_hz(usual_rate_hz(timeline))


def usual_rate_hz(timeline: Timeline) -> int:
    """The rate of most tracks; of two equally common ones the higher, at most 48 kHz."""
    rates = [min(track.facts.sample_rate_hz, MAX_DEFAULT_RATE_HZ) for track in timeline.tracks]
    return max(rates, key=lambda rate: (rates.count(rate), rate))


def prepare(
    plan: Plan,
    timeline: Timeline,
    *,
    cache: Cache,
    progress: Progress,
    windows_s: Sequence[tuple[float, float]] | None = None,
) -> PreparedMix:
    """The mix of a timeline, of which only the windows (in seconds) need to be readable; None: all of it.

    Raises AudioError where a track cannot be decoded, ToolError where a program is missing or fails,
    MachineError where the disk is full.
    """
    rate_hz = mix_rate_hz(plan, timeline)
    windows = [(0, seconds_to_frames(timeline.duration_s, rate_hz))]
    if windows_s is not None:
        windows = [(seconds_to_frames(a, rate_hz), seconds_to_frames(b, rate_hz)) for a, b in windows_s]
    gains = mix_gains(plan, timeline, cache=cache, progress=progress)
    return prepare_each(plan, timeline, [windows], gains=gains, cache=cache, progress=progress)[0]


def mix_gains(plan: Plan, timeline: Timeline, *, cache: Cache, progress: Progress) -> Gains:
    """The constant gain of every track and layer; only where regions are matched are files read for it."""
    rate_hz = mix_rate_hz(plan, timeline)
    raws: list[RawAudio | EditedAudio] = []
    if plan.match_loudness == "regions":
        raws = [_decoded(track, rate_hz, cache, progress) for track in timeline.tracks]
    measure = _measure(timeline, raws, rate_hz)
    tracks_db = constant_gains_db(timeline, how=plan.match_loudness, measure=measure)
    return Gains(tuple(tracks_db), tuple(layer_gains_db(timeline, tracks_db, how=plan.match_loudness)))


def prepare_each(
    plan: Plan,
    timeline: Timeline,
    views: Sequence[Sequence[Window]],
    *,
    gains: Gains,
    cache: Cache,
    progress: Progress,
) -> list[PreparedMix]:
    """A mix for each view, of which the windows of that view are readable.

    What a view gives depends on its own windows alone, not on the other views. Raises what `prepare` raises.
    """
    rate_hz = mix_rate_hz(plan, timeline)
    heard = [with_voices(timeline, windows, rate_hz) for windows in views]
    raws = _decoded_tracks(timeline, [w for _, windows in heard for w in windows], rate_hz, cache, progress)
    pieces = [track_pieces(t, timeline.tempo_map, sample_rate_hz=rate_hz) for t in timeline.sounding]
    changed = [_change(timeline, raws, pieces, windows, rate_hz) for _, windows in heard]
    done = _run(
        [job for parts in changed for _, job in parts if isinstance(job, StretchJob)], cache, progress
    )
    return [
        _mix(plan, timeline, voices, raws, pieces, parts, done, gains, cache, progress)
        for (voices, _), parts in zip(heard, changed, strict=True)
    ]


def _mix(
    plan: Plan,
    timeline: Timeline,
    voices: Sequence[VoicePlacement],
    raws: Sequence[RawAudio | EditedAudio],
    pieces: Sequence[Sequence[Piece]],
    changed: Sequence[tuple[int, StretchJob | Varied]],
    done: Mapping[StretchJob, Stretched],
    gains: Gains,
    cache: Cache,
    progress: Progress,
) -> PreparedMix:
    rate_hz = mix_rate_hz(plan, timeline)
    sources = [
        PlacedSource(
            raw,
            [p for p in parts if isinstance(p, Copy)],
            [done[job] if isinstance(job, StretchJob) else job for i, job in changed if i == index],
        )
        for index, (raw, parts) in enumerate(zip(raws, pieces, strict=True))
    ]
    strips = [
        Strip(
            track,
            source.read,
            gain_db=gain_db,
            tempo_map=timeline.tempo_map,
            sample_rate_hz=rate_hz,
            bands_hz=plan.bands_hz,
        )
        for track, source, gain_db in zip(timeline.sounding, sources, gains.sounding_db, strict=True)
    ]
    noises = [
        NoiseSweep(placed, tempo_map=timeline.tempo_map, sample_rate_hz=rate_hz) for placed in timeline.noises
    ]
    frames = seconds_to_frames(timeline.duration_s, rate_hz)
    mix, measures = add_voices(
        Mix(strips, frames=frames, sample_rate_hz=rate_hz, noises=noises),
        voices,
        Desk(timeline.tempo_map, rate_hz, plan.bands_hz),
        goal_lufs=voices_goal_lufs(plan, timeline, gains),
        cache=cache,
        progress=progress,
    )
    return PreparedMix(mix, gains.tracks_db, measures, gains.layers_db)


def voices_goal_lufs(plan: Plan, timeline: Timeline, gains: Gains) -> float | None:
    """The loudness to which voices are brought; None: that of the music under them."""
    return None if plan.match_loudness == "off" else goal_lufs(timeline, gains.tracks_db)


def _decoded_tracks(
    timeline: Timeline, windows: Sequence[Window], rate_hz: int, cache: Cache, progress: Progress
) -> list[RawAudio | EditedAudio]:
    """The sound of every track that is heard in the windows, as it plays; nothing in place of the others."""
    silence = RawAudio(Path(os.devnull), 0, rate_hz)
    return [
        _decoded(track, rate_hz, cache, progress)
        if is_heard(track, windows, timeline.tempo_map, rate_hz)
        else silence
        for track in timeline.sounding
    ]


def _decoded(track: TrackPlacement, rate_hz: int, cache: Cache, progress: Progress) -> RawAudio | EditedAudio:
    raw = decoded(
        track.file,
        content_hash=track.facts.content_hash,
        sample_rate_hz=rate_hz,
        cache=cache,
        progress=progress,
    )
    return edited(raw, track.order.passages, track.patches)


def _measure(timeline: Timeline, raws: Sequence[RawAudio | EditedAudio], rate_hz: int) -> Measure:
    """What measures a track's own loudness between two seconds of the mix."""

    def measure(track: TrackPlacement, start_s: float, end_s: float) -> float | None:
        beats = [timeline.tempo_map.beat_at(t) for t in (start_s, end_s)]
        play_s = [track.play_s_at(beat, timeline.tempo_map) for beat in beats]
        start, stop = (seconds_to_frames(s, rate_hz) for s in play_s)
        return _integrated(_Named(raws[track.index].name, raws[track.index]), start, stop)

    return measure


@dataclass(frozen=True)
class _Named:
    """A sound that is known by its name."""

    name: str
    raw: RawAudio | EditedAudio = field(compare=False)


@functools.lru_cache(maxsize=1024)  # a plan that is worked on asks for the same regions again and again
def _integrated(sound: _Named, start: int, stop: int) -> float | None:
    return integrated(sound.raw.read(start, stop), sample_rate_hz=sound.raw.sample_rate_hz)


def _change(
    timeline: Timeline,
    raws: Sequence[RawAudio | EditedAudio],
    pieces: Sequence[Sequence[Piece]],
    windows: Sequence[Window],
    rate_hz: int,
) -> list[tuple[int, StretchJob | Varied]]:
    """Every warped piece that the windows need: to be stretched, or read at a changing speed."""
    return [
        (
            track.index,
            _job(track, raw, warp, rate_hz)
            if track.key_lock
            else Varied(warp.start, warp.stop, warp.knots, raw),
        )
        for track, raw, parts in zip(timeline.sounding, raws, pieces, strict=True)
        for warp in needed_warps(track, parts, windows, timeline.tempo_map, rate_hz)
    ]


def _job(track: TrackPlacement, raw: RawAudio | EditedAudio, warp: Warp, rate_hz: int) -> StretchJob:
    return StretchJob(
        warp,
        raw,
        track.facts.content_hash,
        rate_hz,
        track.shift_semitones,
        track.name,
        formants_stay=track.formants == "keep",
    )


def _run(jobs: Sequence[StretchJob], cache: Cache, progress: Progress) -> dict[StretchJob, Stretched]:
    """Run the jobs, two at a time; on a fault or an interruption the programs under way are ended."""
    if not jobs:
        return {}
    missing = {job.key: job.seconds for job in jobs if not job.kept(cache)}
    with (
        progress.task("Stretching", total=max(sum(missing.values()), 1e-3)) as advance,
        ThreadPoolExecutor(max_workers=PROCESSES) as pool,
    ):

        def run(job: StretchJob) -> Stretched:
            kept = job.kept(cache)
            result = job.run(cache, progress)
            if not kept:
                advance(job.seconds)
            return result

        futures = {job: pool.submit(run, job) for job in jobs}
        try:
            wait(futures.values(), return_when=FIRST_EXCEPTION)
            return {job: future.result() for job, future in futures.items()}
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            # A job that was about to start its program will start it yet: end whatever comes.
            while not all(future.done() for future in futures.values()):
                programs.kill_running()
                time.sleep(0.02)
            raise
