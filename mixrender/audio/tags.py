"""Tags of a finished mix: title, artist, date, cover, chapters go in; what each kind of file has comes out.

MP3, WAV and AIFF have ID3v2.3, FLAC, Vorbis and Opus have Vorbis comments, M4A has its own atoms, which know
no chapters.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mutagen.aiff
import mutagen.flac
import mutagen.id3
import mutagen.mp4
import mutagen.oggopus
import mutagen.oggvorbis

from mixrender.errors import InputError

MAX_ID3_CHAPTERS = 255
"""CTOC counts its entries in 8 bits (ID3v2 Chapter Frame Addendum 1.0)."""

MAX_VORBIS_CHAPTERS = 1000
"""CHAPTER000 to CHAPTER999 (Xiph wiki, Chapter Extension)."""

flac: Any = mutagen.flac  # mutagen says that it is typed, but its classes are not
id3: Any = mutagen.id3
aiff: Any = mutagen.aiff
mp4: Any = mutagen.mp4
ogg_opus: Any = mutagen.oggopus
ogg_vorbis: Any = mutagen.oggvorbis

_NO_OFFSET = 0xFFFF_FFFF
_FRONT_COVER = 3


@dataclass(frozen=True)
class Chapter:
    """A named place of the mix, at `start_s` seconds of the file."""

    start_s: float
    title: str


@dataclass(frozen=True)
class OutputTags:
    """What a finished file says of itself: `date` is a year or an ISO date, `cover` a JPEG or PNG file."""

    title: str | None = None
    artist: str | None = None
    date: str | None = None
    cover: bytes | None = None
    chapters: Sequence[Chapter] = ()


def require_cover(tags: OutputTags | None) -> None:
    """Raise InputError unless the cover, if there is one, is a JPEG or PNG picture."""
    if tags and tags.cover is not None:
        _mime(tags.cover)


def tag_flac(path: Path, tags: OutputTags) -> None:
    """Write Vorbis comments and the cover into a FLAC file; times of chapters are in milliseconds."""
    file = flac.FLAC(path)
    _put_comments(file, tags)
    if tags.cover is not None:
        file.add_picture(_picture(tags.cover))
    file.save()


def tag_vorbis(path: Path, tags: OutputTags) -> None:
    """Write Vorbis comments, the cover among them, into an Ogg file of Vorbis."""
    _tag_ogg(ogg_vorbis.OggVorbis(path), tags)


def tag_opus(path: Path, tags: OutputTags) -> None:
    """Write Vorbis comments, the cover among them, into an Ogg file of Opus."""
    _tag_ogg(ogg_opus.OggOpus(path), tags)


def _tag_ogg(file: Any, tags: OutputTags) -> None:
    _put_comments(file, tags)
    if tags.cover is not None:  # a FLAC picture block in base64 (Xiph wiki, VorbisComment, cover art)
        block = base64.b64encode(_picture(tags.cover).write()).decode("ascii")
        file["metadata_block_picture"] = [block]
    file.save(padding=lambda info: 0)


def _put_comments(file: Any, tags: OutputTags) -> None:
    for name, value in (("title", tags.title), ("artist", tags.artist), ("date", tags.date)):
        if value:
            file[name] = value
    for number, chapter in enumerate(tags.chapters[:MAX_VORBIS_CHAPTERS]):
        file[f"CHAPTER{number:03d}"] = _clock(chapter.start_s)
        file[f"CHAPTER{number:03d}NAME"] = chapter.title


def _picture(cover: bytes) -> Any:
    picture = flac.Picture()
    picture.type, picture.mime, picture.data = _FRONT_COVER, _mime(cover), cover
    return picture


def tag_m4a(path: Path, tags: OutputTags) -> None:
    """Write title, artist, date and cover into an M4A file; chapters have no place there."""
    file = mp4.MP4(path)
    for atom, value in (("\xa9nam", tags.title), ("\xa9ART", tags.artist), ("\xa9day", tags.date)):
        if value:
            file[atom] = [value]
    if tags.cover is not None:
        is_jpeg = _mime(tags.cover) == "image/jpeg"
        kind = mp4.MP4Cover.FORMAT_JPEG if is_jpeg else mp4.MP4Cover.FORMAT_PNG
        file["covr"] = [mp4.MP4Cover(tags.cover, imageformat=kind)]
    file.save(padding=lambda info: 0)


def tag_aiff(path: Path, tags: OutputTags, duration_s: float) -> None:
    """Put an ID3v2.3 chunk into an AIFF file of `duration_s` seconds."""
    file = aiff.AIFF(path)
    file.add_tags()
    for frame in _id3(tags, duration_s).values():
        file.tags.add(frame)
    file.save(v2_version=3, padding=lambda info: 0)


def tag_mp3(path: Path, tags: OutputTags, duration_s: float) -> None:
    """Put an ID3v2.3 tag before an MP3 file of `duration_s` seconds."""
    _id3(tags, duration_s).save(path, v2_version=3, v1=0)


def id3_bytes(tags: OutputTags, duration_s: float) -> bytes:
    """The ID3v2.3 tag of a file of `duration_s` seconds by itself, as WAV carries it in a chunk."""
    buffer = io.BytesIO()
    _id3(tags, duration_s).save(buffer, v2_version=3, v1=0, padding=lambda info: 0)
    return buffer.getvalue()


def _id3(tags: OutputTags, duration_s: float) -> Any:
    frames = id3.ID3()
    for frame, value in ((id3.TIT2, tags.title), (id3.TPE1, tags.artist), (id3.TDRC, tags.date)):
        if value:
            frames.add(frame(encoding=id3.Encoding.UTF16, text=value))
    if tags.cover is not None:
        frames.add(id3.APIC(mime=_mime(tags.cover), type=_FRONT_COVER, desc="", data=tags.cover))
    _add_chapters(frames, tags.chapters[:MAX_ID3_CHAPTERS], duration_s)
    frames.update_to_v23()
    return frames


def _add_chapters(frames: Any, chapters: Sequence[Chapter], duration_s: float) -> None:
    if not chapters:
        return
    starts_ms = [round(chapter.start_s * 1000) for chapter in chapters]
    ends_ms = [*starts_ms[1:], round(duration_s * 1000)]
    names = [f"chp{number}" for number in range(len(chapters))]
    for name, chapter, start_ms, end_ms in zip(names, chapters, starts_ms, ends_ms, strict=True):
        title = id3.TIT2(encoding=id3.Encoding.UTF16, text=chapter.title)
        frames.add(
            id3.CHAP(
                element_id=name,
                start_time=start_ms,
                end_time=end_ms,
                start_offset=_NO_OFFSET,
                end_offset=_NO_OFFSET,
                sub_frames=[title],
            )
        )
    flags = id3.CTOCFlags.TOP_LEVEL | id3.CTOCFlags.ORDERED
    frames.add(id3.CTOC(element_id="toc", flags=flags, child_element_ids=names, sub_frames=[]))


def _clock(time_s: float) -> str:
    minutes, milliseconds = divmod(round(time_s * 1000), 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{milliseconds // 1000:02d}.{milliseconds % 1000:03d}"


def _mime(cover: bytes) -> str:
    if cover.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if cover.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    raise InputError("The cover is neither a JPEG nor a PNG picture. Convert it to one of them.")
