"""The page as HTML: well formed, labelled, always the same, nothing from elsewhere, every text escaped."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from mixrender.errors import Problem
from mixrender.facts import FileTags
from mixrender.page.build import build_page
from mixrender.page.render import page_html, section_html
from tests.page.made import Read, as_mix, read

HOSTILE = "</script><script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{ 7*7 }}&amp;"
"""Ends a script, an attribute and an element, begins others; is code of the templates, and a reference."""


@pytest.fixture(scope="module")
def preview():
    return read()


@pytest.fixture(scope="module")
def pages(preview):
    plan, result = preview
    return {"preview": page_html(plan, result), "mix": page_html(plan, as_mix(result))}


@pytest.mark.parametrize("kind", ["preview", "mix"])
def test_elements_nest_and_ids_are_there_once(pages, kind):
    found = Read(pages[kind])
    ids = [attrs["id"] for _, attrs, _ in found.elements if "id" in attrs]

    assert found.faults == []
    assert len(ids) == len(set(ids))
    for _, attrs, _ in found.elements:
        named = [*(attrs.get("aria-labelledby") or "").split(), *([attrs["for"]] if "for" in attrs else [])]
        if (attrs.get("href") or "").startswith("#"):
            named.append(attrs["href"][1:])
        assert set(named) <= set(ids), attrs


@pytest.mark.parametrize("kind", ["preview", "mix"])
def test_everything_that_is_operated_has_a_name(pages, kind):
    found = Read(pages[kind])
    labelled = {attrs["for"] for attrs, _ in found.all("label")}

    for attrs, text in found.all("button"):
        assert attrs.get("aria-label") or text.strip(), attrs
    for attrs, _ in [*found.all("input"), *found.all("textarea")]:
        assert attrs.get("aria-label") or attrs["id"] in labelled, attrs
    for attrs, _ in found.all("svg"):
        assert attrs.get("aria-hidden") == "true" or attrs.get("aria-labelledby"), attrs
    for attrs, _ in [*found.all("section"), *found.all("dialog")]:
        assert attrs.get("aria-labelledby"), attrs
    assert all(text.strip() for _, text in found.all("caption"))


@pytest.mark.parametrize("kind", ["preview", "mix"])
def test_headings_go_down_one_level_at_a_time(pages, kind):
    levels = [int(tag[1]) for tag, _, _ in Read(pages[kind]).elements if re.fullmatch("h[1-6]", tag)]

    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_each_transition_has_what_scripts_and_tests_look_for(pages):
    found = Read(pages["preview"])

    for number in (1, 2):
        ((attrs, _),) = found.all("section", id=f"t{number}")
        assert attrs["class"] == "transition" and attrs["data-index"] == str(number)
        assert attrs["tabindex"] == "-1"
        ((button, _),) = found.all("button", aria_label=f"Play transition {number}")
        assert button["class"] == "play" and button["aria-pressed"] == "false"
    assert [attrs["preload"] for attrs, _ in found.all("audio")] == ["none", "none"]
    assert len(found.all("figure", class_="score-holder")) == 2
    assert len(found.all("svg", class_="score")) == 4, "one for wide screens, one for narrow ones"
    assert len(found.all("div", class_="playhead")) == 3, "with that of the overview"
    assert len(found.all("output", class_="time")) == len(found.all("textarea", class_="note")) == 2
    assert len(found.all("div", id="faults")) == 1


def test_a_mix_has_one_player_for_the_whole(pages):
    found = Read(pages["mix"])

    assert [attrs["src"] for attrs, _ in found.all("audio")] == ["mix.flac"]
    assert len(found.all("button", class_="play")) == 3
    assert len(found.all("path", class_="short-term")) == 1


def test_the_same_result_gives_the_same_page(preview, pages):
    assert page_html(*preview) == pages["preview"]
    assert page_html(*read()) == pages["preview"]


def test_nothing_comes_from_elsewhere(pages):
    for html in pages.values():
        found = Read(html)
        addresses = [
            value
            for tag, attrs, _ in found.elements
            for name, value in attrs.items()
            if name in ("src", "href", "data", "action", "poster", "srcset")
        ]
        assert all(re.fullmatch(r"#[\w-]+|data:,|[\w.%-]+\.flac", address) for address in addresses), (
            addresses
        )
        style = "".join(text for _, text in found.all("style"))
        assert "url(" not in style and "@import" not in style


def test_only_the_scripts_of_the_page_may_run(pages):
    for html in pages.values():
        found = Read(html)
        (policy,) = [a["content"] for a, _ in found.all("meta") if "http-equiv" in a]
        scripts = [text for attrs, text in found.all("script") if attrs.get("type") != "application/json"]
        hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts]

        assert len(scripts) == 1
        assert policy.startswith("default-src 'none'")
        assert f"script-src 'sha256-{hashes[0]}';" in policy
        assert not any(name.startswith("on") for _, attrs, _ in found.elements for name in attrs)


@pytest.fixture(scope="module")
def hostile():
    """A page on which every text that comes from people or files is HOSTILE."""
    plan, result = read()
    timeline = result.timeline
    tracks = tuple(
        replace(track, facts=replace(track.facts, tags=FileTags(title=HOSTILE, artist=HOSTILE)))
        for track in timeline.tracks
    )
    transitions = tuple(
        replace(t, warnings=(HOSTILE,), note=HOSTILE, recipe=HOSTILE) for t in timeline.transitions
    )
    problems = (Problem(HOSTILE, line=3, severity="warning"),)
    timeline = replace(timeline, tracks=tracks, transitions=transitions, problems=problems)
    measures = tuple(
        replace(m, clip=replace(m.clip, path=Path("out") / f"{n} {HOSTILE.replace('/', '∕')}#?%.flac"))
        for n, m in enumerate(result.transitions)
    )
    result = replace(result, timeline=timeline, transitions=measures, warnings=(HOSTILE,))
    said = {"title": HOSTILE, "artist": HOSTILE, "date": HOSTILE, "note": HOSTILE}
    tracks = tuple(t.model_copy(update={"title": None, "artist": None}) for t in plan.tracks)
    return plan.model_copy(update={**said, "tracks": tracks}), result


def test_hostile_texts_stay_texts(hostile, pages):
    found, plain = Read(page_html(*hostile)), Read(pages["preview"])

    assert found.faults == []
    names = {tag for tag, _, _ in found.elements}
    assert names <= {tag for tag, _, _ in plain.elements} | {"ul", "li"}
    assert len(found.all("script")) == len(plain.all("script"))
    assert not any(name.startswith("on") for _, attrs, _ in found.elements for name in attrs)
    assert found.all("h1")[0][1] == HOSTILE
    assert any(HOSTILE in text for _, text in found.all("bdi"))
    warnings = [text for attrs, text in found.all("li") if HOSTILE in text]
    assert len(warnings) >= 4, "of the plan, of the run, of each transition"


def test_a_section_alone_is_that_of_the_page(preview, pages):
    page = build_page(*preview)
    section = section_html(page, 2)

    assert section.startswith('<section class="transition" id="t2"') and section.rstrip() in pages["preview"]
    assert Read(section).faults == []
    with pytest.raises(KeyError):
        section_html(page, 3)


def test_controls_and_turned_texts_are_written_out():
    plan, result = read()
    html = page_html(
        plan.model_copy(update={"title": "up\u202edown\x00\x1b[31m", "note": "a\nb\x07"}), result
    )
    found = Read(html)

    assert found.all("h1")[0][1] == "up\\u202edown\\x00\\x1b[31m"
    assert found.all("p", class_="plan-note")[0][1] == "a\nb\\x07"


def test_a_page_is_small_without_its_scores(preview):
    plan, result = preview
    bare = replace(
        result,
        transitions=tuple(replace(m, clip=replace(m.clip, trace=None)) for m in result.transitions),
    )
    size_bytes = len(page_html(plan, bare).encode())

    print(f"{size_bytes} bytes")
    assert size_bytes < 60_000  # what 20 transitions may take (4 MB) is left to their scores
    assert 'svg class="score"' not in page_html(plan, bare)
