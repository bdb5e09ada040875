"""Blocks of sound made while those before them are used: a stage of a pipeline in a thread of its own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from mixrender.units import FloatArray

WAITING_BLOCKS = 4
"""So many blocks at most are made ahead of their use: some 4 MB."""


@dataclass(frozen=True)
class _End:
    """After the last block; `fault` is what broke them off, if anything did."""

    fault: BaseException | None = None


@contextmanager
def ahead(blocks: Iterable[FloatArray]) -> Iterator[Iterator[FloatArray]]:
    """The same blocks in the same order, made by a thread that ends with the context.

    What they raise is raised where they are used. Filters, transforms and encoders leave Python's lock, so
    that two stages take little longer than the slower one.
    """
    made: queue.Queue[FloatArray | _End] = queue.Queue(WAITING_BLOCKS)
    stopped = threading.Event()

    def work() -> None:
        try:
            for block in blocks:
                made.put(block)
                if stopped.is_set():
                    return
        except BaseException as fault:
            made.put(_End(fault))
        else:
            made.put(_End())

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield _until_end(made)
    finally:
        stopped.set()
        while thread.is_alive():
            while not made.empty():  # it may wait for room
                made.get_nowait()
            thread.join(0.001)


def _until_end(made: queue.Queue[FloatArray | _End]) -> Iterator[FloatArray]:
    while not isinstance(block := made.get(), _End):
        yield block
    if block.fault is not None:
        raise block.fault
