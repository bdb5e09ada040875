"""The plain data of a page go in; one HTML text, whole in itself but for the sound, comes out."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

import mixrender
from mixrender.mixdown.result import MixResult
from mixrender.page.build import KINDS, build_page
from mixrender.page.model import Page
from mixrender.plan.model import Plan

STYLE = "page.css"
SCRIPT = "page.js"
LIVE_SCRIPT = "live.js"


def page_html(
    plan: Plan, result: MixResult, *, copies: Mapping[Path, Path] | None = None, live: bool = False
) -> str:
    """The page of a preview or a mix, for a folder in which its sound lies; `copies` as in `build_page`.

    With `live` it has room for versions, and the script that follows a server. The same plan and result give
    the same text.
    """
    return html_of(build_page(plan, result, copies=copies), live=live)


def html_of(page: Page, *, live: bool = False) -> str:
    """A page as HTML. All texts in it are escaped; scores are taken as they are."""
    scripts = [asset(SCRIPT), *([asset(LIVE_SCRIPT)] if live else [])]
    text = (
        _environment()
        .get_template("page.html.j2")
        .render(
            page=page,
            kind=KINDS[page.kind],
            live=live,
            style=Markup(asset(STYLE)),
            scripts=[Markup(script) for script in scripts],
            policy=policy(scripts),
            version=mixrender.__version__,
        )
    )
    return text.rstrip() + "\n"


def section_html(page: Page, index: int, *, live: bool = False) -> str:
    """The section of transition `index`, counted from 1, as it stands on the page.

    Raises KeyError if the page does not show it.
    """
    for part in page.transitions:
        if part.index == index:
            template = _environment().get_template("transition.html.j2")
            return template.render(part=part, page=page, live=live).strip() + "\n"
    raise KeyError(index)


def policy(scripts: list[str]) -> str:
    """The page's Content-Security-Policy: nothing from elsewhere, and no script but its own.

    Scripts are allowed by their hash (CSP Level 3, 2.3.1). Styles hold no code, and those of scores differ,
    so they are allowed as they stand. On `file:` most browsers take 'self' for nothing, hence the scheme.
    """
    hashes = " ".join(f"'sha256-{_digest(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "media-src 'self' file:; connect-src 'self'; base-uri 'none'; form-action 'none'"
    )


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")


@lru_cache(maxsize=8)
def asset(name: str) -> str:
    """A style or a script of the page."""
    return files("mixrender.page").joinpath("assets", name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("mixrender.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["score"] = Markup
    return environment
