"""The mix before the master goes in; the delivered file comes out, decoded and measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from mixrender.audio.atomic import atomic_path
from mixrender.audio.read import read_blocks
from mixrender.audio.tags import OutputTags
from mixrender.audio.write import WriteResult, encode
from mixrender.errors import AudioError, MachineError
from mixrender.facts import Loudness
from mixrender.formats import FORMATS
from mixrender.loudness.meter import Meter
from mixrender.loudness.spans import MeasuredSound, measured_sound
from mixrender.mixdown.master import TOLERANCE_LU, Mastering
from mixrender.mixdown.result import Correction, TargetVerdict
from mixrender.mixdown.target import target_of, verdict
from mixrender.plan.model import LoudnessTarget, Output, Plan
from mixrender.progress import Advance, Progress
from mixrender.units import FloatArray

DITHER_SEED = 1770
"""One seed for every mix: the same plan gives the same bytes."""

MAX_CORRECTIONS = 3
"""A codec answers a lower ceiling with about the same overshoot, so that one round is the rule."""

OVER_DB = 0.05
"""A file is said to be over its ceiling from here on: what is below is the difference between two meters."""

ROOM_DB = 0.1
"""A new ceiling lies this much lower than the overshoot alone asks for, as the next one may be larger. Twice
as much in every further round: then it was."""


@dataclass(frozen=True)
class Delivery:
    """A file as delivered: what was written, the master behind it, its figures, and how it was corrected.

    `mastering.loudness` is that of the sound before it was encoded, `sound` what was measured of the file.
    """

    written: WriteResult
    mastering: Mastering
    sound: MeasuredSound
    target: TargetVerdict | None
    correction: Correction | None
    warnings: tuple[str, ...]

    @property
    def loudness(self) -> Loudness:
        """The figures of the file."""
        return self.sound.loudness


def deliver(
    path: Path,
    plan: Plan,
    *,
    master: Callable[[Plan], Mastering],
    sound: Callable[[Mastering], Iterable[FloatArray]],
    frames: int,
    sample_rate_hz: int,
    tags: OutputTags,
    fix: bool,
    progress: Progress,
    peak_edges: Sequence[int] = (),
) -> Delivery:
    """Master, write and measure a mix of `frames` frames; the file gets its name when all is done.

    `master` finds the master that a plan asks for, `sound` gives the mix through it; at `peak_edges`, which
    are frames, the true peaks of the file are parted. With `fix`, a file that
    misses the plan's target or ceiling is made again for a lower ceiling, and for a loudness moved by what
    the codec took, at most `MAX_CORRECTIONS` times. Raises what they and `encode` raise, and MachineError if
    the file cannot be read again; then an earlier file is as it was.
    """
    asked, rounds = plan, 0
    with atomic_path(path) as part:
        while True:
            mastering = master(asked)
            with progress.task("Writing", total=frames) as advance:
                written = _encode(part, path, _watched(sound(mastering), advance), plan, sample_rate_hz, tags)
            with progress.task(f"Measuring {path.name}", total=frames) as advance:
                heard = _of_file(part, path, advance, sample_rate_hz=sample_rate_hz, peak_edges=peak_edges)
            better = _corrected(plan, asked, mastering, heard.loudness, room_db=ROOM_DB * 2**rounds)
            if not fix or rounds == MAX_CORRECTIONS or better is None:
                break
            asked, rounds = better, rounds + 1
    correction = Correction(rounds, *target_of(asked)) if rounds else None
    target = verdict(plan, heard.loudness)
    return _judged(plan, asked, Delivery(written, mastering, heard, target, correction, ()))


def _encode(
    part: Path,
    path: Path,
    blocks: Iterator[FloatArray],
    plan: Plan,
    sample_rate_hz: int,
    tags: OutputTags,
) -> WriteResult:
    output = plan.output
    return encode(
        part,
        blocks,
        final=path,
        sample_rate_hz=sample_rate_hz,
        format=output.format,
        bits=output.bits,
        kbit_s=output.bit_rate_kbit_s,
        dither_seed=DITHER_SEED,
        tags=tags,
    )


def _watched(blocks: Iterable[FloatArray], advance: Advance) -> Iterator[FloatArray]:
    for block in blocks:
        yield block
        advance(len(block))


def _of_file(
    part: Path, path: Path, advance: Advance, *, sample_rate_hz: int, peak_edges: Sequence[int]
) -> MeasuredSound:
    """A file as it is delivered, measured: a lossy codec changes the sound, its peaks above all."""
    meter = Meter(sample_rate_hz=sample_rate_hz, peak_edges=peak_edges)
    try:
        for block in read_blocks(part, sample_rate_hz=sample_rate_hz):
            meter.push(block)
            advance(len(block))
    except AudioError as error:
        reason = str(error).removeprefix(f"{part}: ")
        raise MachineError(f"{path}: what was written cannot be read again: {reason}") from error
    return measured_sound(meter, peak_edges=peak_edges)


def _over_db(plan: Plan, loudness: Loudness) -> float:
    """By how much a file's true peak lies over the plan's ceiling; 0 where it does not."""
    if loudness.true_peak_dbtp is None:
        return 0.0
    over_db = loudness.true_peak_dbtp - target_of(plan)[1]
    return over_db if over_db > OVER_DB else 0.0


def _taken_lu(plan: Plan, asked: Plan, before: Loudness, after: Loudness) -> float:
    """How much louder the mix should have been encoded for the file to be as loud as the plan says.

    0 where the plan says nothing, and where the master did not come to what it was asked for: then it cannot
    be louder.
    """
    (target_lufs, _), (asked_lufs, _) = target_of(plan), target_of(asked)
    if target_lufs is None or asked_lufs is None:
        return 0.0
    if before.integrated_lufs is None or after.integrated_lufs is None:
        return 0.0
    is_reached = abs(asked_lufs - before.integrated_lufs) <= TOLERANCE_LU
    return target_lufs - after.integrated_lufs if is_reached else 0.0


def _roomy_ceiling_dbtp(
    plan: Plan, asked: Plan, before: Loudness, after: Loudness, *, room_db: float = ROOM_DB
) -> float:
    """The ceiling that leaves room for what the codec adds.

    It is counted from the peak of the sound that was encoded: a mix that peaks lower than its ceiling would
    not be changed by a ceiling that is only a little lower.
    """
    ceiling_dbtp = target_of(asked)[1]
    over_db = _over_db(plan, after)
    if not over_db:
        return ceiling_dbtp
    peak_dbtp = ceiling_dbtp if before.true_peak_dbtp is None else before.true_peak_dbtp
    return min(ceiling_dbtp, peak_dbtp) - over_db - room_db


def _corrected(
    plan: Plan, asked: Plan, mastering: Mastering, after: Loudness, *, room_db: float
) -> Plan | None:
    """The plan asked for last, for the ceiling and the loudness that meet the plan; None: nothing to cure."""
    taken_lu = _taken_lu(plan, asked, mastering.loudness, after)
    if abs(taken_lu) <= TOLERANCE_LU and not _over_db(plan, after):
        return None
    ceiling_dbtp = _roomy_ceiling_dbtp(plan, asked, mastering.loudness, after, room_db=room_db)
    changed: dict[str, float] = {"true_peak_dbtp": ceiling_dbtp}
    target_lufs, _ = target_of(asked)
    if target_lufs is not None:
        changed["integrated_lufs"] = target_lufs + taken_lu
    wanted = asked.loudness or LoudnessTarget()
    return asked.model_copy(update={"loudness": wanted.model_copy(update=changed)})


def _judged(plan: Plan, asked: Plan, delivery: Delivery) -> Delivery:
    """The delivery with what is to be said of it: in its verdict if it failed, else as warnings."""
    warnings = list(delivery.mastering.warnings)
    target = delivery.target
    if delivery.correction is not None:
        warnings.append(_corrected_words(plan.output, delivery.correction))
    advice = _advice(plan, asked, delivery)
    if advice and target is not None and not target.passed:
        target = replace(target, reason=f"{target.reason}; {advice}")
    elif advice:
        warnings.append(advice)
    return replace(delivery, target=target, warnings=tuple(warnings))


def _advice(plan: Plan, asked: Plan, delivery: Delivery) -> str:
    """By how much the file is over its ceiling, and which ceiling would cure it; empty if it is not over."""
    over_db, (_, ceiling_dbtp) = _over_db(plan, delivery.loudness), target_of(plan)
    if not over_db:
        return ""
    room_dbtp = _roomy_ceiling_dbtp(plan, asked, delivery.mastering.loudness, delivery.loudness)
    room_dbtp = math.floor(room_dbtp * 10.0) / 10.0
    hint = "" if delivery.correction is not None else ", as `render --fix` does"
    return (
        f"the {FORMATS[plan.output.format].title} peaks {over_db:.2f} dB above {ceiling_dbtp:g} dBTP; "
        f"`true_peak: {room_dbtp:.1f} dBTP` would leave room{hint}"
    )


def _corrected_words(output: Output, correction: Correction) -> str:
    times = "once more" if correction.rounds == 1 else f"{correction.rounds} times more"
    loudness = "" if correction.integrated_lufs is None else f" and {correction.integrated_lufs:.2f} LUFS"
    return (
        f"the {FORMATS[output.format].title} was made {times}, for {correction.true_peak_dbtp:.2f} dBTP"
        f"{loudness} before encoding, for the codec to have room"
    )
