"""Writes sound: stereo float blocks go in; a file of any format comes out, tagged, all or nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import mutagen
import numpy as np
import soundfile
from numpy.typing import NDArray

from mixrender.audio.atomic import atomic_path, write_text_atomic, writing
from mixrender.audio.sinks.base import Samples, Sink, Wish
from mixrender.audio.sinks.m4a import M4a, require_aac
from mixrender.audio.sinks.mp3 import Mp3
from mixrender.audio.sinks.ogg import Opus, Vorbis
from mixrender.audio.sinks.whole_numbers import HEAD_BYTES, Aiff, Flac, Wav
from mixrender.audio.tags import OutputTags, require_cover
from mixrender.dsp import dither
from mixrender.errors import InputError, MachineError
from mixrender.formats import BIT_WORDS, FORMATS, Bits, FormatName, unfit

__all__ = [
    "OutputTags",
    "WriteResult",
    "atomic_path",
    "encode",
    "require_writable",
    "write_audio",
    "write_text_atomic",
]

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class WriteResult:
    """What was written: the path, its length in frames, and how many samples lay beyond full scale.

    In 16 and 24 bits those samples were clipped; in float WAV and lossy files they are kept, and a player
    clips them.
    """

    path: Path
    frames: int
    clipped_samples: int


def require_writable(
    *,
    sample_rate_hz: int,
    format: FormatName,
    bits: Bits,
    kbit_s: int | None = None,
    frames: int = 0,
) -> None:
    """Raise InputError, with the way out, if a format cannot hold such sound; before anything is rendered.

    Raises ToolError if its encoder is missing.
    """
    if format not in FORMATS:
        raise InputError(f"The output format {format!r} is unknown; it can be {', '.join(FORMATS)}.")
    if bits not in BIT_WORDS:
        raise InputError(f"The output cannot have {bits!r} bits; it can have {', '.join(BIT_WORDS)}.")
    kind = FORMATS[format]
    its_bits = None if kind.is_lossy else bits
    faults = [text for _, text in unfit(format, bits=its_bits, rate_hz=sample_rate_hz, kbit_s=kbit_s)]
    if not faults and kind.largest_bytes is not None:
        sound_bytes = frames * 2 * int(bits) // 8
        if sound_bytes > kind.largest_bytes - HEAD_BYTES:
            faults.append(f"{kind.title} ends at 4 GiB, and this is longer; write `format: wav`")
    if faults:
        raise InputError("\n".join(faults))
    if format == "m4a":
        require_aac()


def write_audio(
    path: Path,
    blocks: Iterable[Floats],
    *,
    sample_rate_hz: int,
    format: FormatName,
    bits: Bits = "24",
    kbit_s: int | None = None,
    dither_seed: int = 0,
    tags: OutputTags | None = None,
) -> WriteResult:
    """Write blocks of shape (n, 2), nominal range [-1, 1], to `path`, all or nothing.

    What is written, and the faults, are those of `encode`; whatever `blocks` raises passes through, and
    nothing is left behind.
    """
    path = Path(path)
    require_writable(sample_rate_hz=sample_rate_hz, format=format, bits=bits, kbit_s=kbit_s)
    require_cover(tags)
    with atomic_path(path) as part:
        return encode(
            part,
            blocks,
            final=path,
            sample_rate_hz=sample_rate_hz,
            format=format,
            bits=bits,
            kbit_s=kbit_s,
            dither_seed=dither_seed,
            tags=tags,
        )


def encode(
    part: Path,
    blocks: Iterable[Floats],
    *,
    final: Path,
    sample_rate_hz: int,
    format: FormatName,
    bits: Bits = "24",
    kbit_s: int | None = None,
    dither_seed: int = 0,
    tags: OutputTags | None = None,
) -> WriteResult:
    """Write blocks of shape (n, 2), nominal range [-1, 1], to `part`, which is to become `final`.

    Whole numbers are dithered as `dsp.dither` does it, the same noise for the same seed; lossy formats take
    the floats themselves, and `bits` means nothing to them. `kbit_s` None: the format's own. The same blocks
    give the same bytes, however they are divided.

    Raises InputError if the format cannot hold it or there is no sound, MachineError if the disk is full,
    ToolError if an encoder is missing or fails.
    """
    kind = FORMATS[format]
    wish = Wish(part, sample_rate_hz, bits, kbit_s or kind.default_kbit_s)
    frames = 0
    with contextlib.ExitStack() as stack:
        with _faults(final):
            sink = stack.enter_context(_SINKS[format](wish))
        prepare = _Plain() if kind.is_lossy or bits == "float" else _Quantiser(bits, dither_seed)
        for block in blocks:
            _require_sound(block)
            samples = prepare(block)
            with _faults(final):
                sink.write(samples)
            frames += len(block)
        if frames == 0:
            raise InputError(f"{final}: there is no sound to write.")
        with _faults(final):
            sink.complete(tags, frames / sample_rate_hz)
    return WriteResult(final, frames, prepare.over)


def _require_sound(block: Floats) -> None:
    if block.ndim != 2 or block.shape[1] != 2:
        raise ValueError(f"a block has the shape {block.shape}; it must be (n, 2)")
    if not np.isfinite(block).all():
        raise ValueError("a block to be written holds samples that are not finite")


class _Plain:
    """Hands floats on as they are, and counts those beyond full scale."""

    def __init__(self) -> None:
        self.over = 0

    def __call__(self, block: Floats) -> Samples:
        self.over += int(np.count_nonzero(np.abs(block) > 1.0))
        return np.ascontiguousarray(block, dtype="<f4")


class _Quantiser:
    """Makes whole numbers of floats, with dither, and counts those that had to be clipped.

    libsndfile would round down, which moves everything by half a step and takes the dither off its centre.
    Silence is dithered as well: noise that came and went with the sound would be heard to do so.
    """

    def __init__(self, bits: Bits, dither_seed: int):
        self.over = 0
        self._bits: dither.Bits = 16 if bits == "16" else 24
        self._rng = dither.dither_generator(dither_seed)

    def __call__(self, block: Floats) -> Samples:
        found = dither.quantise(block, bits=self._bits, rng=self._rng)
        self.over += found.clipped_samples
        return found.samples.astype("<i4")


_SINKS: dict[FormatName, Callable[[Wish], Sink]] = {
    "flac": Flac,
    "wav": Wav,
    "aiff": Aiff,
    "mp3": Mp3,
    "opus": Opus,
    "vorbis": Vorbis,
    "m4a": M4a,
}


@contextlib.contextmanager
def _faults(final: Path) -> Iterator[None]:
    """What the system or the encoder says while `final` is written, as one clear message."""
    with writing(final):
        try:
            yield
        except (soundfile.LibsndfileError, mutagen.MutagenError) as error:
            cause = error.__cause__ or error.__context__ or (error.args[0] if error.args else None)
            if isinstance(cause, OSError):
                raise cause from error
            raise MachineError(f"{final}: it cannot be written ({error}). Is the disk full?") from error
