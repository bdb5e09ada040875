"""How long it takes from saving a plan to the event with the new clip, as an open page sees it.

    python tests/benchmarks/rehearse_loop.py [--folder FOLDER] [--rounds 5]

A rehearsal of the plan of `bench_rehearse.py` is served, and a page listens. The plan is saved with another
value of one EQ move, with another overlap, with another tempo, and with a fault; each line has the median of
the rounds in seconds, from the save to the event that swaps the clip (or shows the fault), beside the aim.
"""

from __future__ import annotations

import argparse
import json
import queue
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

from bench_rehearse import HOUSE, plan_text

from mixrender.audio.cache import Cache
from mixrender.demo.tracks import make_tracks
from mixrender.progress import NoProgress
from mixrender.rehearse.run import rehearse
from mixrender.rehearse.work import Wanted

AIMS_S = {"one EQ move": 2.0, "overlap": 8.0, "tempo": 8.0, "a fault is shown": 1.0, "the page opens": 1.0}
PATIENCE_S = 600.0
NUMBER = 2
"""The transition of the plan that is worked on."""

Event = tuple[str, dict[str, object]]


@contextmanager
def _rehearsal(plan_file: Path, cache: Cache) -> Iterator[str]:
    """The address of a rehearsal that ends with the context."""
    stop, urls = threading.Event(), queue.Queue[str]()
    thread = threading.Thread(
        target=rehearse,
        args=(Wanted(plan_file),),
        kwargs={
            "cache": cache,
            "progress": NoProgress(),
            "tell": lambda line: None,
            "opened": urls.put,
            "stop": stop,
        },
    )
    thread.start()
    try:
        yield urls.get(timeout=PATIENCE_S)
    finally:
        stop.set()
        thread.join()


def _listen(url: str) -> queue.Queue[Event]:
    """The events of a page that is open from now on."""
    found: queue.Queue[Event] = queue.Queue()

    def read() -> None:
        name = ""
        with urlopen(f"{url}events") as stream:
            for raw in stream:
                line = raw.decode("utf-8").rstrip("\n")
                if line.startswith("event: "):
                    name = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    found.put((name, json.loads(line.removeprefix("data: "))))

    threading.Thread(target=read, daemon=True).start()
    return found


def _until(events: queue.Queue[Event], fits: Callable[[str, dict[str, object]], bool]) -> None:
    while not fits(*events.get(timeout=PATIENCE_S)):
        pass


def _is_idle(name: str, document: dict[str, object]) -> bool:
    return name == "status" and not document["status"]


def time_loop(folder: Path, cache: Cache, *, rounds: int = 5) -> dict[str, float]:
    """Median seconds from the save to the event, for each kind of change; tracks are made in `folder`."""
    make_tracks(folder, scores=HOUSE)
    cache.remove(cache.entries())  # what an earlier run has kept would cost nothing; the tracks stay known
    plan_file = folder / "loop.yaml"
    plan_file.write_text(plan_text(folder), encoding="utf-8")
    texts = {
        "one EQ move": [plan_text(folder, high_db=-6.0 - k / 8) for k in range(rounds)],
        "overlap": [plan_text(folder, overlap_bars=(8, 12, 14, 10, 15)[k % 5]) for k in range(rounds)],
        "tempo": [plan_text(folder, tempo_bpm=127.0 + k / 8) for k in range(rounds)],
    }
    taken_s: dict[str, list[float]] = {name: [] for name in AIMS_S}
    with _rehearsal(plan_file, cache) as url:
        events = _listen(url)
        _until(events, lambda name, document: name == "around")
        _until(events, _is_idle)
        urlopen(f"{url}at/{NUMBER}").close()
        for name, changed in texts.items():
            for text in changed:
                taken_s[name].append(_saved(plan_file, text, events, _is_swap))
                _until(events, _is_idle)
        good = plan_file.read_text(encoding="utf-8")
        for _ in range(rounds):
            faulty = good.replace("recipe: bass-swap", "recipe: bass-swop")
            taken_s["a fault is shown"].append(
                _saved(plan_file, faulty, events, lambda name, document: name == "faults")
            )
            plan_file.write_text(good, encoding="utf-8")
            _until(events, _is_idle)
            begun_s = time.perf_counter()
            with urlopen(url) as page:
                page.read()
            taken_s["the page opens"].append(time.perf_counter() - begun_s)
    return {name: statistics.median(found) for name, found in taken_s.items()}


def _is_swap(name: str, document: dict[str, object]) -> bool:
    return name == "transition" and document["index"] == NUMBER


def _saved(
    plan_file: Path,
    text: str,
    events: queue.Queue[Event],
    fits: Callable[[str, dict[str, object]], bool],
) -> float:
    begun_s = time.perf_counter()
    plan_file.write_text(text, encoding="utf-8")
    _until(events, fits)
    return time.perf_counter() - begun_s


def main() -> None:
    """Print a line for each kind of change."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--folder", type=Path, help="where tracks are made and kept (unless told: for once)")
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as passing:
        folder = given.folder or Path(passing)
        for name, seconds in time_loop(folder, Cache(folder / "cache"), rounds=given.rounds).items():
            print(f"{name:20} {seconds:7.3f} s   (aim {AIMS_S[name]:g} s)")


if __name__ == "__main__":
    main()
