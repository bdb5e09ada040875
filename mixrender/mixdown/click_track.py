"""A track and its facts in, the same track with a metronome on its beats out as a FLAC file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from mixrender.audio.read import read_blocks
from mixrender.audio.write import write_audio
from mixrender.dsp.click import LOUDEST_DB, Accent, clicks
from mixrender.errors import InputError
from mixrender.facts import TrackFacts
from mixrender.progress import Advance, NoProgress, Progress
from mixrender.units import FloatArray, db_to_gain, gain_to_db

OVER_LOUD_PARTS_DB = 9.0
"""Peak of a plain beat above the loudness of the track's loud parts: heard in music, no louder than a snare
(common practice, no source)."""

CEILING_DBFS = -1.0
_BLOCK_FRAMES = 65536


@dataclass(frozen=True)
class ClickTrack:
    """What was written: the file, and the constant gain of the track in it (0 dB or less)."""

    file: Path
    gain_db: float


def write_click_track(
    file: Path,
    facts: TrackFacts,
    out: Path,
    *,
    progress: Progress | None = None,
    block_frames: int = _BLOCK_FRAMES,
) -> ClickTrack:
    """Write `file` with a click on each beat of its grid to `out`: FLAC, 24 bits, the file's own rate.

    Bar lines and the first beats of sections have clicks of their own. The track is lowered by one constant
    gain so that it and the clicks together cannot clip. Raises InputError if the track has no beats,
    AudioError if it cannot be read, MachineError if `out` cannot be written.
    """
    if facts.grid.kind == "none":
        raise InputError(f"{file}: no beat was found in it, so there is nothing to click on.")
    times_s, accents = beats_of(facts)
    level_db, gain_db = levels(facts)
    with (progress or NoProgress()).task(
        f"Clicks for {file.name}", total=max(facts.duration_s, 1e-9)
    ) as advance:
        blocks = _blocks(
            file,
            times_s,
            accents,
            level_db=level_db,
            gain_db=gain_db,
            block_frames=block_frames,
            sample_rate_hz=facts.sample_rate_hz,
            advance=advance,
        )
        write_audio(out, blocks, sample_rate_hz=facts.sample_rate_hz, format="flac")
    return ClickTrack(out, gain_db)


def beats_of(facts: TrackFacts) -> tuple[list[float], list[Accent]]:
    """Times in seconds of all beats in the file, and what each one is."""
    grid = facts.grid
    sections = {grid.bar_to_beat(section.bar) for section in facts.sections}
    beats = grid.beats_within(facts.duration_s)
    times_s = [max(grid.time_at(beat), 0.0) for beat in beats]
    return times_s, [_accent(beat, grid.beats_per_bar, sections) for beat in beats]


def _accent(beat: int, beats_per_bar: int, sections: set[float]) -> Accent:
    if beat in sections:
        return "section"
    return "bar" if beat % beats_per_bar == 0 else "beat"


def levels(facts: TrackFacts) -> tuple[float, float]:
    """Peak of a plain beat in dBFS and the gain of the track in dB, in the file that is written.

    The clicks are lowered together with the track, so that their balance is the same in every file.
    """
    loudness = facts.loudness
    peak_dbfs = loudness.sample_peak_dbfs if loudness.sample_peak_dbfs is not None else 0.0
    loud_lufs = loudness.loud_lufs if loudness.loud_lufs is not None else loudness.integrated_lufs
    click_dbfs = (peak_dbfs - OVER_LOUD_PARTS_DB if loud_lufs is None else loud_lufs) + OVER_LOUD_PARTS_DB
    highest_dbfs = gain_to_db(db_to_gain(peak_dbfs) + db_to_gain(click_dbfs + LOUDEST_DB))
    gain_db = min(CEILING_DBFS - highest_dbfs, 0.0)
    return click_dbfs + gain_db, gain_db


def _blocks(
    file: Path,
    times_s: Sequence[float],
    accents: Sequence[Accent],
    *,
    level_db: float,
    gain_db: float,
    sample_rate_hz: int,
    block_frames: int,
    advance: Advance,
) -> Iterator[FloatArray]:
    frame = 0
    for block in read_blocks(file, block_frames=block_frames):
        stop = frame + len(block)
        metronome = clicks(times_s, accents, frame, stop, sample_rate_hz=sample_rate_hz, level_db=level_db)
        yield block * db_to_gain(gain_db) + metronome
        advance(len(block) / sample_rate_hz)
        frame = stop
