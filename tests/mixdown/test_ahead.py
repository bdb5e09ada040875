"""Blocks made in another thread are the same blocks, and the thread ends with their use."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from mixrender.mixdown.ahead import WAITING_BLOCKS, ahead
from mixrender.units import FloatArray


def blocks(count: int, made: list[int], *, fault: BaseException | None = None) -> Iterator[FloatArray]:
    for number in range(count):
        made.append(number)
        yield np.full((3, 2), float(number))
    if fault is not None:
        raise fault


def test_blocks_come_in_their_order_and_all_of_them() -> None:
    with ahead(blocks(50, [])) as found:
        assert [int(block[0, 0]) for block in found] == list(range(50))


def test_only_a_few_blocks_are_made_ahead_of_their_use() -> None:
    made: list[int] = []
    with ahead(blocks(50, made)) as found:
        for used, _ in enumerate(found, start=1):
            # One more waits to be put in, and one is being made.
            assert len(made) <= used + WAITING_BLOCKS + 2
    assert len(made) == 50


@pytest.mark.parametrize("fault", [ValueError("damaged"), KeyboardInterrupt()])
def test_a_fault_is_raised_where_the_blocks_are_used(fault: BaseException) -> None:
    seen = 0
    with pytest.raises(type(fault)), ahead(blocks(3, [], fault=fault)) as found:
        for _ in found:
            seen += 1
    assert seen == 3


@pytest.mark.parametrize("used", [0, 1, 7])
def test_the_thread_ends_with_the_context_whatever_was_used(used: int) -> None:
    before = threading.active_count()
    made: list[int] = []
    with pytest.raises(ZeroDivisionError), ahead(blocks(1000, made)) as found:
        for _ in range(used):
            next(found)
        raise ZeroDivisionError
    assert threading.active_count() == before
    assert len(made) < 1000


def test_stages_may_follow_each_other() -> None:
    with ahead(blocks(20, [])) as first, ahead(2.0 * block for block in first) as second:
        assert [int(block[0, 0]) for block in second] == list(range(0, 40, 2))
