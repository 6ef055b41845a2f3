"""The walk: a clinic records a conversion, learns what to scan again while the patient is in the chair, scans it again;
the lab finds the case, fetches a record, returns it; the clinic reads why."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESK, TABLET, RecordSet, Watched, sign_in_clinic, sign_in_lab
from tests.browser.seeing import see

pytestmark = pytest.mark.browser

VERDICT_MS = 240_000


def fill_form(page: Page, form: dict[str, Any]) -> None:
    page.get_by_label("Patient code", exact=True).fill(form["patient_code"])
    for name in ("working_arch", "numbering", "prosthesis", "material", "connection", "opposing_dentition"):
        page.locator(f'input[name="{name}"][value="{form[name]}"]').check()
    page.get_by_label("Needed by").fill("2031-05-04T16:30")
    page.get_by_label("Before, teeth closed").fill(str(form["vertical"]["reference_mm"]).replace(".", ","))
    page.get_by_label("With the relined denture seated").fill(str(form["vertical"]["seated_mm"]))
    page.get_by_label(re.compile("^Repeat readings")).fill(" ".join(map(str, form["vertical"]["repeats_mm"])))
    for row, site in enumerate(form["sites"]):
        page.get_by_role("button", name="Add an implant").click()
        page.locator(f"#site-{row}").wait_for()
        page.locator(f'[name="sites.{row}.tooth"]').fill(site["tooth"])
        page.locator(f'[name="sites.{row}.scan_body"]').fill(site["scan_body"])
        page.locator(f'[name="sites.{row}.seat_confirmed"]').select_option(site["seat_confirmed"])
    page.get_by_label("Prescribing dentist").fill(form["prescriber"]["name"])
    page.get_by_label("Licence number").fill(form["prescriber"]["licence"])
    for words in (
        "The bite was checked",
        "The denture was seated",
        "The skin marks",
        "The scan bodies were",
        "I prescribe",
    ):
        page.get_by_label(re.compile("^" + words)).check()
    expect(page.locator("#saved")).to_have_text(re.compile("Saved\\.$"))


def pick(page: Page, place: str, *paths: Path) -> None:
    with page.expect_file_chooser() as chooser:
        page.locator(place).last.click()
    chooser.value.set_files(paths)


def test_the_way_of_a_case(open_page: Callable[..., Watched], record_set: RecordSet, tmp_path: Path) -> None:
    assert record_set.n_triangles >= 600_000
    clinic = open_page(TABLET).page
    sign_in_clinic(clinic)
    see(clinic, "01-home-empty")
    clinic.get_by_role("button", name="New case").click()
    see(clinic, "02-form-empty")
    fill_form(clinic, record_set.form)
    see(clinic, "03-form")
    clinic.get_by_role("button", name="To the scans").click()
    clinic.wait_for_url(re.compile(r"/cases/\w+$"))
    see(clinic, "04-case-empty")

    for role, paths in record_set.files.items():
        for path in [record_set.bad_jaw] if role == "jaw" else paths:
            pick(clinic, f"#slot-{role} .slot-deeds > label", path)
            clinic.locator(f"#slot-{role} .slot-file", has_text=path.name).wait_for()
    see(clinic, "05-measuring")
    standing = clinic.locator("#standing .standing")
    expect(standing).to_have_class(re.compile("return"), timeout=VERDICT_MS)
    expect(standing).to_contain_text("redo the jaw scan")
    hole = clinic.locator("#reasons article", has_text="hole")
    expect(hole.first).to_be_visible()
    expect(clinic.locator("#rail .gate.hold")).not_to_have_count(0)
    see(clinic, "06-return")

    replace = clinic.locator("#slot-jaw").get_by_text("Replace this file")
    with clinic.expect_file_chooser() as chooser:
        replace.click()
    chooser.value.set_files(record_set.files["jaw"][0])
    expect(clinic.locator("#slot-jaw .slot-file")).to_contain_text(
        record_set.files["jaw"][0].name, timeout=60_000
    )
    expect(standing).not_to_have_class(re.compile("busy|return"), timeout=VERDICT_MS)
    expect(hole).to_have_count(0)
    expect(clinic.locator("#rail .gate.hold")).to_have_count(0)
    expect(clinic.locator("#rail .gate.may", has_text="Nothing more to rescan")).to_have_count(1)
    see(clinic, "07-cleared")
    clinic.get_by_role("button", name="Send to the lab").click()
    expect(standing).to_contain_text("with the lab")
    expect(clinic.get_by_text("Sent to the lab.")).to_be_visible()
    see(clinic, "08-sent")

    lab = open_page(DESK).page
    sign_in_lab(lab)
    lab.wait_for_url("**/queue")
    code = str(record_set.form["patient_code"])
    lab.get_by_label("Find").fill(code.split("-")[0])
    lab.get_by_role("button", name="Show").click()
    see(lab, "09-queue")
    lab.get_by_role("link", name=code).click()
    expect(lab.get_by_role("heading", name="Findings")).to_be_visible()
    see(lab, "10-review")
    with lab.expect_download() as fetched:
        head = lab.get_by_role("rowheader", name="Jaw scan with scan bodies")
        lab.locator("#records tr").filter(has=head).get_by_role("link").click()
    fetched.value.save_as(tmp_path / "fetched")
    sent = hashlib.sha256(record_set.files["jaw"][0].read_bytes()).hexdigest()
    assert hashlib.sha256((tmp_path / "fetched").read_bytes()).hexdigest() == sent
    assert sent in lab.locator("#records").inner_text()

    lab.get_by_label("Message to the clinic").fill("Please take the left bite scan again; the rest is fine.")
    lab.get_by_role("button", name="Return the case").click()
    expect(lab.get_by_text("The case is back with the clinic.")).to_be_visible()
    expect(clinic.locator("#talk")).to_contain_text("left bite scan again", timeout=15_000)
    expect(standing).to_contain_text("sent this case back")
    expect(clinic.locator("#asked")).to_contain_text("left bite scan again")
    expect(clinic.get_by_text("Sent to the lab.")).to_have_count(0)
    see(clinic, "11-returned")
    clinic.goto("/")
    see(clinic, "12-home")
