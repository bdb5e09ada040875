"""One cache for all tests of the render room: what one stretched, the others need not."""

from __future__ import annotations

import pytest

from mixrender.audio.cache import Cache


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Cache:
    return Cache(tmp_path_factory.mktemp("cache"))
