"""Pages as assistive programs find them: no violation known to axe-core, in every look."""

from __future__ import annotations

import pytest
from tab import DESKTOP, PHONE

pytestmark = [pytest.mark.accuracy, pytest.mark.browser]

SIZES = {"desktop": {"size": DESKTOP}, "phone": {"size": PHONE, "is_mobile": True, "has_touch": True}}


def violations(tab, axe: str) -> list[str]:
    """What axe-core finds in the page as it stands, with what it does not skip for being far down."""
    tab.js("for (const s of document.querySelectorAll('.transition')) s.style.contentVisibility = 'visible'")
    tab.js(axe)
    found = tab.js("axe.run(document, { resultTypes: ['violations'] })")
    rules = len(found["passes"])
    print(f"axe-core {found['testEngine']['version']}: {rules} rules pass, {len(found['violations'])} do not")
    assert rules > 10
    return [f"{one['id']}: {node['html']}" for one in found["violations"] for node in one["nodes"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", ["preview", "mix"])
def test_axe_finds_nothing(page, size, scheme, preview_url, mix_url, open_tab, axe):
    url = preview_url if page == "preview" else mix_url
    tab = open_tab(url, color_scheme=scheme, **SIZES[size])
    assert violations(tab, axe) == []


def test_axe_finds_nothing_while_the_keys_are_shown(preview_url, open_tab, axe):
    tab = open_tab(preview_url)
    tab.page.locator("#show-keys").click()
    assert violations(tab, axe) == []


def test_axe_finds_what_is_wrong(preview_url, open_tab, axe):
    tab = open_tab(preview_url)
    tab.js("document.querySelector('button.play').removeAttribute('aria-label')")
    assert any(found.startswith("button-name") for found in violations(tab, axe))
