"""A whole rehearsal: the worker, the watch and the server, from the first clip until it is called off."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path

from mixrender.audio import programs
from mixrender.audio.cache import Cache
from mixrender.progress import Progress
from mixrender.rehearse.app import make_app
from mixrender.rehearse.hub import Hub
from mixrender.rehearse.server import HOST, listen, new_token, serving
from mixrender.rehearse.stage import Stage
from mixrender.rehearse.versions import Versions
from mixrender.rehearse.watch import Stamp, changes, stamps
from mixrender.rehearse.work import Wanted, Worker

STOP_S, WAIT_S = 2.0, 0.02
"""How long the work may take to break off, and how often the programs that it waits for are ended."""


def rehearse(
    wanted: Wanted,
    *,
    cache: Cache,
    progress: Progress,
    tell: Callable[[str], None],
    opened: Callable[[str], None],
    stop: threading.Event,
    port: int | None = None,
) -> None:
    """Serve the page until `stop` is set, or Ctrl-C or SIGTERM raise in this thread.

    `opened` gets the page's address once it answers, `tell` a line for each fault. The clips lie in a folder
    of the cache that is removed at the end. Raises InputError and MachineError where no server can be had.
    """
    with ExitStack() as stack:
        listening = stack.enter_context(listen(port))
        folder = stack.enter_context(cache.scratch())
        rendered, kept = folder / "rendered", folder / "clips"
        for path in (rendered, kept):
            path.mkdir()
        hub, versions, token = Hub(), Versions(kept), new_token()
        stage = Stage(hub)
        worker = Worker(
            wanted,
            stage=stage,
            versions=versions,
            folder=rendered,
            cache=cache,
            progress=progress,
            tell=tell,
        )
        port = listening.getsockname()[1]
        app = make_app(stage, hub, page=worker.page, clip=versions.file_named, token=token, port=port)
        stack.enter_context(serving(app, listening))
        stack.callback(hub.close)  # runs before the server is asked to end, which waits for open streams
        ended = threading.Event()
        work = _thread("rehearsal work", worker.run)
        # Before the plan is read for the first time: a change from here on is not missed.
        seen = stamps(worker.files)
        watch = _thread("rehearsal watch", lambda: _watch(worker, wanted.plan_file, seen, ended))
        stack.callback(_end, worker, ended, work, watch)
        work.start()
        watch.start()
        opened(f"http://{HOST}:{port}/{token}/")
        while not stop.wait(1.0):
            pass


def _watch(
    worker: Worker, plan_file: Path, seen: Mapping[Path, Stamp | None], ended: threading.Event
) -> None:
    for _ in changes(lambda: worker.files, ended, plan_file=plan_file, seen=seen):
        worker.ask()


def _thread(name: str, target: Callable[[], None]) -> threading.Thread:
    return threading.Thread(target=target, name=name, daemon=True)


def _end(worker: Worker, ended: threading.Event, work: threading.Thread, watch: threading.Thread) -> None:
    """Have the threads end, and the programs that the worker waits for."""
    worker.stop()
    ended.set()
    waited_s = 0.0
    while work.is_alive() and waited_s < STOP_S:
        programs.kill_running()
        work.join(WAIT_S)
        waited_s += WAIT_S
    watch.join(STOP_S)
