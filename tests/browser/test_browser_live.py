"""A rehearsal in a browser: saving swaps clips in their place, faults come and go, two versions compare."""

from __future__ import annotations

import http.server
import io
import json
import math
import signal
import socket
import threading
import time
from itertools import pairwise
from urllib.parse import urljoin, urlsplit

import pyloudnorm
import pytest
import soundfile
from mixes import BAR_S, IMAGE, MOVES, OVERLAP_S, SCRIPT, TITLE, plan_text
from tab import PHONE
from test_browser_accessible import violations
from test_browser_page import STRANGE

pytestmark = [pytest.mark.accuracy, pytest.mark.browser]

OTHER_MOVES = "{a: {low: {0: 0 dB, 3: kill at once}}, b: {high: {1: -12 dB, 3: 0 dB in 1 bar}}}"
"""A changed EQ move: a's low end goes a bar later."""

SOFTER_MOVES = "{a: {level: {-3: -14 dB}}, b: {level: {0: -14 dB, 8: -10 dB}}}"
LOUD_MOVES = "{a: {level: {0: 0 dB}}}"

EQUAL_DB = 0.5
"""So near, two versions are as loud as each other: about the least step that is heard (from memory)."""

WATCH = """() => {
  const seen = window.seen = { times: [], silent: 0, last: performance.now() };
  setInterval(() => {
    const playing = [...document.querySelectorAll('audio')].filter((one) => !one.paused);
    if (playing.length !== 1) { seen.silent += 1; return; }
    seen.times.push([performance.now() / 1000, playing[0].currentTime]);
  }, 20);
}"""
"""Notes down, again and again, where the one player that plays is."""

GAINS = """
  window.gains = [];
  const ramp = AudioParam.prototype.linearRampToValueAtTime;
  AudioParam.prototype.linearRampToValueAtTime = function (value, ...rest) {
    if (value > 0) window.gains.push(value);
    return ramp.call(this, value, ...rest);
  };
"""
"""Notes down which gains versions are faded to."""


@pytest.fixture
def live(rehearsal, open_tab):
    """The rehearsal's page, with both transitions rendered."""
    return opened(rehearsal, open_tab)


def opened(rehearsal, open_tab, **options):
    tab = open_tab(rehearsal.url, **options)
    tab.wait("document.querySelectorAll('section.transition audio').length === 2")
    tab.wait("document.getElementById('live-status').textContent === ''")
    return tab


def clip_of(tab, index: int = 1) -> str:
    return str(tab.js(f"document.querySelector('#t{index} audio').getAttribute('src')"))


def save(rehearsal, tab, text: str, *, index: int = 1, name: str = "a changed plan") -> None:
    """Save a plan and wait for another clip in the page; print how long that took."""
    before, start_s = clip_of(tab, index), time.monotonic()
    rehearsal.save(text)
    tab.wait(f"document.querySelector('#t{index} audio').getAttribute('src') !== {json.dumps(before)}")
    print(f"from saving {name} to its clip in the page: {time.monotonic() - start_s:.2f} s")


def test_the_page_comes_while_clips_are_rendered_and_fills(rehearsal, open_tab):
    tab = opened(rehearsal, open_tab)
    assert tab.text("h1") == TITLE
    assert tab.js(f"document.querySelectorAll('{STRANGE}').length") == 0
    tab.play(2)


def test_a_changed_move_is_swapped_in_without_losing_the_place(rehearsal, live):
    note, section = live.page.locator("#t1 textarea.note"), "document.getElementById('t1')"
    live.seek(1, 4.0)
    live.play(1)
    note.fill("Half a note")
    note.evaluate("(area) => area.setSelectionRange(4, 6)")
    live.js("scrollTo({ top: scrollY + 60, behavior: 'instant' })")
    top = live.js(f"{section}.getBoundingClientRect().top")
    live.js(WATCH)
    save(rehearsal, live, plan_text(moves=OTHER_MOVES), name="a changed EQ move")
    live.wait_running(1)
    assert live.js(f"{section}.getBoundingClientRect().top") == pytest.approx(top, abs=1.0)
    assert note.input_value() == "Half a note"
    assert live.js("[document.activeElement.selectionStart, document.activeElement.selectionEnd]") == [4, 6]
    times = live.js("window.seen.times")
    steps = [(b[1] - a[1]) - (b[0] - a[0]) for a, b in pairwise(times)]
    print(f"{len(times)} looks; sound against clock: {min(steps):+.3f} to {max(steps):+.3f} s")
    # The sound goes on from where it was: never ahead by what is heard as a jump, never back.
    assert max(steps) < 0.25
    assert all(b[1] >= a[1] - 0.25 for a, b in pairwise(times))
    score = live.score(1)
    low = next(one for one in score["lanes"] if one["control"] == "low")["points"]
    step = min(x for x, y in low if y == max(y for _, y in low))
    bar_3 = score["x0"] + (score["x1"] - score["x0"]) * (OVERLAP_S + 3 * BAR_S) / 20.0
    assert step == pytest.approx(bar_3, abs=1.0)


def test_a_changed_overlap_keeps_the_bar(rehearsal, live):
    live.seek(1, OVERLAP_S + 2 * BAR_S)
    save(rehearsal, live, plan_text(overlap_bars=3), name="a changed overlap")
    live.wait("document.querySelector('#t1 output.time').textContent.includes('of 0:18.0')")
    assert live.time_s(1) == pytest.approx(OVERLAP_S + 2 * BAR_S, abs=0.05)
    assert live.paused(1)


def test_transitions_that_did_not_change_stay_as_they_are(rehearsal, live):
    live.seek(2, 3.0)
    live.play(2)
    live.js("window.same = document.getElementById('t2')")
    live.js(WATCH)
    save(rehearsal, live, plan_text(moves=OTHER_MOVES))
    live.wait_running(2)
    assert live.js("window.same === document.getElementById('t2') && window.same.isConnected")
    assert live.js("window.seen.silent") == 0


@pytest.mark.parametrize("wrong", ["4 barz", IMAGE, SCRIPT], ids=["word", "image", "script"])
def test_a_fault_of_the_plan_is_shown_with_its_line_and_goes_when_mended(wrong, rehearsal, live):
    good = plan_text()
    broken = good.replace("leave: 7, enter: 2, overlap: 4 bars", f"leave: 7, enter: 2, overlap: '{wrong}'")
    line = 1 + broken.split(wrong if wrong == "4 barz" else f"'{wrong}'")[0].count("\n")
    clip = clip_of(live)
    rehearsal.save(broken)
    live.wait("document.getElementById('faults').textContent !== ''")
    words = live.text("#faults")
    print(words)
    assert f"line {line}, column " in words
    assert wrong in words
    assert live.page.locator("#faults").get_attribute("role") == "alert"
    assert live.js(f"document.querySelectorAll('{STRANGE}').length") == 0
    assert clip_of(live) == clip
    live.play(1)
    assert live.page.locator("#faults").is_visible()
    rehearsal.save(good)
    live.wait("document.getElementById('faults').textContent === ''")
    assert not live.paused(1)


@pytest.mark.parametrize("first_plan", ["tracks: nonsense\n"])
def test_a_rehearsal_that_begins_with_a_fault_fills_its_page_when_it_is_mended(rehearsal, open_tab):
    tab = open_tab(rehearsal.url)
    tab.wait("document.getElementById('faults').textContent.includes('line 1')")
    rehearsal.save(plan_text())
    tab.wait("document.querySelectorAll('section.transition audio').length === 2")
    tab.wait("document.getElementById('faults').textContent === ''")


def test_a_track_less_and_again_one_more_changes_the_page_without_loading_it_anew(rehearsal, live):
    live.js("window.stays = true")
    live.page.locator("#t2 textarea.note").fill("Of b and c")
    live.play(1)
    text = plan_text()
    left = [line for line in text.splitlines() if not line.startswith(("  c:", "  - {from: b"))]
    rehearsal.save("\n".join(left) + "\n")
    live.wait("document.querySelectorAll('section.transition').length === 1")
    live.wait("document.querySelectorAll('.tracklist tbody tr').length === 2")
    rehearsal.save(text)
    live.wait("document.querySelectorAll('section.transition').length === 2")
    assert live.page.locator("#t2 textarea.note").input_value() == "Of b and c"
    assert live.js("window.stays")
    assert not live.paused(1)


def loudness_lufs(tab, clip: str) -> float:
    """Integrated loudness of a clip as it is served, by another meter than ours."""
    body = tab.context.request.get(urljoin(tab.url, clip)).body()
    sound, rate_hz = soundfile.read(io.BytesIO(body))
    return float(pyloudnorm.Meter(rate_hz).integrated_loudness(sound))


@pytest.mark.parametrize(
    ("first_plan", "second"),
    [(plan_text(moves=LOUD_MOVES), SOFTER_MOVES), (plan_text(moves=SOFTER_MOVES), LOUD_MOVES)],
    ids=["softer", "louder"],
)
def test_two_versions_are_switched_while_playing_at_one_loudness(second, rehearsal, open_tab):
    tab = opened(rehearsal, open_tab, reduced_motion="reduce")
    tab.wait("document.querySelector('#t1 .moves').textContent.includes('level')")
    tab.wait("document.getElementById('live-status').textContent === ''")
    tab.js(f"() => {{ {GAINS} }}")
    before = clip_of(tab)
    save(rehearsal, tab, plan_text(moves=second))
    clips = {"before": before, "now": clip_of(tab)}
    tab.page.locator("#t1 .version").nth(1).wait_for(state="visible")
    tab.seek(1, 4.0)
    tab.play(1)
    tab.js(WATCH)
    heard = {}
    for version in ("before", "now", "before"):
        button = tab.page.locator(f"#t1 .version[data-version={version}]")
        known = tab.js("window.gains.length")
        button.click()
        tab.wait(f"window.gains.length > {known}")
        assert button.get_attribute("aria-pressed") == "true"
        assert tab.js("document.querySelector('#t1 audio').muted")
        heard[version] = loudness_lufs(tab, clips[version]) + 20 * math.log10(tab.js("window.gains.at(-1)"))
        tab.wait_running(1)
    apart_db = heard["now"] - heard["before"]
    print(f"heard: {heard['before']:.2f} and {heard['now']:.2f} LUFS, {apart_db:+.2f} <= {EQUAL_DB} dB")
    assert abs(loudness_lufs(tab, clips["now"]) - loudness_lufs(tab, clips["before"])) > 3.0
    assert abs(apart_db) <= EQUAL_DB
    assert max(tab.js("window.gains")) <= 1.0  # nothing is made louder: nothing clips
    times = tab.js("window.seen.times")
    steps = [(b[1] - a[1]) - (b[0] - a[0]) for a, b in pairwise(times)]
    print(f"sound against clock: {min(steps):+.3f} to {max(steps):+.3f} s")
    assert max(steps) < 0.35
    assert tab.js("window.seen.silent") == 0


def test_the_version_before_is_heard_by_a_key(rehearsal, live):
    save(rehearsal, live, plan_text(moves=OTHER_MOVES))
    live.page.locator("#t1 .version").nth(1).wait_for(state="visible")
    live.page.locator("#t1").focus()
    for pressed in ("before", "now"):
        live.page.keyboard.press("b")
        chosen = live.page.locator("#t1 .version[aria-pressed=true]")
        live.wait(
            f"document.querySelector('#t1 .version[aria-pressed=true]').dataset.version === '{pressed}'"
        )
        assert chosen.count() == 1


@pytest.mark.parametrize("size", [None, PHONE], ids=["desktop", "phone"])
def test_axe_finds_nothing_beside_versions_and_faults(size, rehearsal, open_tab, axe):
    tab = opened(
        rehearsal, open_tab, color_scheme="dark", **({"size": size, "is_mobile": True} if size else {})
    )
    save(rehearsal, tab, plan_text(moves=OTHER_MOVES))
    tab.page.locator("#t1 .version").nth(1).wait_for(state="visible")
    rehearsal.save(plan_text(moves=MOVES).replace("4 bars", f"'{IMAGE}'"))
    tab.wait("document.querySelectorAll('#faults li').length === 2")
    assert violations(tab, axe) == []
    assert tab.js("document.documentElement.scrollWidth") <= tab.page.viewport_size["width"]


def test_the_page_says_when_the_rehearsal_is_over_and_stays(rehearsal, live):
    live.seek(1, 2.0)
    live.play(1)
    rehearsal.process.send_signal(signal.SIGINT)
    rehearsal.process.wait(60)
    live.wait("document.getElementById('live-status').textContent.includes('rehearsal')")
    print(live.text("#live-status"))
    live.faults = [fault for fault in live.faults if "net::ERR_" not in fault]  # the browser's own words
    assert live.page.locator("#t1 h2").is_visible()


FETCH = "([url, mode]) => fetch(url, { mode }).then((answer) => answer.text(), () => null)"
NAMES, MODES = ("", "events", "sections"), ("cors", "no-cors")


def test_pages_from_elsewhere_get_nothing(rehearsal, browser):
    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>Elsewhere</title>")

        def log_message(self, *_):
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        context = browser.new_context()
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.server_address[1]}/")
        got = [page.evaluate(FETCH, [rehearsal.url + name, mode]) for name in NAMES for mode in MODES]
        assert page.evaluate(FETCH, [page.url, "cors"]).startswith("<!doctype html>")
        context.close()
        server.shutdown()
    assert got == [None] * len(NAMES) * len(MODES)


FOREIGN = {
    "another host": ("example.com", "", 421),
    "no port": ("127.0.0.1", "", 421),
    "a longer name": ("127.0.0.1.example.com:{port}", "", 421),
    "another origin": ("127.0.0.1:{port}", "Origin: http://example.com\r\n", 403),
    "no origin": ("127.0.0.1:{port}", "Origin: null\r\n", 403),
    "itself": ("127.0.0.1:{port}", "Origin: http://127.0.0.1:{port}\r\n", 200),
}


def test_requests_in_other_names_are_refused(rehearsal):
    parts = urlsplit(rehearsal.url)
    assert parts.hostname == "127.0.0.1"
    for who, (host, more, status) in FOREIGN.items():
        request = f"GET {parts.path} HTTP/1.1\r\nHost: {host}\r\n{more}Connection: close\r\n\r\n"
        with socket.create_connection(("127.0.0.1", parts.port), timeout=60) as line:
            line.sendall(request.format(port=parts.port).encode())
            answer = line.makefile("rb").readline()
        assert int(answer.split()[1]) == status, who
