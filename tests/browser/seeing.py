"""What is looked at in every state of a page: that axe-core finds nothing against it, by day and by night; and a picture of it
where pictures are kept.

axe-core is a general-purpose checker of the Web Content Accessibility Guidelines (W3C, WCAG 2.2).
"""

from __future__ import annotations

import os
from pathlib import Path

from axe_playwright_python.base import AXE_FILE_PATH
from playwright.sync_api import Page

SHOTS = os.environ.get("ARCHPROOF_SHOTS")
"""Folder for screenshots of every step; none are kept where it is not set."""

ASKED = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    },
    "resultTypes": ["violations"],
    "preload": False,
}
CHECKED: set[Page] = set()
"""Pages under axe-core at the moment: what it tries there (styles of its own) is no complaint about the page."""
FIND = "async (asked) => (await axe.run(document, asked)).violations"


def see(page: Page, name: str) -> None:
    """Fails where axe-core finds anything against the page as it stands, in light or in dark, once all of it is there."""
    page.wait_for_load_state("load")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        _keep(page, f"{name}-{scheme}")
        against = _violations(page)
        assert not against, f"{name}, {scheme}: " + "\n".join(against)
    page.emulate_media(color_scheme="light")


def _violations(page: Page) -> list[str]:
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE_FILE_PATH.read_text("utf-8"))
    CHECKED.add(page)
    try:
        found = page.evaluate(FIND, ASKED)
    finally:
        page.wait_for_timeout(20)
        CHECKED.discard(page)
    return [f"{v['id']} ({v['help']}): {node['html'][:200]}" for v in found for node in v["nodes"][:5]]


def _keep(page: Page, name: str) -> None:
    if SHOTS:
        Path(SHOTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)
