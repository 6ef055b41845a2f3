"""The way of a case by keys alone: nothing is clicked. Wherever a key does something, the focus is seen to be there."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import FileChooser, Locator, Page, expect

from tests.browser.conftest import DESK, TABLET, Watched
from tests.browser.portal import CLINIC_EMAIL, LAB_EMAIL, PASSWORD
from tests.portal.house import waves

pytestmark = pytest.mark.browser

MOST_STOPS = 150
CODE = "K-0917"
VERDICT_MS = 120_000
PATIENT_MS = 30_000
SETTLED_MS = 500
SEEN = """() => {
  const shown = [document.activeElement, document.activeElement.closest('label')].filter(Boolean);
  const next = document.activeElement.nextElementSibling;
  if (next) shown.push(next);
  return shown.some(e => { const s = getComputedStyle(e); return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; });
}"""


def tab_to(page: Page, goal: Locator) -> None:
    """Goes on by the Tab key until the focus is there, and sees that it shows."""
    goal.wait_for(state="attached")
    for _ in range(MOST_STOPS):
        if goal.evaluate("e => e === document.activeElement"):
            assert page.evaluate(SEEN), f"the focus does not show on {goal}"
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not lead to {goal}")


def press(page: Page, goal: Locator, key: str = "Enter") -> None:
    tab_to(page, goal)
    page.keyboard.press(key)


def write(page: Page, goal: Locator, text: str) -> None:
    tab_to(page, goal)
    page.keyboard.press("Control+A")
    page.keyboard.type(text)


def _heard(_: FileChooser) -> None:
    """That the window opened is waited for where the key is pressed."""


def pick(page: Page, goal: Locator, path: Path) -> None:
    """Opens the browser's own window for files by a key; what is chosen there is beyond the page. Who wants to hear of that window
    must have said so some time before the key."""
    page.on("filechooser", _heard)
    page.wait_for_load_state("load")
    page.wait_for_timeout(SETTLED_MS)
    tab_to(page, goal)
    with page.expect_file_chooser() as chooser:
        page.keyboard.press("Enter")
    chooser.value.set_files(path)
    page.remove_listener("filechooser", _heard)


def sign_in(page: Page, email: str) -> None:
    page.goto("/sign-in")
    write(page, page.get_by_label("E-mail address"), email)
    write(page, page.get_by_label("Password"), PASSWORD)
    press(page, page.get_by_role("button", name="Sign in"))
    page.get_by_role("button", name="Sign out").wait_for()


def test_the_way_of_a_case_by_keys(open_page: Callable[..., Watched], tmp_path: Path) -> None:
    for seed in (1, 2):
        (tmp_path / f"jaw-{seed}.stl").write_bytes(waves(seed, 60))
    clinic = open_page(TABLET).page
    sign_in(clinic, CLINIC_EMAIL)
    press(clinic, clinic.get_by_role("button", name="New case"))
    write(clinic, clinic.get_by_label("Patient code", exact=True), CODE)
    tab_to(clinic, clinic.locator('input[name="working_arch"]').first)
    clinic.keyboard.press("Space")
    clinic.keyboard.press("ArrowRight")
    expect(clinic.locator('input[name="working_arch"]:checked')).to_have_count(1)
    expect(clinic.locator("#saved")).to_have_text(re.compile("Saved\\.$"))
    press(clinic, clinic.get_by_role("button", name="To the scans"))
    clinic.wait_for_url(re.compile(r"/cases/\w+$"))

    pick(clinic, clinic.locator('#slot-jaw input[type="file"]').last, tmp_path / "jaw-1.stl")
    clinic.locator("#slot-jaw .slot-file", has_text="jaw-1.stl").wait_for()
    standing = clinic.locator("#standing .standing")
    expect(standing).not_to_have_class(re.compile("busy|plain"), timeout=VERDICT_MS)
    send(clinic)
    expect(standing).to_contain_text("with the lab", timeout=PATIENT_MS)

    lab = open_page(DESK).page
    sign_in(lab, LAB_EMAIL)
    lab.wait_for_url("**/queue")
    write(lab, lab.get_by_label("Find"), CODE)
    lab.keyboard.press("Enter")
    press(lab, lab.get_by_role("link", name=CODE))
    expect(lab.get_by_role("heading", name="Findings")).to_be_visible()
    press(lab, lab.locator("#findings summary").first)
    write(lab, lab.get_by_label("Message to the clinic"), "Please scan the jaw once more.")
    press(lab, lab.get_by_role("button", name="Return the case"))
    expect(lab.get_by_text("The case is back with the clinic.")).to_be_visible(timeout=PATIENT_MS)

    expect(clinic.locator("#talk")).to_contain_text("jaw once more", timeout=PATIENT_MS)
    pick(clinic, clinic.locator("#slot-jaw input[data-replaces]").first, tmp_path / "jaw-2.stl")
    expect(clinic.locator("#slot-jaw .slot-file")).to_contain_text("jaw-2.stl", timeout=60_000)
    expect(clinic.locator("#since")).to_contain_text(
        "Replaced: jaw scan with scan bodies (jaw-2.stl, before jaw-1.stl)"
    )
    expect(standing).not_to_have_class(re.compile("busy"), timeout=VERDICT_MS)
    send(clinic)
    expect(standing).to_contain_text("with the lab", timeout=PATIENT_MS)
    write(clinic, clinic.get_by_label("To the lab"), "Scanned once more.")
    press(clinic, clinic.get_by_role("button", name="Send the message"))
    expect(clinic.locator("#talk")).to_contain_text("Scanned once more.")
    press(clinic, clinic.get_by_role("button", name="Sign out"))
    clinic.wait_for_url("**/sign-in**")

    expect(lab.locator("#talk")).to_contain_text("Scanned once more.", timeout=PATIENT_MS)
    waive_all(lab)
    press(lab, lab.get_by_role("button", name="Release to design"))
    expect(lab.locator("#standing")).to_contain_text("released", ignore_case=True, timeout=PATIENT_MS)
    fetched = lab.locator("#release a[download]")
    fetched.wait_for(timeout=VERDICT_MS)
    with lab.expect_download() as package:
        press(lab, fetched)
    assert package.value.suggested_filename.endswith(".zip")


def waive_all(page: Page) -> None:
    """Accepts each finding that stands against a release, the prescriber's agreement ticked where it is asked for."""
    standing = page.locator("#findings tr", has=page.locator("form.waive"))
    while left := standing.count():
        row = standing.first
        press(page, row.locator("summary"))
        write(page, row.get_by_label("Why this can be accepted"), "Seen on the scan; the bridge is a trial.")
        consent = row.locator('input[name="consent"]')
        if consent.count():
            press(page, consent, "Space")
        press(page, row.get_by_role("button", name="Waive this finding"))
        expect(page.locator("#findings form.waive").nth(left - 1)).to_have_count(0, timeout=PATIENT_MS)
        page.wait_for_load_state("load")


def send(page: Page) -> None:
    consent = page.locator('#submit input[name="consent"]')
    if consent.count():
        press(page, consent, "Space")
    press(page, page.get_by_role("button", name="Send to the lab"))
