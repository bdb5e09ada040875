"""Published loudness targets by name, each with its document and its figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Target:
    """A published target: integrated loudness in LUFS, highest true peak in dBTP, and where that stands."""

    name: str
    document: str
    integrated_lufs: float
    true_peak_dbtp: float


TARGETS: Mapping[str, Target] = MappingProxyType(
    {
        "ebu r 128": Target("EBU R 128", "EBU R 128, version 5 (2023)", -23.0, -1.0),
    }
)
"""Every target by its name in small letters. No document sets a target for DJ mixes."""
