"""A browser, the mixes that it opens, and rehearsals served by the command itself."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from mixes import FILES, make_long, make_small, plan_text
from rehearsal import Rehearsal, rehearsing
from tab import DESKTOP, Tab

from mixrender.audio.cache import Cache

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

OpenTab = Callable[..., Tab]


def missing(what: str) -> None:
    """Skip a test for want of a program: where CI_BROWSER is set it should be there, so the test fails."""
    if os.environ.get("CI_BROWSER"):
        pytest.fail(f"{what}, and CI_BROWSER is set")
    pytest.skip(what)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Debian's Chromium, without a window."""
    if not Path(CHROMIUM).is_file():
        missing(f"there is no {CHROMIUM} (on Debian: apt-get install chromium)")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("the Python package playwright is not installed")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture
def open_tab(browser: Any) -> Iterator[OpenTab]:
    """Opens addresses, each as if in a browser of its own; at the end none may have had a fault."""
    tabs: list[Tab] = []

    def opened(url: str, *, size: dict[str, int] = DESKTOP, **options: Any) -> Tab:
        tabs.append(Tab(browser, url, size=size, **options))
        return tabs[-1]

    yield opened
    for tab in tabs:
        tab.close()
    assert [fault for tab in tabs for fault in tab.faults] == []


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of axe-core (MPL-2.0), which looks for faults of accessibility."""
    named = os.environ.get("MIXRENDER_AXE")
    if not named:
        missing("MIXRENDER_AXE does not name axe.min.js (npm pack axe-core)")
    return Path(str(named)).read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of one run share."""
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if os.environ.get("PYTEST_XDIST_WORKER") else own) / "browser"
    folder.mkdir(exist_ok=True)
    return folder


def made_once(shared: Path, name: str, make: Callable[[Path, Cache], None]) -> Path:
    """A folder that the first process to ask for it fills, while others wait."""
    folder = shared / name
    with (shared / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder, Cache(shared / "cache"))
            (folder / "done").touch()
    return folder


@pytest.fixture(scope="session")
def small(shared: Path) -> Path:
    """The folder of the small mix: `plan.yaml`, tracks, `clips` and `mix` with their pages."""
    return made_once(shared, "small", make_small)


@pytest.fixture(scope="session")
def long(shared: Path) -> Path:
    """The folder of the mix of twenty transitions: `clips` with their page."""
    return made_once(shared, "long", make_long)


@pytest.fixture
def preview_url(small: Path) -> str:
    """The page of the small mix's clips, on the disk."""
    return (small / "clips" / "preview.html").as_uri()


@pytest.fixture
def mix_url(small: Path) -> str:
    """The page of the small mix as a whole, on the disk."""
    return (small / "mix" / "mix.html").as_uri()


@pytest.fixture
def first_plan() -> str:
    """The plan that a rehearsal begins with; tests may give another by `parametrize`."""
    return plan_text()


@pytest.fixture
def rehearsal(
    small: Path, shared: Path, tmp_path: Path, browser: Any, first_plan: str
) -> Iterator[Rehearsal]:
    """The small mix, rehearsed by the command: its plan is the test's own, its tracks are shared."""
    for file in FILES.values():
        (tmp_path / file).symlink_to(small / file)
    (tmp_path / "plan.yaml").write_text(first_plan, encoding="utf-8")
    with rehearsing(tmp_path / "plan.yaml", cache=shared / "cache") as served:
        yield served
