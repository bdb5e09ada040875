"""A placed transition and what it says of the tempo to the ramps and followed stretches of the mix."""

from __future__ import annotations

from math import inf

from mixrender.plan.model import PlanPath, TempoRamp
from mixrender.timing.build_map import Followed
from mixrender.timing.placement import Joint, Placed, Placement, source_beat_of
from mixrender.timing.tempo_map import Ramp


def add_tempo(placement: Placement, index: int, joint: Joint, path: PlanPath) -> None:
    """Add what the transition to track `index` does to the tempo; a ramp that cannot be is a problem."""
    placed = placement.tracks[index]
    side = placed.side
    begins = joint.enter_beat if joint.enter_beat > joint.start_beat else joint.start_beat
    ends = max(joint.end_beat, joint.enter_beat)
    label = f"the glide from `{joint.transition.from_track}` to `{joint.transition.to_track}`"
    if not joint.beatmatched:
        if side.has_bars:
            bpm = side.grid.tempo_at(source_beat_of(placed, ends)) / placed.rate
            placement.ramps.append(Ramp(ends, ends, bpm, False, label))
            follow(placement, placed, ends)
        return
    asked = joint.transition.tempo
    if asked == "hold" or (asked is None and placement.held):
        return
    own_bpm = side.grid.tempo_at(source_beat_of(placed, ends)) / placed.rate
    if asked is None:
        placement.ramps.append(Ramp(begins if ends > begins else ends, ends, own_bpm, False, label))
        follow(placement, placed, ends)
        return
    assert not isinstance(asked, str)
    before = placement.tracks[index - 1]
    for number, ramp in enumerate(asked):
        _add_ramp(placement, ramp, joint, own_bpm, (before.rate, placed.rate), (*path, "tempo"), number)


def follow(placement: Placement, placed: Placed, from_beat: float) -> None:
    """Let the tempo follow a drifting track from a mix beat on."""
    if placed.side.grid.kind != "drifting":
        return
    source = source_beat_of(placed, from_beat)
    placement.followed.append(Followed(from_beat, inf, placed.side.grid, source, placed.rate))


def end_follow(placement: Placement, end_beat: float) -> None:
    """Let a track that the tempo follows no longer lead it after `end_beat`."""
    if placement.followed and placement.followed[-1].end_beat == inf:
        last = placement.followed.pop()
        if last.start_beat < end_beat:
            placement.followed.append(
                Followed(last.start_beat, end_beat, last.grid, last.source_beat, last.rate)
            )


def _add_ramp(
    placement: Placement,
    ramp: TempoRamp,
    joint: Joint,
    own_bpm: float,
    rates: tuple[float, float],
    path: PlanPath,
    number: int,
) -> None:
    origin = joint.end_beat if ramp.start.from_end else joint.start_beat
    start = origin + ramp.start.bars * joint.beats_per_bar
    length = ramp.over_bars if ramp.over_bars is not None else joint.overlap_bars
    to_bpm = own_bpm
    if ramp.to_bpm is not None:
        # Counted as the outgoing or the incoming track counts: whichever is the smaller change.
        now = placement.tempo_map().tempo_at(start)
        to_bpm = min((ramp.to_bpm / rate for rate in rates), key=lambda bpm: max(bpm / now, now / bpm))
    label = f"the ramp of `{joint.transition.from_track}` to `{joint.transition.to_track}`"
    label += f" at {ramp.start.bars:g} bars"
    new = Ramp(start, start + length * joint.beats_per_bar, to_bpm, True, label)
    for other in placement.ramps:
        meets = new.start_beat < other.end_beat - 1e-9 and other.start_beat < new.end_beat - 1e-9
        if other.written and meets:
            placement.problem(
                path, f"{new.label} overlaps {other.label}; let one end before the other begins"
            )
            return
    placement.ramps.append(new)
