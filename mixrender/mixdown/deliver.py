"""The mix before the master goes in; the delivered file comes out, decoded and measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from mixrender.audio.atomic import atomic_path
from mixrender.audio.read import read_blocks
from mixrender.audio.tags import OutputTags
from mixrender.audio.write import WriteResult, encode
from mixrender.errors import AudioError, MachineError
from mixrender.facts import Loudness
from mixrender.formats import FORMATS
from mixrender.loudness.meter import Meter
from mixrender.loudness.spans import MeasuredSound, measured_sound
from mixrender.mixdown.chain import Mastering
from mixrender.mixdown.master import TOLERANCE_LU, limiter_warning
from mixrender.mixdown.result import Correction, TargetVerdict
from mixrender.mixdown.target import over_words, target_of, verdict
from mixrender.plan.model import LoudnessTarget, Output, Plan
from mixrender.progress import Advance, Progress
from mixrender.units import FloatArray

DITHER_SEED = 1770
"""One seed for every mix: the same plan gives the same bytes."""

MAX_CORRECTIONS = 6
"""One round is the rule. Where a target can only just be had, the ceiling that lets through the most is found
between those that were too low and too high."""

OVER_DB = 0.05
"""A file is said to be over its ceiling from here on: what is below is the difference between two meters."""

LEAST_STEP_DB = 0.1
"""A ceiling nearer to the last one than this is not worth another round."""

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
    are frames, the true peaks of the file are parted. With `fix`, a file that misses the plan's target or
    ceiling is made again for another ceiling, and for a loudness moved by what the codec took, at most
    `MAX_CORRECTIONS` times, and the best is delivered. Raises what they and `encode` raise, and MachineError
    if the file cannot be read again; then an earlier file is as it was.
    """

    def make(asked: Plan) -> _Attempt:
        mastering = master(asked)
        written = write(part, mastering)
        with progress.task(f"Measuring {path.name}", total=frames) as advance:
            heard = _of_file(
                part, path, advance, frames=frames, sample_rate_hz=sample_rate_hz, peak_edges=peak_edges
            )
        return _Attempt(asked, mastering, written, heard)

    def write(part: Path, mastering: Mastering) -> WriteResult:
        with progress.task("Writing", total=frames) as advance:
            return _encode(part, path, _watched(sound(mastering), advance), plan, sample_rate_hz, tags)

    with atomic_path(path) as part:
        made = [make(plan)]
        while fix and len(made) <= MAX_CORRECTIONS and (better := _corrected(plan, made)) is not None:
            made.append(make(better))
        best = min(made, key=lambda attempt: _miss(plan, attempt))
        if best is not made[-1]:
            write(part, best.mastering)
    rounds = len(made) - 1
    correction = Correction(rounds, *target_of(best.asked)) if rounds else None
    target = verdict(plan, best.loudness)
    return _judged(plan, best, Delivery(best.written, best.mastering, best.heard, target, correction, ()))


class _Attempt(NamedTuple):
    """A file that was made: what was asked for, the master, and what was measured of the file."""

    asked: Plan
    mastering: Mastering
    written: WriteResult
    heard: MeasuredSound

    @property
    def loudness(self) -> Loudness:
        """The figures of the file."""
        return self.heard.loudness

    @property
    def ceiling_dbtp(self) -> float:
        """The ceiling that was asked for."""
        return target_of(self.asked)[1]


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
    part: Path,
    path: Path,
    advance: Advance,
    *,
    frames: int,
    sample_rate_hz: int,
    peak_edges: Sequence[int],
) -> MeasuredSound:
    """A file as it is delivered, measured: a lossy codec changes the sound, its peaks above all.

    What a decoder gives beyond the `frames` that were written is not played: see `audio.sinks.m4a`.
    """
    meter = Meter(sample_rate_hz=sample_rate_hz, peak_edges=peak_edges)
    left = frames
    try:
        for block in read_blocks(part, sample_rate_hz=sample_rate_hz):
            meter.push(block[:left])
            advance(len(block[:left]))
            left -= len(block[:left])
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


def _missing_lu(plan: Plan, loudness: Loudness) -> float:
    """How much louder a file should be; 0 where the plan does not say, or where it is near enough."""
    target_lufs, _ = target_of(plan)
    if target_lufs is None or loudness.integrated_lufs is None:
        return 0.0
    missing_lu = target_lufs - loudness.integrated_lufs
    return missing_lu if abs(missing_lu) > TOLERANCE_LU else 0.0


def _miss(plan: Plan, attempt: _Attempt) -> tuple[float, float]:
    """How bad a file is: that it keeps to its ceiling counts before its loudness."""
    return _over_db(plan, attempt.loudness), abs(_missing_lu(plan, attempt.loudness))


def _corrected(plan: Plan, made: Sequence[_Attempt]) -> Plan | None:
    """The plan, for the ceiling and the loudness that should meet it; None: nothing to cure, or no way to."""
    last = made[-1]
    if not any(_miss(plan, last)):
        return None
    ceiling_dbtp = _next_ceiling_dbtp(plan, made)
    changed: dict[str, float] = {"true_peak_dbtp": ceiling_dbtp}
    target_lufs, _ = target_of(plan)
    before_lufs, after_lufs = last.mastering.loudness.integrated_lufs, last.loudness.integrated_lufs
    is_reached = True
    if target_lufs is not None and before_lufs is not None and after_lufs is not None:
        changed["integrated_lufs"] = target_lufs + before_lufs - after_lufs
        is_reached = abs((target_of(last.asked)[0] or 0.0) - before_lufs) <= TOLERANCE_LU
    # What could not be made louder cannot be made so under the same ceiling.
    if not is_reached and abs(ceiling_dbtp - last.ceiling_dbtp) < LEAST_STEP_DB:
        return None
    wanted = plan.loudness or LoudnessTarget()
    return plan.model_copy(update={"loudness": wanted.model_copy(update=changed)})


def _next_ceiling_dbtp(plan: Plan, made: Sequence[_Attempt]) -> float:
    """The ceiling to try after some files: the same, a lower one for the codec to have room, or between two.

    Between a ceiling that was kept to and one that was not, the overshoot is taken to go in a straight line.
    """
    last = made[-1]
    kept = [one for one in made if not _over_db(plan, one.loudness)]
    broken = [one for one in made if _over_db(plan, one.loudness)]
    if last in kept and (_missing_lu(plan, last.loudness) <= 0.0 or not broken):
        return last.ceiling_dbtp
    if not kept:
        return _roomy_ceiling_dbtp(plan, last, room_db=ROOM_DB * 2 ** (len(made) - 1))
    high = min(broken, key=lambda one: one.ceiling_dbtp)
    low = max(kept, key=lambda one: one.ceiling_dbtp)
    over_db, under_db = _peak_over_db(plan, high), _peak_over_db(plan, low)
    part = (-ROOM_DB - under_db) / (over_db - under_db)
    return low.ceiling_dbtp + max(part, 0.0) * (high.ceiling_dbtp - low.ceiling_dbtp)


def _peak_over_db(plan: Plan, attempt: _Attempt) -> float:
    """By how much a file's true peak lies over the plan's ceiling; minus: under it."""
    assert attempt.loudness.true_peak_dbtp is not None
    return attempt.loudness.true_peak_dbtp - target_of(plan)[1]


def _roomy_ceiling_dbtp(plan: Plan, attempt: _Attempt, *, room_db: float) -> float:
    """The ceiling that leaves room for what the codec added to a file that is over.

    It is counted from the peak of the sound that was encoded: a mix that peaks lower than its ceiling would
    not be changed by a ceiling that is only a little lower.
    """
    peak_dbtp = attempt.mastering.loudness.true_peak_dbtp
    lowest_dbtp = attempt.ceiling_dbtp if peak_dbtp is None else min(attempt.ceiling_dbtp, peak_dbtp)
    return lowest_dbtp - _over_db(plan, attempt.loudness) - room_db


def _judged(plan: Plan, best: _Attempt, delivery: Delivery) -> Delivery:
    """The delivery with what is to be said of it: in its verdict if it failed, else as warnings."""
    warnings = [*delivery.mastering.warnings, *_limiter_warnings(plan, best)]
    target = delivery.target
    if delivery.correction is not None:
        warnings.append(_corrected_words(plan.output, delivery.correction))
    advice = _advice(plan, best, is_last=delivery.correction is not None)
    if advice and target is not None and not target.passed:
        target = replace(target, reason=f"{target.reason}; {advice}")
    elif advice and _over_db(plan, best.loudness):
        peak_dbtp = best.loudness.true_peak_dbtp
        assert peak_dbtp is not None
        warnings.append(f"{over_words(peak_dbtp, ceiling_dbtp=target_of(plan)[1])}; {advice}")
    elif advice:
        warnings.append(advice)
    return replace(delivery, target=target, warnings=tuple(warnings))


def _limiter_warnings(plan: Plan, best: _Attempt) -> list[str]:
    (asked_lufs, _), (searched_lufs, _) = target_of(plan), target_of(best.asked)
    reached_lufs = best.loudness.integrated_lufs
    if asked_lufs is None or searched_lufs is None or reached_lufs is None:
        return []
    warning = limiter_warning(
        best.mastering, searched_lufs=searched_lufs, asked_lufs=asked_lufs, reached_lufs=reached_lufs
    )
    return [warning] if warning else []


def _advice(plan: Plan, best: _Attempt, *, is_last: bool) -> str:
    """What would cure a file that its codec spoiled; empty where it did not. `is_last`: it was made again.

    It never names another `true_peak`: the file would be judged by that one, and be over it again.
    """
    title, (_, ceiling_dbtp) = FORMATS[plan.output.format].title, target_of(plan)
    over_db = _over_db(plan, best.loudness)
    if over_db and is_last:
        return (
            f"`--fix` could not cure it; a lower loudness would, or more kbit/s, with which {title} adds less"
        )
    if over_db:
        room_db = math.ceil((over_db + ROOM_DB) * 10.0) / 10.0
        return (
            f"{title} needs at least {room_db:.1f} dB more head-room; `render --fix` gives it what it needs"
        )
    if is_last and round(_missing_lu(plan, best.loudness), 1) > TOLERANCE_LU:
        return (
            f"the {title} cannot be louder under {ceiling_dbtp:g} dBTP: the peaks that its codec adds need "
            "the room. More kbit/s add less"
        )
    return ""


def _corrected_words(output: Output, correction: Correction) -> str:
    times = "once more" if correction.rounds == 1 else f"{correction.rounds} times more"
    loudness = "" if correction.integrated_lufs is None else f" and {correction.integrated_lufs:.2f} LUFS"
    return (
        f"the {FORMATS[output.format].title} was made {times}, for {correction.true_peak_dbtp:.2f} dBTP"
        f"{loudness} before encoding, for the codec to have room"
    )
