"""Events from any thread to every open page, as server-sent events."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable
from typing import Any

KEEP_ALIVE_S = 15.0
"""After so long without an event a comment is sent, so that a page that has gone is noticed."""

WAITING = 64
"""Events that may wait for one page; where more would, it gets the whole state instead."""

Document = dict[str, Any]


def event_text(name: str, document: Document) -> str:
    """One event as it goes over the line (HTML Standard, 9.2.6 "Interpreting an event stream")."""
    return f"event: {name}\ndata: {json.dumps(document, allow_nan=False)}\n\n"


class _Page:
    """One open page: what waits for it, in the loop that serves it. None ends it."""

    def __init__(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.queue: asyncio.Queue[str | None] = asyncio.Queue()

    def push(self, text: str | None) -> None:
        self.loop.call_soon_threadsafe(self.queue.put_nowait, text)


class Hub:
    """Where events are published and pages listen; both may be done from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pages: set[_Page] = set()
        self._closed = False

    def publish(self, name: str, document: Document) -> None:
        """Send an event to every page that listens."""
        text = event_text(name, document)
        with self._lock:
            for page in self._pages:
                page.push(text)

    def close(self) -> None:
        """End every page's stream, and those that are still to come."""
        with self._lock:
            self._closed = True
            for page in self._pages:
                page.push(None)

    async def listen(self, state: Callable[[], Document]) -> AsyncIterator[str]:
        """The state as an event of its own, then every event from there on."""
        page = _Page()
        with self._lock:
            if self._closed:
                return
            self._pages.add(page)
        try:
            # Asked for once we listen: an event that comes in between is told twice rather than never.
            yield event_text("state", state())
            while (text := await _next(page.queue)) is not None:
                if page.queue.qsize() > WAITING:
                    while not page.queue.empty():
                        if page.queue.get_nowait() is None:
                            return
                    text = event_text("state", state())
                yield text
        finally:
            with self._lock:
                self._pages.discard(page)


async def _next(queue: asyncio.Queue[str | None]) -> str | None:
    try:
        return await asyncio.wait_for(queue.get(), KEEP_ALIVE_S)
    except TimeoutError:
        return ": still here\n\n"
