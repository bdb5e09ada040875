"""The Python interface: load a plan, analyse tracks, render and preview mixes, measure loudness."""

from __future__ import annotations

from mixrender.api.files import AUDIO_SUFFIXES, audio_files, measure_loudness, measure_many
from mixrender.api.keep import cache_contents, clear_cache, verify_cache
from mixrender.api.mixes import KEPT_BYTES, demo, folder_of, preview, render, resolve, schema
from mixrender.api.tracks import analyze, analyze_many
from mixrender.plan.load import load_plan

__all__ = [
    "AUDIO_SUFFIXES",
    "KEPT_BYTES",
    "analyze",
    "analyze_many",
    "audio_files",
    "cache_contents",
    "clear_cache",
    "demo",
    "folder_of",
    "load_plan",
    "measure_loudness",
    "measure_many",
    "preview",
    "render",
    "resolve",
    "schema",
    "verify_cache",
]
