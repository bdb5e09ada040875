"""Source frames and key frames go in; sound stretched by `rubberband`, run through pyrubberband, comes out.

pyrubberband (0.4) writes its files in 16 bits, lets the program lower the gain of hot masters, throws the
program's messages away, waits for ever, and changes the arguments it is given. None of that can be reached
through its own arguments. So each call here runs a private copy of its module in which the names `sf`,
`subprocess` and `tempfile` are bound to one job's own: calls in several threads share nothing, and the
pyrubberband that other code imports stays as it is.
"""

from __future__ import annotations

import importlib.util
import math
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from mixrender.audio import programs
from mixrender.errors import InputError, MachineError, ToolError

ADAPTER_VERSION = "1"
"""Raised whenever the same input would give other samples, so that what is kept on disk is made anew."""

Frames = NDArray[np.float32]
ReadFrames = Callable[[int, int], Frames]

_BLOCK_FRAMES = 65536
_HEADROOM_BITS = 2
_LARGEST_RAISE_BITS = 24
_LONGEST_FRAMES = 2**28
"""A WAV file counts its bytes in 32 bits; this is half of that, 93 minutes of stereo at 48 kHz."""


def stretch(
    read: ReadFrames,
    *,
    key_frames: Sequence[tuple[int, int]],
    sample_rate_hz: int,
    out: Path,
) -> int:
    """Stretch source frames [0, s) to target frames [0, t), where (s, t) is the last key frame; returns t.

    `read(start, stop)` gives source frames as float32 of shape (stop - start, 2). `key_frames` are pairs
    (source frame, target frame), whole, above 0 and strictly rising in both; the program keeps one ratio
    between two of them, and the first ratio runs from (0, 0), which must not be written down: the engine
    would divide 0 by 0 and run at 1. `out` receives raw interleaved float32 stereo, exactly t frames.

    Raises ValueError for key frames that are out of order or missing; InputError for samples that are not
    finite; ToolError if the program is missing, fails, takes too long, clips, or gives another length;
    MachineError without room for the temporary files, which lie beside `out`.
    """
    pairs = _checked_map(key_frames)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".stretch-", dir=out.parent) as folder:
        job = _Job(
            read=read,
            source_frames=pairs[-1][0],
            target_frames=pairs[-1][1],
            sample_rate_hz=sample_rate_hz,
            folder=Path(folder),
            out=out,
        )
        placeholder = np.broadcast_to(np.float32(0.0), (job.source_frames, 2))
        try:
            result = job.pyrubberband().timemap_stretch(
                placeholder, sample_rate_hz, pairs, rbargs=_arguments()
            )
        except OSError as error:
            raise MachineError(f"cannot stretch in {out.parent}: {error}; is the disk full?") from error
    if job.steps != ["write", "run", "read"] or len(result) != job.target_frames:
        raise ToolError("the installed pyrubberband works in a way this program does not know; install 0.4.0")
    return job.target_frames


def program_version() -> str:
    """The version of the `rubberband` program that is used; ToolError if there is none."""
    return programs.version("rubberband", programs.rubberband())


def _arguments() -> dict[str, str]:
    """The program's options, in a new dict per call: pyrubberband adds its own to what it is given."""
    # Without --ignore-clipping the program would start again with less gain; clipping is looked for later.
    return {"-3": "", "--centre-focus": "", "--ignore-clipping": ""}


def _checked_map(key_frames: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Key frames as whole numbers, refused unless they rise strictly from above (0, 0)."""
    pairs = [(int(source), int(target)) for source, target in key_frames]
    if not pairs:
        raise ValueError("there is nothing to stretch: the map has no key frames")
    if pairs != [tuple(pair) for pair in key_frames]:
        raise ValueError("key frames must be whole frames")
    before = (0, 0)
    for pair in pairs:
        if pair[0] <= before[0] or pair[1] <= before[1]:
            raise ValueError(f"key frames must rise strictly on both axes, but {pair} follows {before}")
        before = pair
    if max(before) > _LONGEST_FRAMES:
        raise ValueError(f"at most {_LONGEST_FRAMES} frames can be stretched in one piece, not {max(before)}")
    return pairs


@dataclass
class _Job:
    """One call: what it reads, where it writes, and what pyrubberband sees instead of the real modules."""

    read: ReadFrames
    source_frames: int
    target_frames: int
    sample_rate_hz: int
    folder: Path
    out: Path
    scale: float = 2.0**-_HEADROOM_BITS
    steps: list[str] = field(default_factory=list)

    def pyrubberband(self) -> ModuleType:
        """A copy of pyrubberband's module whose files and processes are this job's."""
        spec = importlib.util.find_spec("pyrubberband.pyrb")
        if spec is None or spec.loader is None:
            raise ToolError("pyrubberband is not installed; run: pip install 'pyrubberband>=0.4'")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        module.__dict__.update(
            sf=SimpleNamespace(write=self.write, read=self.read_back),
            subprocess=SimpleNamespace(check_call=self.run, DEVNULL=subprocess.DEVNULL),
            tempfile=SimpleNamespace(mkstemp=self._mkstemp, NamedTemporaryFile=self._named_file),
        )
        return module

    # Temporary files lie in the job's own folder, which goes as a whole, whatever happens.

    def _mkstemp(self, suffix: str) -> tuple[int, str]:
        return tempfile.mkstemp(suffix=suffix, dir=self.folder)

    def _named_file(self, mode: str, suffix: str, delete: bool) -> object:
        return tempfile.NamedTemporaryFile(mode=mode, suffix=suffix, delete=delete, dir=self.folder)

    # What pyrubberband calls, in this order. Its arrays are placeholders without storage: the sound passes
    # in blocks.

    def write(self, path: str, y: Frames, sr: int) -> None:
        """Write the source as 32-bit floats, scaled by a power of two to a peak between -18 and -12 dB.

        A master's peak gives 2^-2. What is quieter as a whole is raised: the engine takes the phase of faint
        sound for noise (a tone at -60 dB came out of it without its pitch).
        """
        self.steps.append("write")
        peak = max(self._peak(start, block) for start, block in self._source_blocks())
        if peak > 0.0:
            self.scale = 2.0 ** min(-_HEADROOM_BITS - math.ceil(math.log2(peak)), _LARGEST_RAISE_BITS)
        with sf.SoundFile(path, "w", self.sample_rate_hz, 2, "FLOAT", format="WAV") as file:
            for _, block in self._source_blocks():
                self._put(file, block * np.float32(self.scale))

    @staticmethod
    def _peak(start: int, block: Frames) -> float:
        peak = float(np.max(np.abs(block)))  # what is not a number or infinite comes through max
        if not math.isfinite(peak):
            raise InputError(f"sound to be stretched is not finite near frame {start}")
        return peak

    def _put(self, file: sf.SoundFile, block: Frames) -> None:
        try:
            file.write(block)
        except (OSError, sf.LibsndfileError) as error:
            raise MachineError(f"cannot write in {self.folder}: {error}; is the disk full?") from error

    def _source_blocks(self) -> Iterator[tuple[int, Frames]]:
        for start in range(0, self.source_frames, _BLOCK_FRAMES):
            stop = min(start + _BLOCK_FRAMES, self.source_frames)
            block = self.read(start, stop)
            if block.shape != (stop - start, 2):
                raise ValueError(f"source gave {block.shape} for frames {start} to {stop}")
            yield start, block

    def run(self, arguments: list[str], **_: object) -> None:
        """Run the program, with a time limit; its messages become part of the error."""
        self.steps.append("run")
        # R3 works at ten times real time; four times slower than real time means that it hangs.
        timeout_s = 120.0 + 4.0 * max(self.source_frames, self.target_frames) / self.sample_rate_hz
        programs.run([programs.rubberband(), *arguments[1:]], timeout_s=timeout_s)

    def read_back(self, path: str, always_2d: bool, dtype: object) -> tuple[Frames, int]:
        """Move the program's output to `out` at the source's scale, cut or filled to the exact length."""
        self.steps.append("read")
        try:
            with sf.SoundFile(path) as file:
                self._check_format(file)
                self._copy(file)
        except sf.LibsndfileError as error:
            raise ToolError(f"rubberband left no sound that can be read: {error}") from error
        return np.broadcast_to(np.float32(0.0), (self.target_frames, 2)), self.sample_rate_hz

    def _check_format(self, file: sf.SoundFile) -> None:
        if file.subtype != "FLOAT" or file.channels != 2:
            raise ToolError(f"rubberband gave {file.channels} channels of {file.subtype}, not 2 of FLOAT")
        if abs(file.frames - self.target_frames) > 1:
            raise ToolError(f"rubberband gave {file.frames} frames where {self.target_frames} were asked for")

    def _copy(self, file: sf.SoundFile) -> None:
        left = self.target_frames
        try:
            with self.out.open("wb") as out:
                while left:
                    block = file.read(min(_BLOCK_FRAMES, left), dtype="float32", always_2d=True)
                    if not len(block):
                        block = np.zeros((left, 2), dtype=np.float32)
                    self._check_samples(block)
                    out.write((block * np.float32(1.0 / self.scale)).astype("<f4", copy=False).tobytes())
                    left -= len(block)
        except OSError as error:
            # pyrubberband would turn an OSError into "not installed".
            raise MachineError(f"cannot write {self.out}: {error}") from error

    @staticmethod
    def _check_samples(block: Frames) -> None:
        if not np.max(np.abs(block)) < 1.0:
            raise ToolError(
                "rubberband clipped in spite of 12 dB of headroom, or gave samples that are not finite"
            )
