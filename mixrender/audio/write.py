"""Writes sound: stereo float blocks go in; a WAV, FLAC or MP3 file comes out, tagged, all or nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import mutagen
import numpy as np
import soundfile
from numpy.typing import NDArray

from mixrender.audio.atomic import atomic_path, write_text_atomic, writing
from mixrender.audio.tags import OutputTags, id3_bytes, require_cover, tag_flac, tag_mp3
from mixrender.audio.wav import WavFile
from mixrender.dsp import dither
from mixrender.errors import InputError, MachineError

__all__ = ["OutputTags", "WriteResult", "atomic_path", "require_writable", "write_audio", "write_text_atomic"]

Format = Literal["wav", "flac", "mp3"]
Bits = Literal["16", "24", "float"]
Floats = NDArray[np.floating]
Samples = NDArray[Any]

MP3_RATES_HZ = (32000, 44100, 48000)
"""The rates of MPEG-1 layer III, the only ones that allow 320 kbit/s (ISO/IEC 11172-3)."""


@dataclass(frozen=True)
class WriteResult:
    """What was written: the path, its length in frames, and how many samples lay beyond full scale.

    In 16 and 24 bits those samples were clipped; in float WAV and MP3 they are kept, and a player clips them.
    """

    path: Path
    frames: int
    clipped_samples: int


def require_writable(*, sample_rate_hz: int, format: Format, bits: Bits) -> None:
    """Raise InputError, with the way out, if a format cannot hold such sound; before anything is rendered."""
    if format not in ("wav", "flac", "mp3"):
        raise InputError(f"The output format {format!r} is unknown; it can be wav, flac or mp3.")
    if bits not in ("16", "24", "float"):
        raise InputError(f"The output cannot have {bits!r} bits; it can have 16, 24 or float.")
    if format == "flac" and bits == "float":
        raise InputError("FLAC holds whole numbers only: take bits 24 (or 16), or the format wav for float.")
    if format == "mp3" and sample_rate_hz not in MP3_RATES_HZ:
        raise InputError(
            f"An MP3 of 320 kbit/s cannot have a rate of {sample_rate_hz} Hz: take 44100 (or 32000, 48000)."
        )


def write_audio(
    path: Path,
    blocks: Iterable[Floats],
    *,
    sample_rate_hz: int,
    format: Format,
    bits: Bits = "24",
    dither_seed: int = 0,
    tags: OutputTags | None = None,
    finish: Callable[[Path], None] | None = None,
) -> WriteResult:
    """Write blocks of shape (n, 2), nominal range [-1, 1], to `path`, all or nothing.

    16 bits are dithered (TPDF, the same noise for the same seed), 24 bits are rounded, and MP3 (320 kbit/s
    constant, where `bits` has no meaning) takes the floats themselves. The same blocks give the same bytes,
    however they are divided. `finish` may add to the file before it gets its name.

    Raises InputError if the format cannot hold it or there is no sound, MachineError if the disk is full or
    the folder closed; whatever `blocks` raises passes through, and nothing is left behind.
    """
    path = Path(path)
    require_writable(sample_rate_hz=sample_rate_hz, format=format, bits=bits)
    require_cover(tags)
    frames = 0
    with atomic_path(path) as part:
        with contextlib.ExitStack() as stack:
            with _faults(path):
                sink = stack.enter_context(_SINKS[format](part, sample_rate_hz, bits))
            prepare = _Quantiser(bits, dither_seed) if bits != "float" and format != "mp3" else _Plain()
            for block in blocks:
                _require_sound(block)
                samples = prepare(block)
                with _faults(path):
                    sink.write(samples)
                frames += len(block)
            if frames == 0:
                raise InputError(f"{path}: there is no sound to write.")
            with _faults(path):
                sink.complete(tags, frames / sample_rate_hz)
        if finish is not None:
            finish(part)
    return WriteResult(path, frames, prepare.over)


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
    """Makes whole numbers of floats, 16 bits with dither, and counts those that had to be clipped.

    libsndfile would round down, which moves everything by half a step and takes the dither off its centre.
    """

    def __init__(self, bits: Bits, dither_seed: int):
        self.over = 0
        self._bits: dither.Bits = 16 if bits == "16" else 24
        self._rng = dither.dither_generator(dither_seed)

    def __call__(self, block: Floats) -> Samples:
        found = dither.quantise(block, bits=self._bits, rng=self._rng, dither=self._bits == 16)
        self.over += found.clipped_samples
        return found.samples.astype("<i4")


class _Sink(Protocol):
    """An encoder under way, a context that closes its file."""

    def __enter__(self) -> _Sink: ...
    def __exit__(self, *error: object) -> None: ...

    def write(self, samples: Samples) -> None:
        """Encode samples of shape (n, 2): int32 that hold 16 or 24 bits, or float32."""

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        """Close the file, tagged."""


class _Wav:
    def __init__(self, part: Path, sample_rate_hz: int, bits: Bits):
        self._bits = bits
        self._file = WavFile(part, sample_rate_hz=sample_rate_hz, bits=32 if bits == "float" else int(bits))

    def __enter__(self) -> _Wav:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.abandon()

    def write(self, samples: Samples) -> None:
        if self._bits == "24":  # three of the four bytes, the lowest first
            low_bytes = samples.reshape(-1, 1).view(np.uint8)[:, :3]
            self._file.write(low_bytes.tobytes())
        else:
            self._file.write(samples.astype("<i2" if self._bits == "16" else "<f4", copy=False).tobytes())

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        self._file.close(id3=id3_bytes(tags, duration_s) if tags else b"")


class _Flac:
    def __init__(self, part: Path, sample_rate_hz: int, bits: Bits):
        self._part = part
        self._shift = 32 - int(bits)  # libsndfile wants the bits at the top of 32
        self._file = soundfile.SoundFile(
            str(part), "w", sample_rate_hz, 2, format="FLAC", subtype=f"PCM_{bits}"
        )

    def __enter__(self) -> _Flac:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.close()

    def write(self, samples: Samples) -> None:
        self._file.write(np.left_shift(samples, self._shift))

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        self._file.close()
        if tags:
            tag_flac(self._part, tags)


class _Mp3:
    def __init__(self, part: Path, sample_rate_hz: int, bits: Bits):
        self._part = part
        # Of the rates that a constant bit rate may have, the least compression takes the highest.
        self._file = soundfile.SoundFile(
            str(part),
            "w",
            sample_rate_hz,
            2,
            format="MP3",
            bitrate_mode="CONSTANT",
            compression_level=0.0,
        )

    def __enter__(self) -> _Mp3:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.close()

    def write(self, samples: Samples) -> None:
        self._file.write(samples)

    def complete(self, tags: OutputTags | None, duration_s: float) -> None:
        self._file.close()
        if tags:
            tag_mp3(self._part, tags, duration_s)


_SINKS: dict[Format, Callable[[Path, int, Bits], _Sink]] = {"wav": _Wav, "flac": _Flac, "mp3": _Mp3}


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
