"""A clip's sound while it is mixed to what a picture of it shows: envelopes, low ends, loudness over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Columns = NDArray[np.float32]
"""One figure for each column of a picture, from the clip's start on."""


@dataclass(frozen=True, eq=False)
class StripTrace:
    """One track or layer in a clip; `index` is its place in the timeline's `sounding`.

    Per column: `source` is the peak of its sound in front of all moves, with its constant gain, and `heard`
    that of what it adds to the mix, both linear; `low_db` the RMS level of the latter below the first band
    edge, in dBFS, -inf where it is silent.
    """

    index: int
    side: Literal["from", "to", "layer"]
    source: Columns
    heard: Columns
    low_db: Columns


@dataclass(frozen=True, eq=False)
class ClipTrace:
    """A clip over time, in columns of `column_s` seconds from its start on.

    `strips` are the outgoing track, the incoming one, then layers. `momentary_lufs` and `short_term_lufs` are
    those of the clip as written, at the end of each column; NaN where there is nothing to measure.
    """

    column_s: float
    strips: tuple[StripTrace, ...]
    momentary_lufs: Columns
    short_term_lufs: Columns
