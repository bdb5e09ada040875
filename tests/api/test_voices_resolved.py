"""Voices of a plan on disk, from their files to the timeline."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender import api
from mixrender.analysis.library import analyze_file
from mixrender.audio.cache import Cache
from mixrender.errors import PlanError
from mixrender.plan.load import load_plan
from mixrender.timing.timeline import Timeline

RATE_HZ = 22050


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A track of 20 s with a beat, two seconds of noise for a voice, and a file that is no sound."""
    folder = tmp_path_factory.mktemp("plan")
    rng = np.random.default_rng(1)
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    beats = np.exp(-(t % 0.5) / 0.05) * np.sin(2 * np.pi * 60.0 * t)
    soundfile.write(folder / "track.wav", 0.5 * beats + 0.001 * rng.standard_normal(len(t)), RATE_HZ)
    soundfile.write(folder / "voice.wav", 0.1 * rng.standard_normal(2 * 8000), 8000)
    (folder / "text.wav").write_text("This is not sound.")
    for name in ("track.wav", "voice.wav"):  # here, as processes of their own take longer to begin
        analyze_file(folder / name, cache=Cache(folder / "cache"))
    return folder


def resolved(folder: Path, voices: str) -> Timeline:
    path = folder / "plan.yaml"
    path.write_text(f"tracks: {{one: track.wav}}\nvoices:\n{voices}")
    return api.resolve(load_plan(path), cache=Cache(folder / "cache"))


def test_a_voice_is_known_by_its_file_and_nobody_asks_for_its_beats(folder: Path) -> None:
    timeline = resolved(folder, "  - {file: voice.wav, at: 5 s}\n  - {file: voice.wav, at: 9 s}\n")
    first, second = timeline.voices
    assert (first.start_s, first.end_s, second.start_s) == (5.0, 7.0, 9.0)
    assert first.facts.sample_rate_hz == 8000 and first.facts.content_hash == second.facts.content_hash
    # Noise has no beat to be sure of: that is said of tracks, and not of voices.
    assert not [problem for problem in timeline.problems if problem.path.startswith("voices")]


def test_a_voice_that_cannot_be_read_is_a_fault_at_its_place(folder: Path) -> None:
    with pytest.raises(PlanError) as caught:
        resolved(folder, "  - {file: voice.wav, at: 5 s}\n  - {file: text.wav, at: 9 s}\n")
    (problem,) = caught.value.problems
    print(problem.message)
    assert (problem.path, problem.line) == ("voices[2].file", 4)
    assert "text.wav: it is not an audio file" in problem.message


def test_a_voice_that_is_not_there_is_a_fault_at_its_place(folder: Path) -> None:
    with pytest.raises(PlanError) as caught:
        resolved(folder, "  - {file: voise.wav, at: 5 s}\n")
    (problem,) = caught.value.problems
    assert (problem.path, problem.line) == ("voices[1].file", 3)
    assert "did you mean `voice.wav`?" in problem.message
