"""A source and a map from its frames to the mix's go in; stretched sound that joins the source comes out.

Between knots of the map one ratio holds. Where the sound outside the map stays untouched, the stretched sound
reaches some way out of the map, at ratio 1, and its outermost 20 ms fade from the source itself: whoever
goes on with the source's own samples there hears no joint. What the engine takes from the level is given
back.
"""

from __future__ import annotations

import functools
import hashlib
import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from mixrender.audio import keyframes, relevel, rubberband
from mixrender.audio.raw import RawAudio
from mixrender.dsp.formants import FORMANTS_VERSION, keep_formants
from mixrender.dsp.varispeed import reach_frames, varispeed
from mixrender.errors import InputError, MachineError
from mixrender.units import FloatArray, seconds_to_frames, semitones_to_ratio

STRETCH_VERSION = "3"
"""Raised whenever the same input would give other samples here, so that what is kept on disk is made anew."""

REACH_S = 0.15
"""How far the stretched sound reaches out of the map where the source goes on untouched."""

JOINT_S = 0.02
"""Length of the linear crossfade at the end of that reach."""

SMALLEST_RATIO, LARGEST_RATIO = 0.5, 2.0

_LEAD_S = 1.0
_TAIL_S = 2.0
_BLOCK_FRAMES = 65536


class Source(Protocol):
    """Sound that can be read from any place, as `mixrender.audio.raw.RawAudio`."""

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Frames [start, stop) as float32 of shape (stop - start, 2); zeros outside the file."""


@dataclass(frozen=True)
class Stretched:
    """What a stretched file covers: `frames` frames of the mix from `first_target_frame` on."""

    first_target_frame: int
    frames: int


def stretch_region(
    source: Source, knots: FloatArray, *, sample_rate_hz: int, out: Path, semitones: float = 0.0
) -> Stretched:
    """Stretch just what lies between the first and the last knot: `stretch_between`, nothing untouched."""
    return stretch_between(
        source,
        knots,
        sample_rate_hz=sample_rate_hz,
        out=out,
        head_untouched=False,
        tail_untouched=False,
        semitones=semitones,
    )


def stretch_between(
    source: Source,
    knots: FloatArray,
    *,
    sample_rate_hz: int,
    out: Path,
    head_untouched: bool,
    tail_untouched: bool,
    semitones: float = 0.0,
    formants_stay: bool = False,
) -> Stretched:
    """Stretch `source` along a map into the file `out`, raw interleaved float32 stereo, made atomically.

    `knots` has shape (k, 2), k >= 2: rows (source frame, target frame), strictly rising in both, one per
    beat or denser; the map is straight between them. Frame j of the file is target frame `first_target_frame
    + j`: from round(knots[0, 1]) to round(knots[-1, 1]), and 0.15 s further at an end whose flag says that
    the source goes on untouched beyond it. There target minus source must be a whole number, and the first
    (last) frame of the file is the source's own. Formants move with the pitch, unless `formants_stay`.

    Raises ValueError for a map that is out of order, fractional at an untouched end, or 1 throughout at 0
    semitones (copy the source instead); InputError for ratios outside 0.5 to 2, or sound that is not finite;
    ToolError if the program fails or changes the level by more than 2.5 dB, or 8 dB with the pitch;
    MachineError without room on disk.
    """
    knots = _checked(knots, pitch=semitones_to_ratio(semitones))
    if semitones and (head_untouched or tail_untouched):
        raise ValueError("sound of another pitch cannot be joined to the untouched source")
    plan = _Plan.of(
        knots,
        sample_rate_hz=sample_rate_hz,
        head_untouched=head_untouched,
        tail_untouched=tail_untouched,
        pitch=semitones_to_ratio(semitones),
    )
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".stretch-", dir=out.parent) as folder:
        raw = _run_engine(source, plan, out=Path(folder) / "raw.f32")
        heard: relevel.ReadFrames = functools.partial(_by_target, raw, plan)
        if semitones and formants_stay:
            heard = _with_old_formants(heard, plan, out=Path(folder) / "shaped.f32")
        gain = relevel.restoring_gain(
            source.read,
            heard,
            knots,
            sample_rate_hz=sample_rate_hz,
            pin_head=head_untouched,
            pin_tail=tail_untouched,
            largest_change_db=relevel.LARGEST_CHANGE_SHIFTED_DB if semitones else relevel.LARGEST_CHANGE_DB,
        )
        part = Path(folder) / "joined.f32"
        _write(part, _joined(source, heard, plan, gain))
        part.replace(out)
    return Stretched(first_target_frame=plan.first, frames=plan.last - plan.first)


def coverage(
    knots: FloatArray, *, sample_rate_hz: int, head_untouched: bool, tail_untouched: bool
) -> Stretched:
    """Which target frames the output of `stretch_between` covers."""
    reach = seconds_to_frames(REACH_S, sample_rate_hz)
    first = round(float(knots[0][1])) - reach * head_untouched
    last = round(float(knots[-1][1])) + reach * tail_untouched
    return Stretched(first_target_frame=first, frames=last - first)


def cache_key(
    knots: FloatArray,
    *,
    sample_rate_hz: int,
    head_untouched: bool,
    tail_untouched: bool,
    semitones: float = 0.0,
    formants_stay: bool = False,
    program_version: str | None = None,
) -> str:
    """32 hexadecimal digits that name all the result of `stretch_between` depends on, except the source.

    `program_version` is that of the installed program unless given (then nothing but the arguments counts).
    The caller adds the hash of the source's content.
    """
    if program_version is None:
        program_version = rubberband.program_version()
    parts = [
        f"stretch {STRETCH_VERSION} {keyframes.MAP_VERSION} {rubberband.ADAPTER_VERSION}",
        f"rubberband {program_version} pyrubberband {version('pyrubberband')}",
        f"{sample_rate_hz} Hz {float(semitones)!r} semitones {head_untouched:d}{tail_untouched:d}",
        np.ascontiguousarray(knots, dtype="<f8").tobytes().hex(),
    ]
    if semitones and formants_stay:
        parts.append(f"formants {FORMANTS_VERSION}")
    return hashlib.blake2b("\n".join(parts).encode(), digest_size=16).hexdigest()


def _checked(knots: FloatArray, *, pitch: float) -> FloatArray:
    """The map as float64, refused unless it can be followed and needs the engine."""
    knots = np.array(knots, dtype=np.float64)
    if knots.ndim != 2 or knots.shape[1] != 2 or len(knots) < 2 or not np.all(np.isfinite(knots)):
        raise ValueError(
            f"a map needs finite rows (source frame, target frame), at least 2, not {knots.shape}"
        )
    steps = np.diff(knots, axis=0)
    if not np.all(steps > 0.0):
        raise ValueError("a map must rise strictly in both its source and its target frames")
    ratios = steps[:, 1] / steps[:, 0] * pitch
    if ratios.min() < SMALLEST_RATIO or ratios.max() > LARGEST_RATIO:
        raise InputError(
            f"the sound would have to be stretched by factors of {ratios.min():.3f} to {ratios.max():.3f}; "
            f"{SMALLEST_RATIO:g} to {LARGEST_RATIO:g} is possible. Choose tempos nearer to each other"
        )
    if pitch == 1.0 and np.all(np.abs(ratios - 1.0) < 1e-9):
        raise ValueError("the map is 1 throughout: copy the source instead of stretching it")
    return knots


def _whole_offset(knot: FloatArray, name: str) -> int:
    offset = float(knot[1] - knot[0])
    if abs(offset - round(offset)) > 1e-6:
        raise ValueError(f"target minus source is {offset} frames at the untouched {name}; it must be whole")
    return round(offset)


@dataclass(frozen=True)
class _Plan:
    """What the engine is given, and which part of its output is kept.

    The engine's frame 0 is source frame `source_origin` and target frame `target_origin`. It makes the sound
    longer by the factor `pitch`, and reading that much faster raises the pitch: the engine's own change of
    pitch would put beats up to 2 ms away from the map. The output covers the target frames [first, last). An
    offset (target minus source) is None where nothing untouched follows. The last knot is at target frame
    `tail_knot`; the lag there is made up for over `settling` frames.
    """

    followed: keyframes.Followed
    sample_rate_hz: int
    pitch: float
    source_origin: int
    target_origin: int
    first: int
    last: int
    tail_knot: int
    settling: int
    head_offset: int | None
    tail_offset: int | None

    @classmethod
    def of(
        cls,
        knots: FloatArray,
        *,
        sample_rate_hz: int,
        head_untouched: bool,
        tail_untouched: bool,
        pitch: float,
    ) -> _Plan:
        slopes = np.diff(knots[:, 1]) / np.diff(knots[:, 0])
        head_ratio = 1.0 if head_untouched else float(slopes[0])
        tail_ratio = 1.0 if tail_untouched else float(slopes[-1])
        covered = coverage(
            knots,
            sample_rate_hz=sample_rate_hz,
            head_untouched=head_untouched,
            tail_untouched=tail_untouched,
        )
        lead = keyframes.lead_frames(
            seconds_to_frames(_LEAD_S, sample_rate_hz), sample_rate_hz=sample_rate_hz
        )
        source_origin = math.floor(knots[0, 0]) - lead
        target_origin = round(float(knots[0, 1] - (knots[0, 0] - source_origin) * head_ratio))
        source_frames = math.ceil(knots[-1, 0]) - source_origin
        source_frames += seconds_to_frames(_TAIL_S, sample_rate_hz)
        return cls(
            followed=keyframes.follow(
                (knots - np.array([source_origin, target_origin])) * np.array([1.0, pitch]),
                head_ratio=head_ratio * pitch,
                tail_ratio=tail_ratio * pitch,
                source_frames=source_frames,
                sample_rate_hz=sample_rate_hz,
                pitch=pitch,
            ),
            sample_rate_hz=sample_rate_hz,
            pitch=pitch,
            source_origin=source_origin,
            target_origin=target_origin,
            first=covered.first_target_frame,
            last=covered.first_target_frame + covered.frames,
            tail_knot=round(float(knots[-1, 1])),
            settling=min(sample_rate_hz, math.ceil((knots[-1, 1] - knots[0, 1]) / 2.0)),
            head_offset=_whole_offset(knots[0], "head") if head_untouched else None,
            tail_offset=_whole_offset(knots[-1], "tail") if tail_untouched else None,
        )


def _run_engine(source: Source, plan: _Plan, *, out: Path) -> RawAudio:
    """The engine's whole output on disk, lead-in and tail included."""
    origin = plan.source_origin
    frames = rubberband.stretch(
        lambda start, stop: source.read(origin + start, origin + stop),
        key_frames=plan.followed.key_frames,
        sample_rate_hz=plan.sample_rate_hz,
        out=out,
    )
    return RawAudio(out, frames, plan.sample_rate_hz)


def _positions(plan: _Plan, start: int, stop: int) -> FloatArray:
    """Where in the engine's output the target frames [start, stop) are read.

    Where the source follows untouched, the one or two frames that the engine ends late or early are made up
    for over the last second, at most 0.1 cents off the pitch, so that the tail is the source frame by frame.
    """
    frames = np.arange(start, stop, dtype=np.float64)
    if plan.tail_offset is None or not plan.followed.tail_lag_frames:
        return (frames - plan.target_origin) * plan.pitch
    share: FloatArray = np.clip((frames - plan.tail_knot) / plan.settling + 1.0, 0.0, 1.0)
    return frames - plan.target_origin + plan.followed.tail_lag_frames * share


def _by_target(raw: RawAudio, plan: _Plan, start: int, stop: int) -> NDArray[np.float32] | FloatArray:
    """The engine's sound at the target frames [start, stop), read at the speed that makes its pitch."""
    positions = _positions(plan, start, stop)
    first, last = math.floor(positions[0]), math.ceil(positions[-1])
    if last - first == stop - start - 1 and np.array_equal(positions, np.arange(first, last + 1)):
        return raw.read(first, last + 1)
    margin = reach_frames(max(plan.pitch, 1.001))
    return varispeed(raw.read(first - margin, last + margin), positions - (first - margin))


def _with_old_formants(heard: relevel.ReadFrames, plan: _Plan, *, out: Path) -> relevel.ReadFrames:
    """The target frames [first, last) of `heard` with the source's formants, kept on disk."""
    starts = range(plan.first, plan.last, _BLOCK_FRAMES)
    blocks = (
        keep_formants(
            heard,
            start,
            min(start + _BLOCK_FRAMES, plan.last),
            ratio=plan.pitch,
            sample_rate_hz=plan.sample_rate_hz,
        )
        for start in starts
    )
    _write(out, (block.astype(np.float32) for block in blocks))
    shaped = RawAudio(out, plan.last - plan.first, plan.sample_rate_hz)
    return lambda start, stop: shaped.read(start - plan.first, stop - plan.first)


def _joined(
    source: Source, heard: relevel.ReadFrames, plan: _Plan, gain: relevel.GainCurve
) -> Iterator[NDArray[np.float32]]:
    """Blocks of the target frames [first, last): the engine's sound at its level, faded into the source's."""
    joint = seconds_to_frames(JOINT_S, plan.sample_rate_hz)
    for start in range(plan.first, plan.last, _BLOCK_FRAMES):
        stop = min(start + _BLOCK_FRAMES, plan.last)
        block = heard(start, stop) * gain.at(start, stop)
        frames = np.arange(start, stop)
        for offset, depth in (
            (plan.head_offset, frames - plan.first),
            (plan.tail_offset, plan.last - 1 - frames),
        ):
            if offset is not None and depth.min() < joint:
                share = np.minimum(depth / joint, 1.0)[:, np.newaxis]
                block = share * block + (1.0 - share) * source.read(start - offset, stop - offset)
        yield block.astype(np.float32)


def _write(path: Path, blocks: Iterator[NDArray[np.float32]]) -> None:
    try:
        with path.open("wb") as file:
            for block in blocks:
                file.write(block.astype("<f4", copy=False).tobytes())
    except OSError as error:
        raise MachineError(f"cannot write {path.parent}: {error.strerror}; is the disk full?") from error
