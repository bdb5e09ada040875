"""A timeline in, its tracks drawn as staggered bars over time, and its transitions, out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from mixrender.report.picture_page import fitted, width_px
from mixrender.report.picture_style import INK, LIGHT, MID, TEXT_PT, put
from mixrender.timing.timeline import Timeline
from mixrender.units import format_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LANE_PX, NUMBERS_PX, NAMES_PX = 26.0, 24.0, 150.0
"""Heights of a lane, of the row of the transitions' numbers, and of names that stand upright."""

_SHADE = "#ececec"
_MOST_EDGED = 40  # beyond so many transitions their edges would be all that is seen
_UPRIGHT_PX = 15.0
_LEAST_NAME_PX = 60.0
_ROOM_PX = 8.0
_TICK_STEPS_S = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_MOST_TICKS = 20


def lanes_of(timeline: Timeline) -> list[int]:
    """The lane of each track, from 0: the first in which no other track still plays."""
    ends_s: list[float] = []
    lanes: list[int] = []
    for track in timeline.tracks:
        free = [lane for lane, end_s in enumerate(ends_s) if end_s <= track.start_s and lane != _last(lanes)]
        lane = free[0] if free else len(ends_s)
        ends_s[lane : lane + 1] = [track.end_s]
        lanes.append(lane)
    return lanes


def _last(lanes: list[int]) -> int | None:
    """The lane of the track before: the next one stands in another, so that each begins where it is seen."""
    return lanes[-1] if lanes else None


def names_stand_upright(timeline: Timeline, *, wide_px: float) -> bool:
    """Whether some names are too long for their tracks' bars, so that all stand below them."""
    return any(
        room < width_px(fitted(track.name, _LEAST_NAME_PX)) or room < _UPRIGHT_PX
        for track, room in zip(timeline.tracks, _rooms_px(timeline, wide_px), strict=True)
    )


def height_px(timeline: Timeline, *, wide_px: float) -> float:
    """How much room the tracks of a timeline take."""
    names = NAMES_PX if names_stand_upright(timeline, wide_px=wide_px) else 0.0
    return NUMBERS_PX + LANE_PX * (max(lanes_of(timeline)) + 1) + names


def draw_tracks(axes: Axes, timeline: Timeline, *, wide_px: float) -> None:
    """Tracks as bars with their names, the numbers of transitions above them; axes in pixels downwards."""
    high_px = height_px(timeline, wide_px=wide_px)
    axes.set(ylim=(high_px, 0.0), yticks=[])
    lanes = lanes_of(timeline)
    bars_px = NUMBERS_PX + LANE_PX * (max(lanes) + 1)
    shade_transitions(axes, timeline, down_to=1.0 - bars_px / high_px)
    for track, lane in zip(timeline.tracks, lanes, strict=True):
        axes.barh(
            NUMBERS_PX + LANE_PX * (lane + 0.5),
            track.end_s - track.start_s,
            LANE_PX - 4.0,
            left=track.start_s,
            facecolor="white" if track.index % 2 else LIGHT,
            edgecolor=INK,
            lw=0.8,
            gid="track",
        )
    _draw_numbers(axes, timeline, wide_px)
    if names_stand_upright(timeline, wide_px=wide_px):
        _draw_upright(axes, timeline, wide_px, top_px=bars_px)
    else:
        _draw_inside(axes, timeline, lanes, wide_px)


def _rooms_px(timeline: Timeline, wide_px: float) -> list[float]:
    scale = wide_px / timeline.duration_s
    return [(track.end_s - track.start_s) * scale - _ROOM_PX for track in timeline.tracks]


def _draw_inside(axes: Axes, timeline: Timeline, lanes: list[int], wide_px: float) -> None:
    rooms = _rooms_px(timeline, wide_px)
    for track, lane, room_px in zip(timeline.tracks, lanes, rooms, strict=True):
        middle_s, down_px = (track.start_s + track.end_s) / 2.0, NUMBERS_PX + LANE_PX * (lane + 0.5)
        put(axes, middle_s, down_px, fitted(track.name, room_px), ha="center", va="center_baseline")


def _draw_upright(axes: Axes, timeline: Timeline, wide_px: float, *, top_px: float) -> None:
    """Names below the bars, as many as there is room for."""
    middles = [(track.start_s + track.end_s) / 2.0 for track in timeline.tracks]
    kept = apart([middle * wide_px / timeline.duration_s for middle in middles], [_UPRIGHT_PX] * len(middles))
    for i in kept:
        words = fitted(timeline.tracks[i].name, NAMES_PX - 8.0)
        put(axes, middles[i], top_px + 3.0, words, rotation=90, ha="center", va="top")


def _draw_numbers(axes: Axes, timeline: Timeline, wide_px: float) -> None:
    places = [(t.start_s + t.end_s) / 2.0 for t in timeline.transitions]
    words = [str(t.index) for t in timeline.transitions]
    widths = [width_px(word) + 6.0 for word in words]
    for i in apart([place * wide_px / timeline.duration_s for place in places], widths):
        put(axes, places[i], NUMBERS_PX / 2.0, words[i], ha="center", va="center_baseline", weight="bold")


def apart(centres: list[float], widths: list[float]) -> list[int]:
    """Indices of things, given in the order of their importance, that do not overlap those before them."""
    kept: list[int] = []
    for i, (centre, width) in enumerate(zip(centres, widths, strict=True)):
        if all(abs(centre - centres[k]) >= (width + widths[k]) / 2.0 for k in kept):
            kept.append(i)
    return kept


def shade_transitions(axes: Axes, timeline: Timeline, *, down_to: float = 0.0) -> None:
    """Grey behind everything where two tracks overlap, a line where one is cut to the next.

    It reaches from the top of the axes to `down_to`, a share of their height.
    """
    edge = 0.6 if len(timeline.transitions) <= _MOST_EDGED else 0.0
    for transition in timeline.transitions:
        span_s = transition.start_s, max(transition.end_s, transition.start_s)
        lw = edge if span_s[1] > span_s[0] else 0.6
        look: dict[str, Any] = {"facecolor": _SHADE, "edgecolor": MID, "lw": lw, "zorder": 0}
        axes.axvspan(*span_s, ymin=down_to, gid="transition", **look)


def time_ticks_s(duration_s: float) -> list[float]:
    """Times at even distances, as many as there is room for."""
    step_s = next((s for s in _TICK_STEPS_S if duration_s / s <= _MOST_TICKS), _TICK_STEPS_S[-1])
    return [float(t) for t in np.arange(0.0, duration_s + 1e-9, step_s)]


def show_times(axes: Axes, duration_s: float) -> None:
    """Minutes and seconds below axes."""
    times_s = time_ticks_s(duration_s)
    axes.set_xticks(times_s, [format_time(t).removesuffix(".0") for t in times_s])
    axes.set_xlabel("minutes and seconds of the mix", fontsize=TEXT_PT, labelpad=2.0, color=MID)
