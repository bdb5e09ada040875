"""What the page says and its script gets: bars where they lie, figures with units, addresses of sound."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest

from mixrender.page.build import build_page, title_of
from mixrender.page.figures import transition_figures
from mixrender.page.render import page_html
from mixrender.page.sounds import relative_url
from tests.page.made import Read, as_mix, read


@pytest.fixture(scope="module")
def preview():
    return read()


def data_of(html: str):
    ((_, text),) = Read(html).all("script", id="mix-data")
    return json.loads(text)


def test_the_script_gets_what_the_contract_names(preview):
    plan, result = preview
    data = data_of(page_html(plan, result))
    first = data["transitions"][0]
    clip = result.transitions[0].clip

    assert (data["title"], data["kind"]) == ("Low Tide", "preview")
    assert [t["index"] for t in data["transitions"]] == [1, 2]
    assert (first["from"], first["to"], first["clip"]) == ("a", "b", "01-a.flac")
    assert first["clip_start_s"] == pytest.approx(clip.start_s, abs=1e-6)
    assert first["duration_s"] == pytest.approx(clip.duration_s, abs=1e-6)
    assert first["loudness_lufs"] == -13.25


def test_bar_zero_is_where_the_overlap_begins(preview):
    plan, result = preview
    for t, placed in zip(
        build_page(plan, result).data["transitions"], result.timeline.transitions, strict=True
    ):
        bars_s = t["bars_s"]
        distance_s = abs(bars_s[-t["first_bar"]] - t["start_s"])

        print(f"{distance_s:.2e} s")
        assert distance_s <= 2e-6  # two roundings to the microsecond
        assert np.all(np.diff(bars_s) > 0) and bars_s[0] >= 0 and bars_s[-1] <= t["duration_s"]
        assert bars_s[-t["first_bar"] + round(placed.overlap_bars)] == pytest.approx(t["end_s"], abs=2e-6)
        assert (t["first_bar"], len(bars_s)) == (-8, 8 + placed.overlap_bars + 8 + 1)


def test_a_clip_that_begins_between_bars_begins_with_its_first_whole_one(preview):
    plan, result = preview
    measure = result.transitions[0]
    later = replace(
        measure.clip, start_s=measure.clip.start_s + 0.7, duration_s=measure.clip.duration_s - 0.7
    )
    moved = replace(result, transitions=(replace(measure, clip=later), result.transitions[1]))

    first = build_page(plan, moved).data["transitions"][0]

    assert first["first_bar"] == -7
    assert first["bars_s"][0] == pytest.approx(2.0 - 0.7, abs=1e-6)  # a bar at 120 BPM lasts 2 s


def test_in_a_mix_a_transition_is_a_window_of_the_whole(preview):
    plan, result = preview
    page = build_page(plan, as_mix(result))
    first, clip = page.data["transitions"][0], result.transitions[0].clip

    assert page.data["kind"] == "mix" and first["clip"] == "mix.flac"
    assert first["clip_start_s"] == pytest.approx(clip.start_s, abs=1e-6)
    assert first["duration_s"] == pytest.approx(clip.duration_s, abs=1e-6)
    assert page.mix.url == "mix.flac" and page.transitions[0].sound is None


def test_every_figure_stands_with_its_unit(preview):
    plan, result = preview
    figures = {one.label: (one.value, one.remark) for one in build_page(plan, result).transitions[1].figures}

    assert figures["Tempo"] == ("120.00 → 126.00 BPM", "")
    assert figures["Speed of b"] == ("0.0 to +5.0 %", "")
    assert figures["Speed of c"] == ("−4.8 to 0.0 %", "")
    assert figures["Keys"] == ("B major → E minor", "4 fifths apart, 3 notes in common")
    assert figures["Beats apart"] == ("−0.30 ms", "95 % within 1.20 ms, 62 compared; + is late")
    assert figures["Loudness step"][0] == "−1.0 LU"
    assert figures["Leave → enter"] == ("bar 57 → bar 1", "of b, of c")
    assert figures["Overlap"][0] == "8 bars"
    assert figures["Recipe"] == ("blend", "")
    assert figures["Clip"] == ("−13.2 LUFS", "true peak −1.0 dBTP, limiter −1.5 dB")


def test_what_was_not_measured_is_a_dash_with_a_reason(preview):
    plan, result = preview
    bare = replace(result.transitions[0], beat_offset=None, loudness_step_lu=None)
    page = build_page(plan, replace(result, transitions=(bare, None)))
    figures = {one.label: (one.value, one.remark) for one in page.transitions[0].figures}

    assert figures["Beats apart"] == ("–", "fewer than 8 beats were clear in both")
    assert figures["Loudness step"] == ("–", "takes 8 bars of sound before the overlap and after it")


def test_tracks_whose_beats_are_not_matched_have_no_beats_to_compare(preview):
    _, result = preview
    free = replace(result.timeline.transitions[0], beatmatched=False, leave_bar=41.02734)
    measure = replace(result.transitions[0], beat_offset=None)
    figures = {one.label: one for one in transition_figures(result.timeline, free, measure)}

    assert figures["Beats apart"].remark == "the beats are not matched"
    assert figures["Leave → enter"].value == "bar 41.03 → bar 1"


def test_tracks_that_do_not_overlap_have_no_beats_to_compare(preview):
    _, result = preview
    joined = result.timeline.transitions[0]
    cut = replace(joined, end_s=joined.start_s, overlap_bars=0.0)
    measure = replace(result.transitions[0], beat_offset=None)
    figures = {one.label: one for one in transition_figures(result.timeline, cut, measure)}

    assert (figures["Beats apart"].value, figures["Beats apart"].remark) == ("–", "nothing overlaps")


def test_the_tracklist_says_when_each_track_comes_in(preview):
    plan, result = preview
    rows = build_page(plan, result).tracks
    second_s = result.timeline.transitions[0].start_s

    assert [(r.title, r.artist, r.bpm, r.key) for r in rows] == [
        ("Harbour", "Ines Roth", "120.00", "C major"),
        ("Tag 1", "", "120.00", "B major"),
        ("Tag 2", "", "126.00", "E minor"),
    ]
    assert rows[0].time == "0:00"
    assert rows[1].time == f"{int(second_s // 60)}:{round(second_s % 60):02d}"


def test_the_head_says_date_length_and_tempo(preview):
    page = build_page(*preview)

    assert page.facts[0] == "2026-11-28" and page.facts[2:] == ("3 tracks", "120 to 126 BPM")


def test_moves_stand_at_their_transition(preview):
    page = build_page(*preview)

    assert [(m.what, m.words) for m in page.transitions[0].moves] == [("b", "`low` {0: kill, 8: 0 dB}")]
    assert page.transitions[1].moves == () and page.transitions[0].note == "Let it breathe."


def test_transitions_that_were_left_out_are_counted_and_not_linked(preview):
    plan, result = preview
    page = build_page(plan, replace(result, transitions=(None, result.transitions[1])))

    assert [part.index for part in page.transitions] == [2] and page.left_out == 1
    assert [mark.href for mark in page.overview.marks] == ["", "#t2"]
    assert "1 more transition was left out" in page_html(
        plan, replace(result, transitions=(None, result.transitions[1]))
    )


def test_tracks_of_the_overview_lie_where_they_sound_and_never_on_each_other(preview):
    plan, result = preview
    view, whole_s = build_page(plan, result).overview, result.timeline.duration_s

    for bar, track in zip(view.tracks, result.timeline.tracks, strict=True):
        assert bar.left_percent == pytest.approx(100 * track.start_s / whole_s, abs=1e-3)
        assert bar.left_percent + bar.wide_percent == pytest.approx(100 * track.end_s / whole_s, abs=2e-3)
        for other in view.tracks[: bar.number - 1]:
            assert other.row != bar.row or other.left_percent + other.wide_percent <= bar.left_percent + 2e-3
    assert [bar.row for bar in view.tracks] == [0, 1, 0]
    assert view.loudness is None


def test_the_lane_of_loudness_has_the_mix_and_a_silent_one_has_none(preview):
    plan, result = preview
    lane = build_page(plan, as_mix(result)).overview.loudness
    silent = build_page(plan, as_mix(result, level=0.0))

    assert lane.short_term.startswith("M") and lane.momentary.endswith("Z")
    assert 0.0 <= lane.integrated_y <= 100.0 and lane.target_y is None
    assert silent.overview.loudness is None and silent.mix_figures[0].value == "–"


@pytest.mark.parametrize(
    "name", ["01 ä#?%.flac", "a&b;c=d.flac", 'q"<b>.flac', "javascript:x.flac", "日本.flac"]
)
def test_addresses_are_relative_and_encoded(name):
    url = relative_url(name)

    assert unquote(url) == name
    assert set(url) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._~%")


def test_what_browsers_do_not_play_is_said_or_played_as_a_copy(preview):
    plan, result = preview
    mix = as_mix(result, Path("out/mix.aiff"))
    copied = build_page(plan, mix, copies={Path("out/mix.aiff"): Path("out/mix.flac")})
    said = build_page(plan, mix)

    assert (copied.mix.url, copied.mix.trouble) == ("mix.flac", "")
    assert said.mix.url == "" and "AIFF" in said.mix.trouble
    found = Read(page_html(plan, mix))
    assert found.faults == [] and found.all("audio") == [] and found.all("button", class_="play") == []


def test_a_plan_without_a_title_is_called_after_its_file(preview):
    plan, _ = preview
    nameless = plan.model_copy(update={"title": None})

    assert title_of(nameless) == "A mix without a name"
    assert title_of(nameless.located(file=Path("night ferry.yaml"), places={}, lines=())) == "night ferry"
