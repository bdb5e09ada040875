"""When the points of a recipe's lanes move, and whether they do so one after the other in their overlap."""

from mixrender.plan.controls import EFFECTS
from mixrender.plan.model import Length


def times_bars(point, overlap_bars, beats_per_bar):
    """When a point begins to move and when its value is reached, in bars after the start of the overlap."""
    at = point.position.bars_into(overlap_bars)
    if not isinstance(point.move, Length):
        return at, at
    beats = point.move.beats or 0.0
    return at, at + (point.move.bars if point.move.bars is not None else beats / beats_per_bar)


def assert_inside(lanes, overlap_bars, beats_per_bar):
    """No move of any lane or event begins before the one ahead is over, nor lies outside of the overlap."""
    for name, lane in lanes.items():
        if any(point.position is None for point in lane):
            assert name.split(".")[0] in EFFECTS and len(lane) == 1  # a value that holds throughout
            continue
        times = [time for point in lane for time in times_bars(point, overlap_bars, beats_per_bar)]
        assert times == sorted(times), name
        assert times[0] >= 0.0 and times[-1] <= overlap_bars + 1e-12, name
