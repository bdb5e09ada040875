"""A rehearsal under test: its server reached by plain HTTP, its events read as they come."""

from __future__ import annotations

import http.client
import json
import queue
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from mixrender.audio.cache import Cache
from mixrender.progress import NoProgress
from mixrender.rehearse.run import rehearse
from mixrender.rehearse.work import Wanted

PATIENCE_S = 30.0
"""How long a test waits for what should come at once: machines under load are slow."""

Document = dict[str, Any]


class Reply:
    """An answer, read whole."""

    def __init__(self, response: http.client.HTTPResponse):
        self.status = response.status
        self.headers = response.headers
        self.body = response.read()


def ask(port: int, target: str, *, method: str = "GET", headers: dict[str, str] | None = None) -> Reply:
    """One request whose target goes over the line as it stands, not tidied up as browsers do."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        given = headers or {}
        connection.putrequest(method, target, skip_host="Host" in given, skip_accept_encoding=True)
        for name, value in given.items():
            connection.putheader(name, value)
        connection.endheaders()
        return Reply(connection.getresponse())
    finally:
        connection.close()


class Events:
    """The events of one open page, in the order they come."""

    def __init__(self, port: int, target: str):
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        self._connection.connect()
        self._socket = self._connection.sock
        self._connection.request("GET", target)
        self._response = self._connection.getresponse()
        assert self._response.headers["Content-Type"].startswith("text/event-stream")
        self._queue: queue.Queue[tuple[str, Document]] = queue.Queue()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        name = ""
        try:
            for raw in self._response:
                line = raw.decode("utf-8").rstrip("\n")
                if line.startswith("event: "):
                    name = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    self._queue.put((name, json.loads(line.removeprefix("data: "))))
        except (OSError, ValueError, AttributeError, http.client.HTTPException):
            pass  # closed by the test, or by the server's end

    def until(self, wanted: str) -> tuple[Document, list[tuple[str, Document]]]:
        """The next event of that name, and those that came before it."""
        before: list[tuple[str, Document]] = []
        end_s = time.monotonic() + PATIENCE_S
        while True:
            name, document = self._queue.get(timeout=max(end_s - time.monotonic(), 0.01))
            if name == wanted:
                return document, before
            before.append((name, document))

    def until_idle(self) -> list[tuple[str, Document]]:
        """Every event until the work is done: until the status is empty again."""
        found: list[tuple[str, Document]] = []
        while True:
            status, before = self.until("status")
            found += [*before, ("status", status)]
            if not status["status"]:
                return found

    def close(self) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)  # closing waits for whoever reads
        self._thread.join(PATIENCE_S)
        self._response.close()
        self._connection.close()


class Served:
    """A running rehearsal."""

    def __init__(self, url: str, told: list[str]):
        parts = urlsplit(url)
        assert parts.hostname == "127.0.0.1" and parts.port is not None
        self.url, self.port, self.root, self.told = url, parts.port, parts.path, told

    def get(self, name: str = "", **options: Any) -> Reply:
        return ask(self.port, self.root + name, **options)

    def sections(self) -> list[Document]:
        return list(json.loads(self.get("sections").body)["sections"])

    def events(self) -> Events:
        return Events(self.port, self.root + "events")


@contextmanager
def rehearsing(plan_file: Path, cache: Cache, **wanted: Any) -> Iterator[Served]:
    """A rehearsal of that plan, ended with the context."""
    stop, urls, told, faults = threading.Event(), queue.Queue[str](), list[str](), list[BaseException]()

    def run() -> None:
        try:
            rehearse(
                Wanted(plan_file, **wanted),
                cache=cache,
                progress=NoProgress(),
                tell=told.append,
                opened=urls.put,
                stop=stop,
            )
        except BaseException as error:
            faults.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield Served(urls.get(timeout=PATIENCE_S), told)
    finally:
        stop.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert not faults
