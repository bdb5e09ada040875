"""Playing, seeking and keys on a page from the disk, and whether lanes and lines lie at their bars."""

from __future__ import annotations

import statistics

import pytest
from mixes import BAR_S, CLIP_BARS, LEAD_BARS, OVERLAP_S
from tab import PHONE

pytestmark = [pytest.mark.accuracy, pytest.mark.browser]

WITHIN_PX = 1.0
"""How far a drawn place may lie from its bar: a pixel of the screen, 21 ms of these clips on a desktop."""


def x_of(score: dict, bar: float) -> float:
    """Where bar `bar` of the overlap, its first being 0, lies in pixels of the window."""
    return score["x0"] + (score["x1"] - score["x0"]) * (LEAD_BARS + bar) / CLIP_BARS


def lane(score: dict, track: str, control: str) -> list[list[float]]:
    found = [one["points"] for one in score["lanes"] if (one["track"], one["control"]) == (track, control)]
    assert len(found) == 1, f"{len(found)} lanes of {control} of {track}"
    return found[0]


def is_at(x: float, expected: float, name: str) -> None:
    print(f"{name}: {x:.2f}, {x - expected:+.3f} <= {WITHIN_PX} px")
    assert abs(x - expected) <= WITHIN_PX


def on_bar(tab, index: int, bar: float, *, within_s: float = 0.001) -> None:
    """Hold that a player stands at bar `bar` of the overlap."""
    time_s = tab.time_s(index)
    print(f"player {index}: {time_s:.3f} s")
    assert time_s == pytest.approx(OVERLAP_S + bar * BAR_S, abs=within_s)


@pytest.mark.parametrize("size", [None, PHONE], ids=["desktop", "phone"])
def test_lanes_and_bar_lines_lie_at_their_bars(size, preview_url, open_tab):
    tab = open_tab(preview_url, **({"size": size, "is_mobile": True} if size else {}))
    score = tab.score(1)
    assert score["duration_s"] == pytest.approx(CLIP_BARS * BAR_S, abs=0.001)
    for bar in range(-LEAD_BARS + 1, CLIP_BARS - LEAD_BARS):
        is_at(min(score["bars"], key=lambda x: abs(x - x_of(score, bar))), x_of(score, bar), f"line {bar}")
    # a: {low: {0: 0 dB, 2: kill at once}}
    low = lane(score, "a", "low")
    bottom = max(y for _, y in low)
    is_at(min(x for x, y in low if y == bottom), x_of(score, 2), "kill of a's low end")
    # b: {high: {1: -12 dB, 3: 0 dB in 1 bar}}
    high = lane(score, "b", "high")
    bottom, top = max(y for _, y in high), min(y for _, y in high)
    is_at(max(x for x, y in high if abs(y - bottom) < 0.1), x_of(score, 3), "start of b's rise")
    is_at(min(x for x, y in high if abs(y - top) < 0.1), x_of(score, 4), "end of b's rise")


def test_a_clip_plays_and_only_one_at_a_time(preview_url, open_tab):
    tab = open_tab(preview_url)
    button = tab.page.locator("#t1 button.play")
    assert button.get_attribute("aria-label") == "Play transition 1"
    tab.play(1)
    assert button.get_attribute("aria-pressed") == "true"
    tab.play(2)
    assert tab.paused(1)
    assert button.get_attribute("aria-pressed") == "false"
    tab.page.locator("#t2 button.play").click()
    assert tab.paused(2)
    stopped_s = tab.time_s(2)
    assert f"{stopped_s:.1f} of 0:20.0" in tab.text("#t2 output.time")


@pytest.mark.parametrize("bar", [-3, 0, 2.5, 5])
@pytest.mark.parametrize("size", [None, PHONE], ids=["desktop", "phone"])
def test_a_click_on_the_score_seeks_to_within_a_pixel(size, bar, preview_url, open_tab):
    tab = open_tab(preview_url, **({"size": size, "is_mobile": True} if size else {}))
    score = tab.score(1)
    pixel_s = CLIP_BARS * BAR_S / (score["x1"] - score["x0"])
    tab.page.mouse.click(x_of(score, bar), score["middle"])
    on_bar(tab, 1, bar, within_s=WITHIN_PX * pixel_s)


def test_the_line_stands_where_the_sound_is(preview_url, open_tab):
    tab = open_tab(preview_url)
    for bar in (-4, 0, 3):
        tab.seek(1, OVERLAP_S + bar * BAR_S)
        score = tab.score(1)
        box = tab.js("document.querySelector('#t1 .playhead').getBoundingClientRect().left")
        is_at(box, x_of(score, bar), f"line at bar {bar}")
    tab.page.set_viewport_size({"width": 900, "height": 700})
    tab.js("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)))")
    box = tab.js("document.querySelector('#t1 .playhead').getBoundingClientRect().left")
    is_at(box, x_of(tab.score(1), 3), "line in a narrower window")


def test_the_line_runs_with_the_sound(preview_url, open_tab):
    tab = open_tab(preview_url)
    tab.play(1)
    score = tab.score(1)
    samples = tab.js("""async () => {
      const found = [];
      const [audio, line] = ['audio', '.playhead'].map((one) => document.querySelector(`#t1 ${one}`));
      for (let i = 0; i < 25; i += 1) {
        await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
        found.push([audio.currentTime, line.getBoundingClientRect().left]);
      }
      return found;
    }""")
    errors = [x - x_of(score, time_s / BAR_S - LEAD_BARS) for time_s, x in samples]
    middle = statistics.median(errors)
    print(f"{len(errors)} frames: median {middle:+.3f}, worst {max(map(abs, errors)):.3f} px")
    assert abs(middle) <= WITHIN_PX
    assert samples[-1][1] > samples[0][1]


def test_keys_play_go_by_bars_and_by_transitions(preview_url, open_tab):
    tab = open_tab(preview_url)
    press = tab.page.keyboard.press
    press(" ")
    tab.wait_running(1)
    press(" ")
    assert tab.paused(1)
    tab.seek(1, 0.5)
    for key, bar in (("ArrowRight", -3), ("ArrowRight", -2), ("ArrowLeft", -3), ("Home", -4)):
        press(key)
        on_bar(tab, 1, bar)
    press("End")
    on_bar(tab, 1, CLIP_BARS - LEAD_BARS)
    press("Home")
    press("ArrowDown")
    assert tab.js("document.activeElement.id") == "t2"
    assert abs(tab.js("document.getElementById('t2').getBoundingClientRect().top")) < 800
    press("ArrowRight")
    on_bar(tab, 2, -3)
    on_bar(tab, 1, -4)
    press(" ")
    tab.wait_running(2)
    press("ArrowUp")
    assert tab.js("document.activeElement.id") == "t1"
    press("Shift+ArrowRight")
    assert tab.js("document.activeElement.id") == "t2"
    press("?")
    assert tab.page.locator("#keys").is_visible()
    press("Escape")
    assert not tab.page.locator("#keys").is_visible()


def test_keys_in_a_note_write_and_do_nothing_else(preview_url, open_tab):
    tab = open_tab(preview_url)
    tab.seek(1, 4.0)
    note = tab.page.locator("#t1 textarea.note")
    note.focus()
    tab.page.keyboard.type("a b?")
    for key in ("ArrowLeft", "ArrowUp", "Home", " "):
        tab.page.keyboard.press(key)
    assert note.input_value() == " a b?"
    assert tab.paused(1)
    assert tab.time_s(1) == pytest.approx(4.0)
    assert tab.js("document.activeElement.id") == "t1-note"


def test_everything_is_reached_by_the_tab_key(preview_url, open_tab):
    tab = open_tab(preview_url)
    reached = []
    for _ in range(40):
        tab.page.keyboard.press("Tab")
        reached.append(
            tab.js("(document.activeElement.id || document.activeElement.getAttribute('aria-label'))")
        )
    for wanted in ("Play transition 1", "t1-seek", "t1-note", "Play transition 2", "t2-note", "export-notes"):
        assert wanted in reached
    shown = tab.js("getComputedStyle(document.activeElement).outlineStyle")
    assert shown != "none"


def test_the_page_of_a_mix_plays_its_parts_from_one_sound(mix_url, open_tab):
    tab = open_tab(mix_url)
    start_s = tab.js(
        "JSON.parse(document.getElementById('mix-data').textContent).transitions[1].clip_start_s"
    )
    tab.page.locator("#t2 button.play").click()
    tab.wait(f"document.querySelector('#mix audio').currentTime > {start_s} + 0.2")
    assert tab.js("document.querySelectorAll('audio').length") == 1
    tab.page.locator("#t2 button.play").click()
    assert tab.js("document.querySelector('#mix audio').paused")
    # One line is over the whole mix, one over the part.
    assert tab.js("getComputedStyle(document.querySelector('#mix .playhead')).visibility") == "visible"
    assert tab.js("getComputedStyle(document.querySelector('#t2 .playhead')).visibility") == "visible"
