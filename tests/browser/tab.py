"""An open page under test: what it asks for and complains of, its players, its scores in pixels."""

from __future__ import annotations

import time
from typing import Any
from urllib.parse import urljoin

DESKTOP = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}

PATIENCE_MS = 20_000
"""How long a test waits for what should come at once: machines under load are slow."""

_SCORE = """(id) => {
  const figure = document.querySelector(`#${id} figure`);
  const svg = [...figure.querySelectorAll('svg.score')].find((one) => one.getClientRects().length);
  const ctm = svg.getScreenCTM();
  const x = (user) => user * ctm.a + ctm.e;
  const box = svg.getBoundingClientRect();
  return {
    x0: x(Number(svg.dataset.x0)), x1: x(Number(svg.dataset.x1)), middle: box.top + box.height / 2,
    duration_s: Number(svg.dataset.durationS),
    bars: [...new Set([...svg.querySelectorAll('path.bar, path.heavy')].flatMap(
      (path) => [...path.getAttribute('d').matchAll(/M(-?[\\d.]+) /g)].map((found) => x(Number(found[1])))))],
    lanes: [...svg.querySelectorAll('polyline[data-control]')].map((line) => ({
      track: line.dataset.track, control: line.dataset.control,
      points: [...line.points].map((at) => { const p = at.matrixTransform(ctm); return [p.x, p.y]; }),
    })),
  };
}"""


class Tab:
    """One page in a browser context of its own; `faults` are what no page may do."""

    def __init__(self, browser: Any, url: str, *, size: dict[str, int], **options: Any):
        self.url = url
        self.faults: list[str] = []
        self.asked: list[str] = []
        self.context = browser.new_context(viewport=size, **options)
        self.context.set_default_timeout(PATIENCE_MS)
        self.page = self.context.new_page()
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        self.page.on("dialog", self._refuse)
        self.page.on("request", lambda request: self._look_at(request.url))
        self.page.goto(url)

    def _hear(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.faults.append(f"console: {message.text}")

    def _refuse(self, dialog: Any) -> None:
        self.faults.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def _look_at(self, url: str) -> None:
        self.asked.append(url)
        if not url.startswith((urljoin(self.url, "."), "data:", "blob:")):
            self.faults.append(f"request: {url}")

    def close(self) -> None:
        """Close the page and its context."""
        self.context.close()

    def js(self, script: str, argument: Any = None) -> Any:
        """The value of a script in the page."""
        return self.page.evaluate(script, argument)

    def wait(self, script: str, argument: Any = None) -> None:
        """Wait until a script's value is true; the page's policy forbids what Playwright would do there."""
        end_s = time.monotonic() + PATIENCE_MS / 1000.0
        while not self.page.evaluate(script, argument):
            assert time.monotonic() < end_s, f"never came true: {script}"
            self.page.wait_for_timeout(20)

    def score(self, index: int) -> dict[str, Any]:
        """The score of a transition that is shown, with every place in pixels of the window."""
        self.page.locator(f"#t{index} figure").scroll_into_view_if_needed()
        return dict(self.js(_SCORE, f"t{index}"))

    def play(self, index: int) -> None:
        """Press the button of a transition, and wait until its sound runs."""
        self.page.locator(f"#t{index} button.play").click()
        self.wait_running(index)

    def wait_running(self, index: int) -> None:
        """Wait until a transition's player has gone on for 0.2 s from where it is."""
        start_s = self.time_s(index)
        self.wait(
            "([id, start]) => { const a = document.querySelector(`#${id} audio`);"
            " return !a.paused && a.currentTime > start + 0.2; }",
            [f"t{index}", start_s],
        )

    def time_s(self, index: int) -> float:
        """Where a transition's player stands, in seconds of its clip."""
        return float(self.js("(id) => document.querySelector(`#${id} audio`).currentTime", f"t{index}"))

    def seek(self, index: int, time_s: float) -> None:
        """Put a transition's player to a second of its clip, and wait until it is there."""
        audio = f"document.querySelector('#t{index} audio')"
        self.js(f"{audio}.preload = 'auto'")
        self.wait(f"{audio}.readyState > 1")
        self.js(f"{audio}.currentTime = {time_s}")
        self.wait(f"!{audio}.seeking")

    def paused(self, index: int) -> bool:
        """Whether a transition's player is silent."""
        return bool(self.js("(id) => document.querySelector(`#${id} audio`).paused", f"t{index}"))

    def text(self, selector: str) -> str:
        """The text of an element, as it is in the document."""
        return str(self.page.locator(selector).first.text_content())
