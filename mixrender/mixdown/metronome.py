"""A timeline to the beats that its clips can be clicked on, and those clicks over a mix."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from mixrender.dsp.click import Accent, clicks
from mixrender.mixdown.click_track import OVER_LOUD_PARTS_DB
from mixrender.mixdown.mix import Mix
from mixrender.timing.timeline import Timeline, TrackPlacement
from mixrender.units import FloatArray

DEFAULT_LEVEL_DBFS = -9.0
"""Peak of a plain click where no track's loudness can be measured."""

_ON_A_LINE_BARS = 0.01


@dataclass(frozen=True)
class Metronome:
    """Clicks at times of the mix, each with its accent; a plain one peaks at `level_db` dBFS."""

    times_s: tuple[float, ...]
    accents: tuple[Accent, ...]
    level_db: float

    def over(self, mix: Mix, start: int, stop: int) -> Iterator[FloatArray]:
        """The mix from frame `start` to `stop` with the clicks, block by block."""
        return self.added(mix.blocks(start, stop), start, sample_rate_hz=mix.sample_rate_hz)

    def added(self, blocks: Iterable[FloatArray], start: int, *, sample_rate_hz: int) -> Iterator[FloatArray]:
        """Blocks of a mix from frame `start` on with the clicks."""
        at = start
        for block in blocks:
            end = at + len(block)
            yield block + clicks(
                self.times_s,
                self.accents,
                at,
                end,
                sample_rate_hz=sample_rate_hz,
                level_db=self.level_db,
            )
            at = end


def metronome_of(timeline: Timeline, *, loud_lufs: float | None) -> Metronome:
    """Clicks on the beats of the grids that the mix goes by, as loud as suits music of that loudness.

    Between two transitions they are the beats of the track that plays there, in an overlap those of the
    outgoing one, so that what is off the click is off the grid. Bar lines have an accent, the start of each
    overlap and its end another.
    """
    _, times_s = timeline.beats()
    edges_s = [t for x in timeline.transitions for t in (x.start_s, x.end_s)]
    accents = [_accent(timeline, time_s, edges_s) for time_s in times_s]
    level_db = DEFAULT_LEVEL_DBFS if loud_lufs is None else loud_lufs + OVER_LOUD_PARTS_DB
    return Metronome(tuple(times_s), tuple(accents), level_db)


def _accent(timeline: Timeline, time_s: float, edges_s: list[float]) -> Accent:
    if any(abs(time_s - edge_s) < 1e-3 for edge_s in edges_s):
        return "section"
    track = _leading(timeline, time_s)
    if track.grid.kind == "none":
        return "beat"
    grid = track.order.file_grid or track.grid
    mix_beat = timeline.tempo_map.beat_at(time_s)
    bar = grid.beat_to_bar(grid.beat_at(track.source_s_at(mix_beat, timeline.tempo_map)))
    return "bar" if abs(bar - round(bar)) < _ON_A_LINE_BARS else "beat"


def _leading(timeline: Timeline, time_s: float) -> TrackPlacement:
    """The track whose beats are counted at a time: the outgoing one until its overlap ends."""
    index = sum(transition.end_s <= time_s + 1e-6 for transition in timeline.transitions)
    return timeline.tracks[index]
