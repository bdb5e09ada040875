"""A timeline to a mix that can be read: decodes every track, stretches what needs it, builds the strips."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path

import numpy as np

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
from mixrender.mixdown.voices import Desk, add_voices, reach
from mixrender.plan.model import Plan
from mixrender.progress import Progress
from mixrender.timing.pieces import Copy, Piece, Warp, track_pieces
from mixrender.timing.tails import needed_from_s
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import Timeline, TrackPlacement, VoicePlacement
from mixrender.units import seconds_to_frames

MAX_DEFAULT_RATE_HZ = 48_000
PROCESSES = 2
"""Stretches that run at once: the program uses one core."""

CUT_BEFORE_S = 2.0
CUT_AFTER_S = 1.5
CUT_WORTH_S = 20.0
"""A clip stretches a held tempo from this long before it to this long after it, where that saves enough."""

Window = tuple[int, int]
"""Mix frames from a start up to a stop."""


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
    frames = seconds_to_frames(timeline.duration_s, rate_hz)
    windows = [(0, frames)]
    if windows_s is not None:
        windows = [(seconds_to_frames(a, rate_hz), seconds_to_frames(b, rate_hz)) for a, b in windows_s]
    voices, windows = _with_voices(timeline, windows, rate_hz)
    raws = _decoded_tracks(plan, timeline, windows, rate_hz, cache, progress)
    pieces = [track_pieces(t, timeline.tempo_map, sample_rate_hz=rate_hz) for t in timeline.sounding]
    changed = _change(timeline, raws, pieces, windows, rate_hz, cache, progress)
    sources = [
        PlacedSource(raw, [p for p in track_parts if isinstance(p, Copy)], parts)
        for raw, track_parts, parts in zip(raws, pieces, changed, strict=True)
    ]
    gains_db = constant_gains_db(timeline, how=plan.match_loudness, measure=_measure(timeline, raws, rate_hz))
    layer_db = layer_gains_db(timeline, gains_db, how=plan.match_loudness)
    strips = [
        Strip(
            track,
            source.read,
            gain_db=gain_db,
            tempo_map=timeline.tempo_map,
            sample_rate_hz=rate_hz,
            bands_hz=plan.bands_hz,
        )
        for track, source, gain_db in zip(timeline.sounding, sources, [*gains_db, *layer_db], strict=True)
    ]
    noises = [
        NoiseSweep(placed, tempo_map=timeline.tempo_map, sample_rate_hz=rate_hz) for placed in timeline.noises
    ]
    mix, measures = add_voices(
        Mix(strips, frames=frames, sample_rate_hz=rate_hz, noises=noises),
        voices,
        Desk(timeline.tempo_map, rate_hz, plan.bands_hz),
        goal_lufs=None if plan.match_loudness == "off" else goal_lufs(timeline, gains_db),
        cache=cache,
        progress=progress,
    )
    return PreparedMix(mix, tuple(gains_db), measures, tuple(layer_db))


def _with_voices(
    timeline: Timeline, windows: Sequence[Window], rate_hz: int
) -> tuple[list[VoicePlacement], list[Window]]:
    """The voices that the windows hear, and windows in which the music under each can be read throughout."""
    spans = [(voice, reach(voice, timeline.tempo_map, sample_rate_hz=rate_hz)) for voice in timeline.voices]
    heard = [(voice, span) for voice, span in spans if any(_meet(window, span) for window in windows)]
    inside = [any(a <= span[0] and span[1] <= b for a, b in windows) for _, span in heard]
    more = [span for (_, span), is_inside in zip(heard, inside, strict=True) if not is_inside]
    return [voice for voice, _ in heard], [*windows, *more]


def _decoded_tracks(
    plan: Plan,
    timeline: Timeline,
    windows: Sequence[Window],
    rate_hz: int,
    cache: Cache,
    progress: Progress,
) -> list[RawAudio | EditedAudio]:
    """The sound of every track that is heard in the windows, as it plays; nothing in place of the others."""
    silence = RawAudio(Path(os.devnull), 0, rate_hz)
    # Loudness matched by regions listens to every track, whatever is to be heard.
    return [
        edited(
            decoded(
                track.file,
                content_hash=track.facts.content_hash,
                sample_rate_hz=rate_hz,
                cache=cache,
                progress=progress,
            ),
            track.order.passages,
            track.patches,
        )
        if plan.match_loudness == "regions" or _is_heard(track, windows, timeline.tempo_map, rate_hz)
        else silence
        for track in timeline.sounding
    ]


def _measure(timeline: Timeline, raws: Sequence[RawAudio | EditedAudio], rate_hz: int) -> Measure:
    """What measures a track's own loudness between two seconds of the mix."""

    def measure(track: TrackPlacement, start_s: float, end_s: float) -> float | None:
        beats = [timeline.tempo_map.beat_at(t) for t in (start_s, end_s)]
        play_s = [track.play_s_at(beat, timeline.tempo_map) for beat in beats]
        start, stop = (seconds_to_frames(s, rate_hz) for s in play_s)
        return integrated(raws[track.index].read(start, stop), sample_rate_hz=rate_hz)

    return measure


def _change(
    timeline: Timeline,
    raws: Sequence[RawAudio | EditedAudio],
    pieces: Sequence[Sequence[Piece]],
    windows: Sequence[Window],
    rate_hz: int,
    cache: Cache,
    progress: Progress,
) -> list[list[Stretched | Varied]]:
    """Every warped piece that the windows need: stretched, or read at a changing speed."""
    changed: list[list[Stretched | Varied]] = [[] for _ in raws]
    jobs: list[tuple[int, StretchJob]] = []
    for track, raw, parts in zip(timeline.sounding, raws, pieces, strict=True):
        audible = _audible(track, rate_hz)
        heard = [w for w in _reaching_back(track, windows, timeline.tempo_map, rate_hz) if _meet(w, audible)]
        for warp in parts:
            needed = [w for w in heard if _meet(w, (warp.start, warp.stop))]
            if not isinstance(warp, Warp) or not needed:
                continue
            if not track.key_lock:
                changed[track.index].append(Varied(warp.start, warp.stop, warp.knots, raw))
                continue
            whole = _job(track, raw, warp, rate_hz)
            cuts = None if whole.kept(cache) else _cuts(warp, needed, rate_hz)
            jobs += [(track.index, _job(track, raw, cut, rate_hz)) for cut in cuts or [warp]]
    for index, part in _run(jobs, cache, progress):
        changed[index].append(part)
    return changed


def _audible(track: TrackPlacement, rate_hz: int) -> Window:
    return seconds_to_frames(track.start_s, rate_hz), seconds_to_frames(track.end_s, rate_hz)


def _is_heard(track: TrackPlacement, windows: Sequence[Window], tempo_map: TempoMap, rate_hz: int) -> bool:
    audible = _audible(track, rate_hz)
    return any(_meet(window, audible) for window in _reaching_back(track, windows, tempo_map, rate_hz))


def _reaching_back(
    track: TrackPlacement, windows: Sequence[Window], tempo_map: TempoMap, rate_hz: int
) -> list[Window]:
    """The windows with what came before them, as far as a track's effects still let it be heard."""
    return [
        (
            seconds_to_frames(
                needed_from_s(
                    track.lanes,
                    start / rate_hz,
                    stop / rate_hz,
                    tempo_map=tempo_map,
                    start_s=track.start_s,
                    end_s=track.end_s,
                ),
                rate_hz,
            ),
            stop,
        )
        for start, stop in windows
    ]


def _meet(window: Window, other: Window) -> bool:
    return window[0] < other[1] and other[0] < window[1]


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


def _cuts(warp: Warp, windows: Sequence[Window], rate_hz: int) -> list[Warp] | None:
    """The parts of a warped piece that the windows need, in order; None where one needs all of it.

    Parts stretched apart do not fit together to the sample, so windows whose parts would meet share one.
    """
    found: list[tuple[Window, Warp]] = []
    for window in sorted(windows):
        cut = _cut(warp, window, rate_hz)
        while cut is not None and found and cut.start < found[-1][1].stop:
            before, _ = found.pop()
            window = (before[0], max(before[1], window[1]))
            cut = _cut(warp, window, rate_hz)
        if cut is None:
            return None
        found.append((window, cut))
    return [cut for _, cut in found]


def _cut(warp: Warp, window: Window, rate_hz: int) -> Warp | None:
    """The part of a warped piece that a window needs, where it may be cut: inside a held tempo."""
    first = _cut_knot(warp, window[0] - round(CUT_BEFORE_S * rate_hz), -1)
    last = _cut_knot(warp, window[1] + round(CUT_AFTER_S * rate_hz), 1)
    low = 0 if first is None else first
    high = len(warp.knots) - 1 if last is None else last
    kept = float(warp.knots[high, 1] - warp.knots[low, 1])
    if high - low < 2 or warp.stop - warp.start - kept < CUT_WORTH_S * rate_hz:
        return None
    return Warp(
        warp.start if first is None else int(np.ceil(warp.knots[low, 1])),
        warp.stop if last is None else int(np.floor(warp.knots[high, 1])),
        warp.knots[low : high + 1],
        warp.head_joins and first is None,
        warp.tail_joins and last is None,
    )


def _cut_knot(warp: Warp, frame: int, direction: int) -> int | None:
    """The knot nearest to a frame, going outwards, around which the speed is constant; None: the very end."""
    speed = np.diff(warp.knots[:, 1]) / np.diff(warp.knots[:, 0])
    steady = np.abs(np.diff(speed)) <= 1e-6
    inside = np.arange(1, len(warp.knots) - 1)
    mix = warp.knots[1:-1, 1]
    beyond = mix <= frame if direction < 0 else mix >= frame
    fitting = inside[steady & beyond]
    if not fitting.size:
        return None
    return int(fitting[-1] if direction < 0 else fitting[0])


def _run(
    jobs: Sequence[tuple[int, StretchJob]], cache: Cache, progress: Progress
) -> list[tuple[int, Stretched]]:
    """Run the jobs, two at a time; on a fault or an interruption the programs under way are ended."""
    if not jobs:
        return []
    missing = sum(job.seconds for _, job in jobs if not job.kept(cache))
    with (
        progress.task("Stretching", total=max(missing, 1e-3)) as advance,
        ThreadPoolExecutor(max_workers=PROCESSES) as pool,
    ):

        def run(job: StretchJob) -> Stretched:
            kept = job.kept(cache)
            result = job.run(cache, progress)
            if not kept:
                advance(job.seconds)
            return result

        futures = [pool.submit(run, job) for _, job in jobs]
        try:
            wait(futures, return_when=FIRST_EXCEPTION)
            return [(index, future.result()) for (index, _), future in zip(jobs, futures, strict=True)]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            # A job that was about to start its program will start it yet: end whatever comes.
            while not all(future.done() for future in futures):
                programs.kill_running()
                time.sleep(0.02)
            raise
