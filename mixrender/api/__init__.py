"""The Python interface: load a plan, analyse tracks, render and preview mixes, measure loudness."""

from __future__ import annotations

from mixrender.api.files import AUDIO_SUFFIXES, audio_files
from mixrender.api.grids import CorrectedTrack, correct_grid, read_correction, undo_grid
from mixrender.api.keep import cache_contents, clear_cache, verify_cache
from mixrender.api.library import list_tracks
from mixrender.api.loudness import measure_loudness, measure_many, survey_loudness
from mixrender.api.mixes import KEPT_BYTES, demo, folder_of, preview, render, resolve, schema
from mixrender.api.pages import page_of
from mixrender.api.proofs import click_tracks, draw_tracks, require_apart
from mixrender.api.tracks import analyze, analyze_many
from mixrender.plan.load import load_plan

__all__ = [
    "AUDIO_SUFFIXES",
    "KEPT_BYTES",
    "CorrectedTrack",
    "analyze",
    "analyze_many",
    "audio_files",
    "cache_contents",
    "clear_cache",
    "click_tracks",
    "correct_grid",
    "demo",
    "draw_tracks",
    "folder_of",
    "list_tracks",
    "load_plan",
    "measure_loudness",
    "measure_many",
    "page_of",
    "preview",
    "read_correction",
    "render",
    "require_apart",
    "resolve",
    "schema",
    "survey_loudness",
    "undo_grid",
    "verify_cache",
]
