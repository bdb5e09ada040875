"""A track that has been placed on the beats of the mix to its place in the timeline, in seconds too."""

from __future__ import annotations

from mixrender.timing.match_key import sounding_key
from mixrender.timing.moves import MovePoint
from mixrender.timing.placement import EDGE_S, Placed
from mixrender.timing.play_order import Patch
from mixrender.timing.spans import close
from mixrender.timing.tempo_map import TempoMap
from mixrender.timing.timeline import TrackPlacement


def track_placement(
    placed: Placed,
    *,
    index: int,
    tempo_map: TempoMap,
    lanes: dict[str, tuple[MovePoint, ...]],
    patches: tuple[Patch, ...],
    shift_semitones: float,
    edge_s: float = EDGE_S,
    fade_in_bars: float = 0.0,
    fade_out_bars: float = 0.0,
) -> TrackPlacement:
    """The placement of a track or layer; it comes up in `edge_s`, the fades count its own bars."""
    side = placed.side
    track = side.track
    bar_beats = side.grid.beats_per_bar / placed.rate
    return TrackPlacement(
        index=index,
        name=track.name,
        file=track.path,
        facts=side.facts,
        grid=side.grid,
        rate=placed.rate,
        spans=close(placed.spans, placed.end_beat),
        start_beat=placed.start_beat,
        end_beat=placed.end_beat,
        start_s=max(tempo_map.time_at(placed.start_beat) - edge_s, 0.0),
        end_s=tempo_map.time_at(placed.end_beat),
        lanes=lanes,
        key=sounding_key(track, side.facts, shift_semitones),
        gain_db=track.gain_db,
        shift_s=placed.shift_s,
        fade_in_beats=fade_in_bars * bar_beats,
        fade_out_beats=fade_out_bars * bar_beats,
        key_lock=track.key_lock,
        shift_semitones=shift_semitones,
        formants=track.formants,
        order=side.order,
        patches=patches,
    )
