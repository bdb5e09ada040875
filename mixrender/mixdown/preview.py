"""A plan and its timeline to one clip per transition: windows of the same mix, rendered alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from mixrender.audio.cache import Cache
from mixrender.audio.write import require_writable, write_audio
from mixrender.errors import InputError
from mixrender.formats import FORMATS
from mixrender.loudness.meter import Meter
from mixrender.mixdown.ahead import ahead
from mixrender.mixdown.chain import MasterChain, Setting
from mixrender.mixdown.clip_digest import MixFacts, clip_digest
from mixrender.mixdown.deliver import DITHER_SEED
from mixrender.mixdown.kept_clips import ClipFigures, KeptClip, find_clip, keep_clip, put_into
from mixrender.mixdown.levels import goal_lufs
from mixrender.mixdown.measure import loudness_step, transition_offset
from mixrender.mixdown.metronome import Metronome, metronome_of
from mixrender.mixdown.prepare import PreparedMix, mix_gains, mix_rate_hz, prepare_each
from mixrender.mixdown.render import inputs, rate_warnings, require_folder, versions
from mixrender.mixdown.result import Clip, MasterFigures, MixResult, TransitionMeasure
from mixrender.mixdown.target import target_of
from mixrender.mixdown.trace import Side, Tracer, traced_strips
from mixrender.mixdown.windows import Window, with_voices
from mixrender.plan.model import Plan
from mixrender.progress import Advance, Progress
from mixrender.timing.timeline import Timeline, TransitionPlacement
from mixrender.units import FloatArray, seconds_to_frames

SUM_ROOM_DB = 3.0
"""How much higher than the louder of two tracks their sum may peak: two unrelated sounds of one level."""

MIN_CLIP_BARS = 0.5

GAIN_STEP_DB = 0.25
"""A predicted gain is no more exact than this: a track that is heard a little longer leaves all clips as they
are but its own."""


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
    Where the plan says `click: true` a metronome lies over it, and counts in its figures. A clip whose parts
    have not changed since it was made is taken from the cache, and no file of its tracks is opened.
    Raises InputError where `only` names a transition that is not there, and what `render_mix` raises.
    """
    chosen = _chosen(timeline, only)
    rate_hz = mix_rate_hz(plan, timeline)
    output = plan.output
    require_writable(
        sample_rate_hz=rate_hz, format=output.format, bits=output.bits, kbit_s=output.bit_rate_kbit_s
    )
    require_folder(folder)
    gains = mix_gains(plan, timeline, cache=cache, progress=progress)
    setting = predicted_setting(plan, timeline, gains.tracks_db)
    made_by = versions(plan)
    facts = MixFacts(plan, timeline, rate_hz, gains, setting, made_by)
    metronome = None
    if plan.click:
        metronome = metronome_of(timeline, loud_lufs=goal_lufs(timeline, gains.tracks_db))
    orders = [
        _order(facts, transition, metronome, lead_bars=lead_bars, tail_bars=tail_bars)
        for transition in chosen
    ]
    clips = _clips(facts, orders, metronome, cache, progress)
    measures: list[TransitionMeasure | None] = [None] * len(timeline.transitions)
    for order, clip in zip(orders, clips, strict=True):
        path = folder / clip_name(timeline, order.transition, FORMATS[output.format].suffix)
        measures[order.transition.index - 1] = _measure(order, clip, path, rate_hz)
    voices = {voice.index: voice for clip in clips for voice in clip.figures.voices}
    return MixResult(
        timeline=timeline,
        sample_rate_hz=rate_hz,
        gains_db=gains.tracks_db,
        transitions=tuple(measures),
        loudness=None,
        master=MasterFigures(setting.gain_db, _most_reduction_db(measures), 0.0, True),
        target=None,
        inputs=inputs(timeline),
        versions=made_by,
        files=tuple(m.clip.path for m in measures if m is not None and m.clip is not None),
        warnings=rate_warnings(plan, timeline),
        voices=tuple(voices[index] for index in sorted(voices)),
        layer_gains_db=gains.layers_db,
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
            return Setting(_stepped_db(gain_db), ceiling_dbtp if plan.limiter else None)
    peaks = [x.true_peak_dbtp + gain for x, gain in figures if x.true_peak_dbtp is not None]
    room_db = SUM_ROOM_DB if timeline.transitions else 0.0
    gain_db = min(0.0, ceiling_dbtp - max(peaks, default=ceiling_dbtp) - room_db)
    return Setting(gain_db, ceiling_dbtp if plan.limiter else None)


def _stepped_db(gain_db: float) -> float:
    return round(gain_db / GAIN_STEP_DB) * GAIN_STEP_DB


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


@dataclass(frozen=True, eq=False)
class _Order:
    """One clip that is wanted: its frames of the mix, what it traces and hears, and its digest."""

    transition: TransitionPlacement
    window: Window
    strips: list[tuple[int, Side]]
    voices: list[int]
    digest: str


def _order(
    facts: MixFacts,
    transition: TransitionPlacement,
    metronome: Metronome | None,
    *,
    lead_bars: float,
    tail_bars: float,
) -> _Order:
    timeline, rate_hz = facts.timeline, facts.rate_hz
    start_s, end_s = _window_s(timeline, transition, lead_bars=lead_bars, tail_bars=tail_bars)
    window = seconds_to_frames(start_s, rate_hz), seconds_to_frames(end_s, rate_hz)
    return _Order(
        transition,
        window,
        traced_strips(timeline, transition, start_s=window[0] / rate_hz, end_s=window[1] / rate_hz),
        [voice.index for voice in with_voices(timeline, [window], rate_hz)[0]],
        clip_digest(facts, transition, window, metronome=metronome),
    )


def _clips(
    facts: MixFacts, orders: Sequence[_Order], metronome: Metronome | None, cache: Cache, progress: Progress
) -> list[KeptClip]:
    """The clips of these orders, kept or made now."""
    suffix = FORMATS[facts.plan.output.format].suffix
    kept = [find_clip(cache, o.digest, suffix, strips=o.strips, voices=o.voices) for o in orders]
    missing = [order for order, clip in zip(orders, kept, strict=True) if clip is None]
    if not missing:
        return [clip for clip in kept if clip is not None]
    prepared = iter(
        prepare_each(
            facts.plan,
            facts.timeline,
            [[order.window] for order in missing],
            gains=facts.gains,
            cache=cache,
            progress=progress,
        )
    )
    frames = sum(stop - start for start, stop in (order.window for order in missing))
    with progress.task("Rendering clips", total=frames) as advance:
        return [
            clip or _made(facts, order, next(prepared), metronome, cache, advance)
            for order, clip in zip(orders, kept, strict=True)
        ]


def _made(
    facts: MixFacts,
    order: _Order,
    prepared: PreparedMix,
    metronome: Metronome | None,
    cache: Cache,
    advance: Advance,
) -> KeptClip:
    output, rate_hz = facts.plan.output, facts.rate_hz
    (start, stop), mix = order.window, prepared.mix

    def make(part: Path) -> ClipFigures:
        tracer = Tracer(mix, order.strips, start, stop, low_edge_hz=facts.plan.bands_hz[0])
        meter = Meter(sample_rate_hz=rate_hz)
        chain = MasterChain(facts.setting, sample_rate_hz=rate_hz)
        blocks = tracer.blocks()
        if metronome is not None:
            blocks = metronome.added(blocks, start, sample_rate_hz=rate_hz)
        # Mixing, limiting and encoding each take their share of the time: they work side by side.
        with ahead(blocks) as mixed, ahead(chain.run(mixed)) as mastered:
            write_audio(
                part,
                _measured(mastered, meter, advance),
                sample_rate_hz=rate_hz,
                format=output.format,
                bits=output.bits,
                kbit_s=output.bit_rate_kbit_s,
                dither_seed=DITHER_SEED,
            )
        power = meter.power()
        return ClipFigures(
            meter.result(),
            chain.max_reduction_db,
            transition_offset(mix, facts.timeline, order.transition),
            loudness_step(power, facts.timeline, order.transition, from_s=start / rate_hz),
            tracer.trace(power),
            prepared.voices,
        )

    return keep_clip(cache, order.digest, FORMATS[output.format].suffix, make)


def _measure(order: _Order, kept: KeptClip, path: Path, rate_hz: int) -> TransitionMeasure:
    """Put a clip where it was wanted, and say what was measured of it."""
    figures, (start, stop) = kept.figures, order.window
    clip = Clip(
        path,
        start / rate_hz,
        (stop - start) / rate_hz,
        figures.loudness,
        figures.max_reduction_db,
        figures.trace,
        order.digest,
        is_new=put_into(path, kept.path),
    )
    return TransitionMeasure(figures.beat_offset, figures.loudness_step_lu, clip)


def _measured(blocks: Iterable[FloatArray], meter: Meter, advance: Advance) -> Iterator[FloatArray]:
    for block in blocks:
        meter.push(block)
        yield block
        advance(len(block))
