"""The page of a preview or a mix: where it lies, and what lies beside it for it to play."""

from __future__ import annotations

from pathlib import Path

from mixrender.audio.flac_copy import copy_as_flac
from mixrender.audio.write import write_text_atomic
from mixrender.mixdown.result import MixResult
from mixrender.page.render import page_html
from mixrender.page.sounds import is_played
from mixrender.plan.model import Plan

PREVIEW_PAGE, MIX_PAGE = "preview.html", "mix.html"


def page_of(result: MixResult) -> Path:
    """The file of the page that shows a preview or a mix: beside the sound."""
    return result.files[0].with_name(PREVIEW_PAGE if result.loudness is None else MIX_PAGE)


def remove_page(result: MixResult) -> None:
    """Remove the page of an earlier run: it shows another sound than what lies there now."""
    page_of(result).unlink(missing_ok=True)


def write_page(plan: Plan, result: MixResult) -> Path:
    """Write the page beside its sound, and FLAC copies of what browsers do not play; the page's path.

    Raises MachineError if they cannot be written.
    """
    copies = {file: file.with_suffix(".flac") for file in result.files if not is_played(file)}
    for file, copy in copies.items():
        copy_as_flac(file, copy)
    page = page_of(result)
    write_text_atomic(page, page_html(plan, result, copies=copies))
    return page
