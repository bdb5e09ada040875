"""What the open page shows: its transitions, the plan's faults, what is being done; each change is told."""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from mixrender.rehearse.hub import Document, Hub
from mixrender.rehearse.versions import Pair, Version


def pair_text(pair: Pair) -> str:
    """A pair as the page names it; the names of tracks hold no spaces."""
    return f"{pair[0]} {pair[1]} {pair[2]}"


@dataclass(frozen=True)
class Section:
    """One transition on the page: its number from 1, its HTML, and its clip's versions, the newest last."""

    index: int
    pair: Pair
    html: str
    versions: tuple[Version, ...]

    def document(self) -> Document:
        """The section as the page gets it; `revision` is another whenever anything in it is."""
        document: Document = {
            "index": self.index,
            "pair": pair_text(self.pair),
            "html": self.html,
            "versions": [version.document() for version in self.versions],
        }
        text = json.dumps(document, sort_keys=True)
        return document | {"revision": hashlib.blake2b(text.encode(), digest_size=8).hexdigest()}


class Stage:
    """The state of the page; changed by the worker, read by the server, safe from several threads."""

    def __init__(self, hub: Hub):
        self._hub = hub
        self._lock = threading.RLock()
        self._run = secrets.token_hex(4)
        self._title, self._around = "", ""
        self._sections: tuple[Document, ...] = ()
        self._faults: list[Document] = []
        self._status = ""
        self._current = 1

    @property
    def current(self) -> int:
        """Number of the transition that the listener is at, from 1."""
        return self._current

    def look_at(self, index: int) -> None:
        """The listener is at another transition: its clip comes first."""
        self._current = index

    def say(self, status: str) -> None:
        """What is being done, in a few words; nothing once it is done."""
        with self._lock:
            if status != self._status:
                self._status = status
                self._hub.publish("status", {"status": status})

    def set_faults(self, faults: list[Document]) -> None:
        """The faults that keep the plan from being heard as it stands; none once they are mended."""
        with self._lock:
            if faults != self._faults:
                self._faults = faults
                self._hub.publish("faults", {"faults": faults})

    def set_section(self, section: Section) -> bool:
        """One transition has changed, while their number and order have not; False if nothing has."""
        document = section.document()
        with self._lock:
            old = self.section(section.index)
            if old is None or old["pair"] != document["pair"]:
                raise LookupError(f"the page has no transition {document['pair']!r} at {section.index}")
            if old["revision"] == document["revision"]:
                return False
            self._sections = tuple(document if kept is old else kept for kept in self._sections)
            self._hub.publish("transition", document)
        return True

    def set_sections(self, title: str, sections: Sequence[Section]) -> None:
        """Other transitions, or in another order: the page gets all of them anew."""
        with self._lock:
            self._title = title
            self._sections = tuple(section.document() for section in sections)
            self._hub.publish("reload", self.state())

    def set_around(self, revision: str) -> None:
        """What stands beside the transitions has another revision than before, or the same."""
        with self._lock:
            if revision != self._around:
                self._around = revision
                self._hub.publish("around", {"around": revision})

    @property
    def title(self) -> str:
        """The mix's title, empty before any plan was read."""
        return self._title

    def pairs(self) -> tuple[tuple[int, str], ...]:
        """Number and pair of every transition on the page, in their order."""
        return tuple((section["index"], section["pair"]) for section in self.sections())

    def sections(self) -> tuple[Document, ...]:
        """Every transition on the page, in their order."""
        return self._sections

    def section(self, index: int) -> Document | None:
        """The transition of that number, or None."""
        return next((kept for kept in self._sections if kept["index"] == index), None)

    def state(self) -> Document:
        """Everything but the HTML of the transitions."""
        with self._lock:
            found = [
                {word: value for word, value in section.items() if word != "html"}
                for section in self._sections
            ]
            return {
                "run": self._run,
                "title": self._title,
                "around": self._around,
                "sections": found,
                "faults": self._faults,
                "status": self._status,
            }
