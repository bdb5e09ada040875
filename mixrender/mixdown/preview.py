"""A plan and its timeline to one clip per transition: windows of the same mix, rendered alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from mixrender.audio.cache import Cache
from mixrender.audio.write import require_writable, write_audio
from mixrender.errors import InputError
from mixrender.facts import Loudness
from mixrender.formats import FORMATS
from mixrender.loudness.meter import Meter
from mixrender.mixdown.chain import MasterChain, Setting
from mixrender.mixdown.deliver import DITHER_SEED
from mixrender.mixdown.levels import goal_lufs
from mixrender.mixdown.measure import loudness_step, transition_offset
from mixrender.mixdown.metronome import Metronome, metronome_of
from mixrender.mixdown.prepare import PreparedMix, mix_rate_hz, prepare
from mixrender.mixdown.render import inputs, rate_warnings, require_folder, versions
from mixrender.mixdown.result import Clip, MasterFigures, MixResult, TransitionMeasure
from mixrender.mixdown.target import target_of
from mixrender.plan.model import Plan
from mixrender.progress import Advance, Progress
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import FloatArray, seconds_to_frames

SUM_ROOM_DB = 3.0
"""How much higher than the louder of two tracks their sum may peak: two unrelated sounds of one level."""

MIN_CLIP_BARS = 0.5


def render_clips(
    plan: Plan,
    timeline: Timeline,
    *,
    folder: Path,
    cache: Cache,
    progress: Progress,
    only: Sequence[int] | None = None,
    lead_bars: float = 8.0,
    tail_bars: float = 8.0,
) -> MixResult:
    """Render each transition (or those whose numbers, from 1, are in `only`) as a clip into `folder`.

    A clip runs from `lead_bars` before the overlap to `tail_bars` after it, in bars of the outgoing track.
    Where the plan says `click: true` a metronome lies over it, and counts in its figures.
    Raises InputError where `only` names a transition that is not there, and what `render_mix` raises.
    """
    chosen = _chosen(timeline, only)
    rate_hz = mix_rate_hz(plan, timeline)
    output = plan.output
    require_writable(
        sample_rate_hz=rate_hz, format=output.format, bits=output.bits, kbit_s=output.bit_rate_kbit_s
    )
    require_folder(folder)
    windows_s = [_window_s(timeline, t, lead_bars=lead_bars, tail_bars=tail_bars) for t in chosen]
    prepared = prepare(plan, timeline, cache=cache, progress=progress, windows_s=windows_s)
    setting = predicted_setting(plan, timeline, prepared.gains_db)
    metronome = None
    if plan.click:
        metronome = metronome_of(timeline, loud_lufs=goal_lufs(timeline, prepared.gains_db))
    measures: list[TransitionMeasure | None] = [None] * len(timeline.transitions)
    files = []
    frames = sum(seconds_to_frames(b - a, rate_hz) for a, b in windows_s)
    with progress.task("Rendering clips", total=frames) as advance:
        for transition, window_s in zip(chosen, windows_s, strict=True):
            path = folder / clip_name(timeline, transition, FORMATS[output.format].suffix)
            measure = _clip(plan, timeline, transition, prepared, setting, metronome, window_s, path, advance)
            measures[transition.index - 1] = measure
            files.append(path)
    return MixResult(
        timeline=timeline,
        sample_rate_hz=rate_hz,
        gains_db=prepared.gains_db,
        transitions=tuple(measures),
        loudness=None,
        master=MasterFigures(setting.gain_db, _most_reduction_db(measures), 0.0, True),
        target=None,
        inputs=inputs(timeline),
        versions=versions(plan),
        files=tuple(files),
        warnings=rate_warnings(plan, timeline),
        voices=prepared.voices,
        layer_gains_db=prepared.layer_gains_db,
    )


def clip_name(timeline: Timeline, transition: TransitionPlacement, suffix: str) -> str:
    """File name of a clip: `01-ferry-lantern.flac`; `suffix` has its dot."""
    out, into = timeline.tracks[transition.outgoing], timeline.tracks[transition.incoming]
    return f"{transition.index:02d}-{out.name}-{into.name}{suffix}"


def predicted_setting(plan: Plan, timeline: Timeline, gains_db: Sequence[float]) -> Setting:
    """The one constant gain of all clips, from the tracks' measured loudness and their gains in the mix.

    What the limiter takes is not in it, nor is a faster pace: only a pass over the whole mix would tell them.
    Dense music at -9 LUFS needs 1 to 3.5 dB more (measured), and its clips are 1 to 2 LU too quiet.
    """
    target_lufs, ceiling_dbtp = target_of(plan)
    figures = [(track.facts.loudness, gain) for track, gain in zip(timeline.tracks, gains_db, strict=True)]
    if target_lufs is not None:
        # Energies add up: a track counts by how long it is heard.
        weights = [
            (track.end_s - track.start_s, loudness.integrated_lufs + gain)
            for track, (loudness, gain) in zip(timeline.tracks, figures, strict=True)
            if loudness.integrated_lufs is not None
        ]
        total_s = sum(seconds for seconds, _ in weights)
        if total_s > 0:
            power = sum(seconds * 10.0 ** (lufs / 10.0) for seconds, lufs in weights) / total_s
            gain_db = target_lufs - 10.0 * math.log10(power)
            return Setting(gain_db, ceiling_dbtp if plan.limiter else None)
    peaks = [x.true_peak_dbtp + gain for x, gain in figures if x.true_peak_dbtp is not None]
    room_db = SUM_ROOM_DB if timeline.transitions else 0.0
    gain_db = min(0.0, ceiling_dbtp - max(peaks, default=ceiling_dbtp) - room_db)
    return Setting(gain_db, ceiling_dbtp if plan.limiter else None)


def _most_reduction_db(measures: Sequence[TransitionMeasure | None]) -> float:
    return max(
        (m.clip.max_reduction_db for m in measures if m is not None and m.clip is not None), default=0.0
    )


def _chosen(timeline: Timeline, only: Sequence[int] | None) -> list[TransitionPlacement]:
    if not timeline.transitions:
        raise InputError("the plan has one track, so there is no transition to preview")
    if not only:
        return list(timeline.transitions)
    last = len(timeline.transitions)
    wrong = [number for number in only if not 1 <= number <= last]
    if wrong:
        raise InputError(f"there is no transition {wrong[0]}: the plan has {last}, counted from 1")
    return [timeline.transitions[number - 1] for number in sorted(set(only))]


def _window_s(
    timeline: Timeline, transition: TransitionPlacement, *, lead_bars: float, tail_bars: float
) -> tuple[float, float]:
    """Seconds of the mix that a clip holds."""
    bar = transition.beats_per_bar
    end = max(transition.end_beat, transition.enter_beat)
    if end - transition.start_beat + (lead_bars + tail_bars) * bar < MIN_CLIP_BARS * bar:
        lead_bars = tail_bars = MIN_CLIP_BARS
    start_s = timeline.tempo_map.time_at(transition.start_beat - lead_bars * bar)
    end_s = timeline.tempo_map.time_at(end + tail_bars * bar)
    return max(start_s, 0.0), min(end_s, timeline.duration_s)


def _clip(
    plan: Plan,
    timeline: Timeline,
    transition: TransitionPlacement,
    prepared: PreparedMix,
    setting: Setting,
    metronome: Metronome | None,
    window_s: tuple[float, float],
    path: Path,
    advance: Advance,
) -> TransitionMeasure:
    mix = prepared.mix
    rate_hz = mix.sample_rate_hz
    start, stop = (seconds_to_frames(s, rate_hz) for s in window_s)
    meter = Meter(sample_rate_hz=rate_hz)
    chain = MasterChain(setting, sample_rate_hz=rate_hz)
    blocks = mix.blocks(start, stop) if metronome is None else metronome.over(mix, start, stop)
    write_audio(
        path,
        _measured(chain.run(blocks), meter, advance),
        sample_rate_hz=rate_hz,
        format=plan.output.format,
        bits=plan.output.bits,
        kbit_s=plan.output.bit_rate_kbit_s,
        dither_seed=DITHER_SEED,
    )
    loudness: Loudness = meter.result()
    clip = Clip(path, start / rate_hz, (stop - start) / rate_hz, loudness, chain.max_reduction_db)
    step = loudness_step(meter.power(), timeline, transition, from_s=start / rate_hz)
    return TransitionMeasure(transition_offset(mix, timeline, transition), step, clip)


def _measured(blocks: Iterator[FloatArray], meter: Meter, advance: Advance) -> Iterator[FloatArray]:
    for block in blocks:
        meter.push(block)
        yield block
        advance(len(block))
