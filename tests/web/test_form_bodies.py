"""The case form offers the lab's bodies, by the app's own pages on a real database."""

from __future__ import annotations

import re
from pathlib import Path

from fastapi.testclient import TestClient

from server.accounts.work import PORTAL
from server.app import build_app
from server.records.case_form import CaseForm
from server.review.bodies import add_bodies
from server.web.pages.fields import UTC_ZONE, zone_named
from server.web.pages.form.build import FormSection, sections_of, sites_of, values_of
from tests.portal.house import CLINIC, PASSWORD, here, open_house
from tests.review.offered import offered
from tests.rules.good_set import GOOD_FORM

VALUES = values_of(CaseForm.model_validate(GOOD_FORM), zone_named(UTC_ZONE))


def implants(bodies: tuple[str, ...]) -> FormSection:
    return next(s for s in sections_of(VALUES, {}, zone_named(UTC_ZONE), bodies) if s.is_sites)


def test_without_a_catalogue_the_body_is_free_text() -> None:
    assert {s.scan_body.list_id for s in sites_of(VALUES, {})} == {""}
    assert "scan bodies" not in implants(()).says


def test_with_a_catalogue_every_implant_offers_its_bodies_and_keeps_what_was_typed() -> None:
    sites = sites_of(VALUES, {}, ("rb-45", "rb-90"))
    assert {s.scan_body.list_id for s in sites} == {"bodies"}
    assert {s.scan_body.value for s in sites} == {"rb-60"}
    assert "rb-45, rb-90" in implants(("rb-45", "rb-90")).says


def test_of_many_bodies_only_some_are_named() -> None:
    many = tuple(f"b-{k}" for k in range(7))
    assert "b-5" in implants(many).says
    assert "b-6" not in implants(many).says


def test_the_page_of_a_clinic_lists_what_is_in_the_catalogue_now(tmp_path: Path) -> None:
    house = open_house(tmp_path / "portal")
    case_id = house.case()
    client = TestClient(build_app(house.portal), base_url="http://portal.test")
    client.post("/sign-in", data={"email": CLINIC, "password": PASSWORD, "onward": "/"})
    assert 'list="bodies"' not in client.get(f"/cases/{case_id}/form").text
    add_bodies(house.portal, PORTAL, [offered(tmp_path, "rb-90"), offered(tmp_path, "rb-45")], here)
    page = client.get(f"/cases/{case_id}/form").text
    assert page.count('list="bodies"') == len(GOOD_FORM["sites"])
    (offers,) = re.findall(r'<datalist id="bodies">(.*?)</datalist>', page, re.S)
    assert re.findall(r'value="([^"]*)"', offers) == ["rb-45", "rb-90"]
    house.portal.database.close()
