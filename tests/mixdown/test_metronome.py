"""A metronome over the clips: on the grids' beats, accents on bar lines, the music under it untouched."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from markers import click_pair, plan_of, rendered
from typer.testing import CliRunner

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.cli import app
from mixrender.dsp.click import clicks
from mixrender.mixdown.metronome import metronome_of

PLAN = """
match_loudness: false
start: {at: 1}
transitions: [{from: a, to: b, leave: 9, enter: 2, overlap: 4 bars}]
"""


def test_clicks_lie_on_the_beats_of_the_mix_and_accents_on_bar_lines(tmp_path: Path) -> None:
    _, timeline = plan_of(PLAN, click_pair(tmp_path))
    metronome = metronome_of(timeline, loud_lufs=-12.0)
    _, beats_s = timeline.beats()
    overlap = timeline.transitions[0]

    by_kind = {
        kind: [t for t, a in zip(metronome.times_s, metronome.accents, strict=True) if a == kind]
        for kind in ("beat", "bar", "section")
    }

    assert list(metronome.times_s) == beats_s
    assert np.allclose(by_kind["section"], [overlap.start_s, overlap.end_s], atol=1e-9)
    # Bars 1 to 8, 10 to 12 of the first track, then 7 to 15 of the second one, with the line at its end.
    assert len(by_kind["bar"]) == 8 + 3 + 9 and len(by_kind["beat"]) == 3 * 21
    assert metronome.level_db == -12.0 + 9.0


def test_the_music_under_the_clicks_is_untouched(tmp_path: Path, cache: Cache) -> None:
    r = rendered(PLAN, click_pair(tmp_path), cache)
    metronome = metronome_of(r.timeline, loud_lufs=-12.0)

    start, stop = 40_000, 200_003
    clicked = np.concatenate(list(metronome.over(r.mix, start, stop)))
    alone = clicks(
        metronome.times_s,
        metronome.accents,
        start,
        stop,
        sample_rate_hz=r.mix.sample_rate_hz,
        level_db=metronome.level_db,
    )

    error = float(np.abs(clicked - alone - r.mix.read(start, stop)).max())
    print(f"largest difference {error:.2e}, bound 1e-15")
    assert np.abs(alone).max() > 0.1
    assert error <= 1e-15


def test_edits_leave_the_accents_on_the_bar_lines_of_the_file(tmp_path: Path) -> None:
    tracks = click_pair(tmp_path)
    _, plain = plan_of(PLAN, tracks)
    more = "# a: edits: [{repeat: 3, length: 1 beat, times: 3}]"
    _, edited = plan_of(more + PLAN, tracks)
    first = plain.tempo_map.time_at(8.0)

    def bars_s(timeline):
        metronome = metronome_of(timeline, loud_lufs=None)
        return [t for t, a in zip(metronome.times_s, metronome.accents, strict=True) if a == "bar"]

    shift_s = 2 * 60.0 / 124.0  # two beats more
    later = [t + shift_s for t in bars_s(plain) if first + 1e-6 < t < plain.transitions[0].start_s - 1e-6]
    found = [t for t in bars_s(edited) if first + shift_s + 1e-6 < t < edited.transitions[0].start_s - 1e-6]
    assert np.allclose(found, later, atol=1e-6)


def test_preview_lays_the_clicks_over_its_clips_when_asked(tmp_path: Path, cache: Cache) -> None:
    tracks = click_pair(tmp_path)
    plan = tmp_path / "plan.yaml"
    grids = [
        f"grid: {{tempo: {t.facts.grid.tempo_bpm} BPM, bar_1: {t.facts.grid.bar_1_s} s}}" for t in tracks
    ]
    listed = "".join(
        f"  {name}: {{file: {track.path}, {grid}}}\n"
        for name, track, grid in zip("ab", tracks, grids, strict=True)
    )
    plan.write_text(f"tracks:\n{listed}{PLAN}", encoding="utf-8")
    quiet = api.preview(api.load_plan(plan), tmp_path / "plain", cache=cache)
    clicked = api.preview(api.load_plan(plan), tmp_path / "clicked", click=True, cache=cache)
    assert quiet.files[0].read_bytes() != clicked.files[0].read_bytes()
    assert "--click" in CliRunner().invoke(app, ["preview", "--help"]).stdout
