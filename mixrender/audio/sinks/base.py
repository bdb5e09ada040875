"""What every encoder is asked for and has to do: the wishes go in, a sink that takes samples comes out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from mixrender.audio.tags import OutputTags
from mixrender.formats import Bits

Samples = NDArray[Any]
"""Shape (n, 2): int32 that hold 16 or 24 bits, or float32, nominal range [-1, 1]."""


@dataclass(frozen=True)
class Wish:
    """The file to write, `part`, and how: `kbit_s` counts for lossy formats, `bits` for the others."""

    part: Path
    sample_rate_hz: int
    bits: Bits
    kbit_s: int


class Sink(Protocol):
    """An encoder under way, a context that closes its file whatever happens."""

    def __enter__(self) -> Sink: ...
    def __exit__(self, *error: object) -> None: ...

    def write(self, samples: Samples) -> None:
        """Encode some frames more."""

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""
