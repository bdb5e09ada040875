"""A map from source frames to target frames goes in; the key frames that make the engine follow it come out.

The R3 engine does not follow a map by itself. It takes the ratio between two key frames, holds it from the
first block that begins after the first of them, rounds its hops to whole frames, and never makes up for what
it was late. All of this depends on the ratios alone, not on the sound, so `_Engine` counts along: it knows
at each block which source frame the engine has placed at which target frame. `follow` then chooses the ratio
of each stretch such that the engine arrives where the map wants it. The counting was checked against
rubberband 3.1.2 (see the tests).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from mixrender.units import FloatArray

MAP_VERSION = "2"
"""Raised whenever the same map would give other key frames, so that what is kept on disk is made anew."""

ATTACK_FRAMES_AT_44100 = 150
"""The engine puts an attack as far after a frame of its own as it was in the source, unstretched; on average
that frame lies this long before the attack (measured with clicks, ratios 0.9 to 1.16)."""

ATTACK_GROWTH_AT_44100 = 225
"""By how much of 1 - 1 / ratio that grows with a lasting ratio (measured with clicks: to 75 frames at 0.75,
and some 210 at 1.33)."""

BLOCK_FRAMES = 1024
"""The `rubberband` program hands the sound to its engine in blocks of this length."""

_CORNER = 0.01
"""A change of ratio from which a corner of the map is met within a block; a smaller one may be met a block
late, by which beats are at most 0.25 ms off."""

_LANDINGS = (24, 8)
"""How many ways to the last station but one, and on to the bridge behind it, are tried to end in step."""

_NUDGE_FRAMES = 24
"""How far a key frame's target is moved in search of one by which the engine arrives where it should."""


@dataclass
class _Engine:
    """The R3 engine's bookkeeping: the next source frame, and the target frame it will be put at.

    `source` and `target` are the centres of the next analysis and synthesis window. `shadow_*` is what the
    engine believes of itself: it counts one hop per block where it makes several.
    """

    rate_hz: int
    window: int
    waiting: int
    source: int = 0
    target: int = 0
    shadow_source: int = 0
    shadow_target: int = 0
    checkpoint: tuple[int, int] = (0, 0)
    ratio: float = 0.0

    @classmethod
    def started(cls, rate_hz: int) -> _Engine:
        window = _power_of_two(math.ceil(rate_hz / 16))
        return cls(rate_hz=rate_hz, window=window, waiting=window // 2)

    def block(self, ratio: float, hop: int) -> None:
        """Take one more block of sound at `ratio`, for which `hop` is `self.hop(ratio)`."""
        if self.ratio and ratio != self.ratio:
            self.checkpoint = (self.shadow_source, self._expected(self.ratio))
        self.ratio = ratio
        out_hop = self._out_hop(hop, ratio)
        self.shadow_source += hop
        self.shadow_target += out_hop
        self.waiting += BLOCK_FRAMES
        hops = max(0, (self.waiting - self.window) // hop + 1)
        self.waiting -= hops * hop
        self.source += hops * hop
        self.target += hops * out_hop

    def hop(self, ratio: float) -> int:
        """Step between analysis windows, in source frames."""
        wanted = 256.0
        if ratio > 1.5:
            wanted = 2.0 ** (8.0 + 2.0 * math.log10(ratio - 0.5))
        elif ratio < 1.0:
            wanted = 2.0 ** (8.0 + 2.0 * math.log10(ratio))
        shortest = _power_of_two(math.ceil(self.rate_hz / 512))
        longest = _power_of_two(math.ceil(self.rate_hz / 128))
        return math.floor(min(max(wanted, shortest), longest) / ratio)

    def _expected(self, ratio: float) -> int:
        source, target = self.checkpoint
        return math.floor(target + (self.shadow_source - source) * ratio + 0.5)

    def _out_hop(self, hop: int, ratio: float) -> int:
        ahead = self.shadow_target - self._expected(ratio)
        if abs(ahead) > 1000:
            back = ahead * hop / (self.rate_hz / 10.0)
        elif abs(ahead) > 100:
            back = ahead * hop / (self.rate_hz / 20.0)
        else:
            back = ahead / 4.0
        plain = round(hop * ratio)
        return min(max(round(plain - back), round(hop * ratio * 0.3)), round(hop * ratio * 2.0))

    def advanced(self, ratio: float, source: float) -> _Engine:
        """A copy that has taken blocks at `ratio` until its source frame is at or beyond `source`."""
        copy = replace(self)
        hop = self.hop(ratio)
        while copy.source < source:
            copy.block(ratio, hop)
        return copy


def _power_of_two(n: int) -> int:
    return 1 << max(0, n - 1).bit_length()


@dataclass(frozen=True)
class Wanted:
    """The map in the engine's own frames: source frame 0 and target frame 0 are where the program starts.

    `knots` has rows (source, target), strictly rising; before and after them the map goes on at `head_ratio`
    and `tail_ratio`.
    """

    knots: FloatArray
    head_ratio: float
    tail_ratio: float
    attack: float

    def slopes(self) -> FloatArray:
        """Ratios of all pieces, head and tail included: shape (k + 1,)."""
        inner = np.diff(self.knots[:, 1]) / np.diff(self.knots[:, 0])
        return np.concatenate(([self.head_ratio], inner, [self.tail_ratio]))

    def at(self, source: float) -> float:
        """Target frame for the engine's window at `source`, so that attacks fall where the map wants them."""
        place = source + self.attack
        (s0, t0), (s1, t1) = self.knots[0], self.knots[-1]
        if place < s0:
            return float(t0 + (place - s0) * self.head_ratio - self.attack)
        if place > s1:
            return float(t1 + (place - s1) * self.tail_ratio - self.attack)
        return float(np.interp(place, self.knots[:, 0], self.knots[:, 1])) - self.attack


@dataclass(frozen=True)
class Followed:
    """Key frames for the program, and how many frames the settled tail will be late against the map."""

    key_frames: list[tuple[int, int]]
    tail_lag_frames: int


def attack_frames(sample_rate_hz: int, *, pitch: float = 1.0) -> int:
    """How long before an attack the engine's frame lies, at any rate and where all is `pitch` times longer.

    It grows with the engine's windows, which are twice as long at 96 kHz.
    """
    at_44100 = ATTACK_FRAMES_AT_44100 + round(ATTACK_GROWTH_AT_44100 * (1.0 - 1.0 / pitch))
    return at_44100 * _power_of_two(math.ceil(sample_rate_hz / 16)) // 4096


def lead_frames(at_least: int, *, sample_rate_hz: int) -> int:
    """Length of a lead-in at ratio 1 after which the engine begins a block just where the knot needs it."""
    attack = attack_frames(sample_rate_hz)
    engine = _Engine.started(sample_rate_hz)
    while engine.source + attack < at_least:
        engine.block(1.0, engine.hop(1.0))
    return engine.source + attack


def follow(
    knots: FloatArray,
    *,
    head_ratio: float,
    tail_ratio: float,
    source_frames: int,
    sample_rate_hz: int,
    pitch: float = 1.0,
) -> Followed:
    """Key frames by which the engine follows `knots`, rows (source frame, target frame) that rise strictly.

    The first knot must lie at least half a second into the source and the last one half a second before its
    end (`source_frames`); the map goes on there at the two ratios. `pitch` is the part of all ratios, in the
    knots too, that changes the pitch and not the tempo.
    """
    attack = float(attack_frames(sample_rate_hz, pitch=pitch))
    wanted = Wanted(knots=knots, head_ratio=head_ratio, tail_ratio=tail_ratio, attack=attack)
    path = _Path(engine=_Engine.started(sample_rate_hz), key_frames=[(0, 0)])
    *inner, last = _stations(wanted)
    ways = [path]
    for source, corner in inner:
        ways = ways[0].to(source, wanted, corner=corner)
    path = _landed(ways, last, wanted)
    source, target = path.key_frames[-1]
    end = (source_frames, target + max(1, round((source_frames - source) * tail_ratio)))
    return Followed([*path.key_frames[1:], end], path.lag(wanted))


def _landed(ways: list[_Path], last: tuple[float, bool], wanted: Wanted) -> _Path:
    """The way over the last station that ends with source and target in step, or as nearly as found."""
    source, corner = last
    best: tuple[float, _Path] | None = None
    for path in ways[: _LANDINGS[0]]:
        for way in path.to(source, wanted, corner=corner, breadth=_LANDINGS[1]):
            cost = 64.0 * abs(way.lag(wanted)) + way.missed_frames + path.missed_frames
            if best is None or cost < best[0]:
                best = (cost, way)
        if best is not None and best[0] < 64.0:
            break
    assert best is not None  # every station can be reached
    return best[1]


def _stations(wanted: Wanted) -> Iterator[tuple[float, bool]]:
    """Where the engine's window is at each knot, and whether the ratio jumps there.

    Knots closer than two blocks to the one before are passed over, unless they are corners.
    """
    slopes = wanted.slopes()
    before = -math.inf
    last = len(wanted.knots) - 1
    for k, source in enumerate(wanted.knots[:, 0] - wanted.attack):
        corner = bool(abs(slopes[k + 1] - slopes[k]) > _CORNER)
        if k in (0, last) or corner or source - before > 2.0 * BLOCK_FRAMES:
            before = float(source)
            yield before, corner


@dataclass(frozen=True)
class _Path:
    """The engine at its last key frame, the key frames so far, and how far the last ones missed the map."""

    engine: _Engine
    key_frames: list[tuple[int, int]]
    missed_frames: float = 0.0

    def to(self, source: float, wanted: Wanted, *, corner: bool, breadth: int = 1) -> list[_Path]:
        """Ways to the first block at or after `source`; at a corner, by a block that bridges it.

        The best way to the bridge is followed, or the best `breadth` of them.
        """
        if not corner:
            return self._ways(math.ceil(source), wanted)
        begins = self._last_block_before(source, wanted)
        if begins <= self.engine.source:
            return self._ways(math.ceil(source), wanted)
        ways = []
        for near in self._ways(begins, wanted)[:breadth]:
            if near.engine.source >= source:
                ways.append(near)
            else:
                beyond = near.engine.advanced(near.engine.ratio, source).source
                ways += [
                    replace(way, missed_frames=way.missed_frames + near.missed_frames)
                    for way in near._ways(beyond, wanted)
                ]
        return ways

    def _last_block_before(self, source: float, wanted: Wanted) -> int:
        """Where the last block at or before `source` begins, if the engine goes straight there."""
        ratio = self._ratio(source, wanted)
        engine = replace(self.engine)
        begins = engine.source
        while engine.source <= source:
            begins = engine.source
            engine.block(ratio, engine.hop(ratio))
        return begins

    def _ratio(self, source: float, wanted: Wanted) -> float:
        distance = max(source - self.engine.source, 1.0)
        return min(max((wanted.at(source) - self.engine.target) / distance, 0.25), 4.0)

    def _ways(self, source: int, wanted: Wanted) -> list[_Path]:
        """Ways to the first block at or after `source` at one ratio, by how near they come to the map there.

        The engine rounds its hops, so that the plain ratio may miss by some frames; its neighbours are tried
        too.
        """
        last_source, last_target = self.key_frames[-1]
        distance = source - last_source
        plain = round(distance * self._ratio(source, wanted))
        ways = []
        for step in sorted(
            range(plain - _NUDGE_FRAMES, plain + _NUDGE_FRAMES + 1), key=lambda s: abs(s - plain)
        ):
            # At exactly 1 the engine jumps to the source's phases, which steady tones show as a dip. That
            # is for the lead-in and the tail alone.
            if step > 0 and (step != distance or last_source == 0):
                engine = self.engine.advanced(step / distance, source)
                missed = abs(engine.target - wanted.at(engine.source))
                ways.append(_Path(engine, [*self.key_frames, (source, last_target + step)], missed))
        return sorted(ways, key=lambda way: way.missed_frames)

    def lag(self, wanted: Wanted) -> int:
        """Whole frames by which the engine is late against the map once it has settled in the tail."""
        engine = self.engine.advanced(wanted.tail_ratio, self.engine.source + 16 * BLOCK_FRAMES)
        return round(engine.target - wanted.at(engine.source))
