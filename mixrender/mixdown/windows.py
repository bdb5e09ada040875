"""Windows of a mix to what they need: the voices they hear, which tracks sound in them, what is stretched."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mixrender.mixdown.voices import reach
from mixrender.timing.pieces import Piece, Warp
from mixrender.timing.tails import needed_from_s
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import Timeline, TrackPlacement, VoicePlacement
from mixrender.units import seconds_to_frames

CUT_BEFORE_S = 2.0
CUT_AFTER_S = 1.5
CUT_WORTH_S = 20.0
"""A clip stretches a held tempo from this long before it to this long after it, where that saves enough."""

Window = tuple[int, int]
"""Mix frames from a start up to a stop."""


def with_voices(
    timeline: Timeline, windows: Sequence[Window], rate_hz: int
) -> tuple[list[VoicePlacement], list[Window]]:
    """The voices that the windows hear, and windows in which the music under each can be read throughout."""
    spans = [(voice, reach(voice, timeline.tempo_map, sample_rate_hz=rate_hz)) for voice in timeline.voices]
    heard = [(voice, span) for voice, span in spans if any(_meet(window, span) for window in windows)]
    inside = [any(a <= span[0] and span[1] <= b for a, b in windows) for _, span in heard]
    more = [span for (_, span), is_inside in zip(heard, inside, strict=True) if not is_inside]
    return [voice for voice, _ in heard], [*windows, *more]


def needed_warps(
    track: TrackPlacement,
    pieces: Sequence[Piece],
    windows: Sequence[Window],
    tempo_map: TempoMap,
    rate_hz: int,
) -> list[Warp]:
    """The warped pieces of a track that the windows need, or the parts of them where a tempo is held."""
    audible = _audible(track, rate_hz)
    heard = [w for w in _reaching_back(track, windows, tempo_map, rate_hz) if _meet(w, audible)]
    found: list[Warp] = []
    for warp in pieces:
        needed = [w for w in heard if _meet(w, (warp.start, warp.stop))]
        if isinstance(warp, Warp) and needed:
            found += (_cuts(warp, needed, rate_hz) if track.key_lock else None) or [warp]
    return found


def is_heard(track: TrackPlacement, windows: Sequence[Window], tempo_map: TempoMap, rate_hz: int) -> bool:
    """Whether a track, or what rings on of it, sounds in one of the windows."""
    audible = _audible(track, rate_hz)
    return any(_meet(window, audible) for window in _reaching_back(track, windows, tempo_map, rate_hz))


def _audible(track: TrackPlacement, rate_hz: int) -> Window:
    return seconds_to_frames(track.start_s, rate_hz), seconds_to_frames(track.end_s, rate_hz)


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
