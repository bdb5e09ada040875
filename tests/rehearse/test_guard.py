"""Who may ask the rehearsal's server for what: this machine, its own page, and only what is on its list."""

from __future__ import annotations

import json
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from served import Events, Served, ask, rehearsing

from mixrender.audio.cache import Cache
from mixrender.errors import InputError
from mixrender.rehearse.server import HOST, TOKEN_BYTES, listen, new_token


@pytest.fixture(scope="module")
def served(music: tuple[Path, Cache]) -> Iterator[Served]:
    """One rehearsal for all of these tests: they change nothing."""
    file = music[0] / "guarded.yaml"
    shutil.copy2(music[0] / "plan.yaml", file)
    with rehearsing(file, music[1], lead_bars=1.0, tail_bars=1.0) as found:
        events = found.events()
        if len(events.until("state")[0]["sections"]) < 2:
            events.until_idle()
        events.close()
        yield found


def clip_of(served: Served) -> str:
    return str(served.sections()[0]["versions"][-1]["clip"])


def test_it_listens_on_127_0_0_1_alone():
    with listen(None) as found:
        assert HOST == "127.0.0.1"
        assert found.getsockname()[0] == "127.0.0.1"
        port = found.getsockname()[1]
        with pytest.raises(OSError), socket.create_connection(("127.0.0.2", port), timeout=1.0):
            pass


def test_a_port_in_use_is_one_clear_fault():
    with listen(None) as found:
        port = found.getsockname()[1]

        with pytest.raises(InputError, match=rf"port {port} is used by another program\. Name another"):
            listen(port)


def test_a_token_is_long_and_another_every_time():
    assert TOKEN_BYTES * 8 >= 64
    assert len({new_token() for _ in range(100)}) == 100


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "[::1]:{port}", ""]
)
def test_a_foreign_host_is_refused(served, host):
    for target in (served.root, served.root + "events", served.root + clip_of(served)):
        reply = ask(served.port, target, headers={"Host": host.format(port=served.port)})

        # An empty or repeated Host is turned away by the parser itself.
        assert reply.status in ((421,) if host else (400, 421))
        assert b"Night Ferry" not in reply.body


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LOCALHOST"])
def test_this_machines_own_names_are_accepted(served, name):
    assert served.get(headers={"Host": f"{name}:{served.port}"}).status == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_what_a_page_of_another_origin_asks_for_is_refused(served, headers):
    given = {name: value.format(port=served.port) for name, value in headers.items()}

    assert served.get("sections", headers=given).status == 403


def test_its_own_page_is_answered_and_no_answer_opens_it_to_others(served):
    own = {"Origin": f"http://127.0.0.1:{served.port}", "Sec-Fetch-Site": "same-origin"}

    for name in ("", "sections", clip_of(served), "nothing"):
        reply = served.get(name, headers=own)
        assert reply.status == (404 if name == "nothing" else 200)
        assert not [header for header in reply.headers if header.lower().startswith("access-control")]
        assert reply.headers["Cache-Control"] == "no-store"
        assert reply.headers["X-Content-Type-Options"] == "nosniff"
        assert "frame-ancestors 'none'" in reply.headers["Content-Security-Policy"]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_there_is_nothing_but_reading(served, method):
    for name in ("", "sections", "at/1", clip_of(served)):
        assert served.get(name, method=method).status == 405


def test_nothing_is_there_without_the_token(served):
    clip = clip_of(served)
    for target in (
        "/",
        "/events",
        "/sections",
        f"/{clip}",
        f"/wrong/{clip}",
        "/favicon.ico",
        served.root[:-1],
    ):
        assert ask(served.port, target).status == 404


TRAVERSALS = [
    "../night.yaml",
    "..%2fnight.yaml",
    "%2e%2e/night.yaml",
    "%2e%2e%2fnight.yaml",
    "%252e%252e%252fnight.yaml",
    "..%5cnight.yaml",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "//etc/passwd",
    "file:%2f%2f%2fetc%2fpasswd",
    "{clip}%00",
    "%00",
    "./{clip}%2f..%2f{clip}",
    "clips/{clip}",
    "{clip}/",
    "{clip}%20",
    "{upper}",
    ".",
    "..",
    "",
]


@pytest.mark.parametrize("path", [path for path in TRAVERSALS if path])
def test_what_is_no_name_of_a_clip_is_not_found(served, path):
    clip = clip_of(served)
    target = path.format(clip=clip, upper=clip.upper())

    reply = served.get(target)

    assert reply.status == 404
    assert b"tracks:" not in reply.body and b"root:" not in reply.body


def test_a_clip_is_served_whole_and_in_ranges(served):
    clip = clip_of(served)
    whole = served.get(clip)
    size = len(whole.body)

    assert whole.status == 200
    assert whole.headers["Content-Type"] == "audio/flac"
    assert whole.headers["Accept-Ranges"] == "bytes"
    assert whole.body[:4] == b"fLaC"
    for asked, start, stop in (
        ("bytes=10-99", 10, 100),
        ("bytes=100-", 100, size),
        ("bytes=-7", size - 7, size),
    ):
        part = served.get(clip, headers={"Range": asked})
        assert part.status == 206
        assert part.headers["Content-Range"] == f"bytes {start}-{stop - 1}/{size}"
        assert part.body == whole.body[start:stop]
    assert served.get(clip, headers={"Range": f"bytes={size}-"}).status == 416


def test_the_head_of_a_clip_tells_its_size(served):
    clip = clip_of(served)

    reply = served.get(clip, method="HEAD")

    assert (reply.status, reply.body) == (200, b"")
    assert int(reply.headers["Content-Length"]) == len(served.get(clip).body)


def test_the_page_tells_the_server_where_it_is(served):
    assert served.get("at/2").status == 204
    assert served.get("at/two").status == 404


def test_every_page_that_connects_gets_the_state(served):
    other = Events(served.port, served.root + "events")

    state, before = other.until("state")

    other.close()
    assert before == []
    assert [section["pair"] for section in state["sections"]] == ["a b 0", "b c 0"]
    assert "html" not in json.dumps(state["sections"])
