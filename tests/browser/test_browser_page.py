"""Pages opened from the disk: nothing is asked of a network, names stay text, notes stay, prints hold all."""

from __future__ import annotations

import re

import pytest
from mixes import ARTIST_SHOWN, FILES, IMAGE, NOTE, TITLE, TITLES
from tab import PHONE

pytestmark = [pytest.mark.accuracy, pytest.mark.browser]

STRANGE = "img, iframe, object, embed, b, script[src], link[rel=stylesheet]"
"""Elements that no page has, and that some of the names would be if they were read as HTML."""


@pytest.mark.parametrize("page", ["preview", "mix"])
def test_a_page_opens_from_the_disk_and_asks_for_nothing_but_itself(page, preview_url, mix_url, open_tab):
    url = preview_url if page == "preview" else mix_url
    tab = open_tab(url)
    assert tab.js("document.querySelectorAll('section.transition svg.score').length") >= 2
    tab.page.wait_for_load_state("networkidle")
    assert [asked for asked in tab.asked if not asked.startswith("data:")] == [url]


@pytest.mark.parametrize("page", ["preview", "mix"])
def test_hostile_names_are_shown_as_text(page, preview_url, mix_url, open_tab):
    tab = open_tab(preview_url if page == "preview" else mix_url)
    assert tab.text("h1") == TITLE
    assert tab.text("header .artist") == ARTIST_SHOWN
    names = tab.page.locator(".tracklist tbody th bdi").all_text_contents()
    assert names == [part for title in TITLES.values() for part in (title, IMAGE)]
    labels = tab.page.locator(".overview li bdi").all_text_contents()
    assert labels == list(TITLES.values())
    # A plan's note has code between back ticks, so those are not shown.
    assert tab.text(".transition .plan-note") == NOTE.replace("`", "")
    assert tab.page.title().startswith(TITLE)


@pytest.mark.parametrize("page", ["preview", "mix"])
def test_hostile_names_add_no_element_and_no_handler(page, preview_url, mix_url, open_tab):
    tab = open_tab(preview_url if page == "preview" else mix_url)
    assert tab.js(f"document.querySelectorAll('{STRANGE}').length") == 0
    assert tab.js("document.querySelectorAll('script').length") == 2  # the data, and the page's own
    handlers = "[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes])"
    assert tab.js(f"{handlers}.filter((a) => a.name.startsWith('on')).length") == 0


def test_sound_beside_the_page_is_found_whatever_the_folder_is_called(small, tmp_path, open_tab):
    folder = tmp_path / FILES["b"].removesuffix(".wav")
    folder.symlink_to(small / "clips")
    tab = open_tab((folder / "preview.html").as_uri())
    tab.play(1)
    assert tab.page.locator("#t1 [data-trouble]").is_hidden()


def test_a_clip_that_is_gone_is_told_of(small, tmp_path, open_tab):
    (tmp_path / "preview.html").write_bytes((small / "clips" / "preview.html").read_bytes())
    tab = open_tab((tmp_path / "preview.html").as_uri())
    tab.page.locator("#t1 button.play").click()
    tab.page.locator("#t1 [data-trouble]").wait_for(state="visible")
    assert "01-a-b.flac cannot be played" in tab.text("#t1 [data-trouble]")
    tab.faults = [
        fault for fault in tab.faults if "ERR_FILE_NOT_FOUND" not in fault
    ]  # the browser's own words


def test_notes_are_kept_across_loading_and_exported(preview_url, open_tab):
    tab = open_tab(preview_url)
    note = f"Second phrase too early.\n{IMAGE} – שלום"
    tab.page.locator("#t2 textarea.note").fill(note)
    tab.page.reload()
    assert tab.page.locator("#t2 textarea.note").input_value() == note
    assert tab.page.locator("#t1 textarea.note").input_value() == ""
    with tab.page.expect_download() as download:
        tab.page.locator("#export-notes").click()
    assert re.fullmatch(r"[\w-]+-notes\.txt", download.value.suggested_filename)
    text = download.value.path().read_text(encoding="utf-8")
    print(text)
    assert text.startswith(f"{TITLE}\n")
    assert "\n2  b → c, at 0:" in text
    assert "   Second phrase too early.\n   " + IMAGE in text


def test_notes_are_copied(preview_url, open_tab):
    tab = open_tab(preview_url, permissions=["clipboard-read", "clipboard-write"])
    tab.page.locator("#t1 textarea.note").fill("Let it run.")
    tab.page.locator("#copy-notes").click()
    tab.wait("document.getElementById('state').textContent === 'Notes copied.'")
    assert "   Let it run.\n" in tab.js("navigator.clipboard.readText()")


@pytest.mark.parametrize("page", ["preview", "mix"])
@pytest.mark.parametrize("width", [320, PHONE["width"]])
def test_a_phone_has_nothing_to_scroll_sideways(page, width, preview_url, mix_url, open_tab):
    url = preview_url if page == "preview" else mix_url
    tab = open_tab(url, size=PHONE | {"width": width}, is_mobile=True, has_touch=True)
    tab.js("for (const s of document.querySelectorAll('.transition')) s.style.contentVisibility = 'visible'")
    wide = tab.js("document.documentElement.scrollWidth")
    print(f"{wide} of {width} pixels")
    assert wide <= width
    assert tab.page.locator("#t1 svg.score:visible").count() == 1


def test_a_tap_on_a_phone_plays(preview_url, open_tab):
    tab = open_tab(preview_url, size=PHONE, is_mobile=True, has_touch=True)
    tab.page.locator("#t2 button.play").tap()
    tab.wait_running(2)


def test_each_transition_begins_a_page_of_its_own_in_print(preview_url, open_tab):
    tab = open_tab(preview_url, color_scheme="dark")
    printed = tab.page.pdf(format="A4", tagged=True, outline=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    headings = re.findall(rb"/Title\s*(?:\(|<)", printed)
    print(f"{pages} pages, {len(headings)} headings")
    assert pages == 3  # the mix, and two transitions
    tab.page.emulate_media(media="print", color_scheme="dark")
    for part in (".player", ".playhead", "#export-notes"):
        assert not tab.page.locator(part).first.is_visible()
    assert tab.js("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.page.locator("svg.score:visible").count() == 2


@pytest.mark.parametrize("wish", ["reduce", "no-preference"])
def test_nothing_moves_by_itself_where_less_motion_is_asked_for(wish, preview_url, open_tab):
    tab = open_tab(preview_url, reduced_motion=wish)
    tab.js(
        "() => { const own = window.requestAnimationFrame; window.frames_asked = 0;"
        "window.requestAnimationFrame = (job) => {"
        " window.frames_asked += 1; return own.call(window, job); }; }"
    )
    tab.page.locator("#t1 button.play").click()
    tab.wait("document.querySelector('#t1 audio').currentTime > 0.5")
    asked, slide = tab.js("[window.frames_asked, getComputedStyle(document.documentElement).scrollBehavior]")
    print(f"{asked} frames while half a second plays")
    assert slide == "auto"
    if wish == "reduce":
        assert asked == 0  # the line moves with what the player tells, a few times a second
    else:
        assert asked > 3


def test_twenty_transitions_open_with_no_sound_loaded(long, open_tab):
    file = long / "clips" / "preview.html"
    blank = long / "clips" / "blank.html"
    size = file.stat().st_size
    blank.write_text(
        f"<!doctype html><title>blank</title><p>.</p><!--{'-' * (size - 60)}-->", encoding="utf-8"
    )
    times = {}
    loaded = (
        "(() => { const [n] = performance.getEntriesByType('navigation'); return n.loadEventEnd / 1000; })()"
    )
    for name, page in (("blank", blank), ("page", file)):
        seconds = []
        for _ in range(3):
            tab = open_tab(page.as_uri())
            tab.wait(f"{loaded} > 0")
            seconds.append(tab.js(loaded))
        times[name] = min(seconds)
    print(
        f"20 transitions of {size / 1e6:.2f} MB open in {times['page']:.3f} s; "
        f"a blank page of the same size in {times['blank']:.3f} s: {times['page'] / times['blank']:.1f} times"
    )
    assert tab.js("document.querySelectorAll('section.transition svg.score').length") == 40
    assert not [asked for asked in tab.asked if asked.endswith(".flac")]
    tab.play(20)
