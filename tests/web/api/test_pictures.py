"""The pictures of a report over the interface."""

from __future__ import annotations

import io

import pytest
from lxml import etree
from PIL import Image

from server.accounts.work import PORTAL, writing
from server.cases.lookup import case_view
from server.inspection.inspect import judge_case
from server.inspection.judgements import keep_judgement
from tests.portal.house import waves
from tests.rules.positions import positions
from tests.web.api.program import Program, refusal


@pytest.fixture
def pictured(clinic: Program, case: str) -> str:
    """A case whose latest report has the figures of four bodies and of the positions."""
    clinic.put(case, waves(1, n=10), role="jaw")
    clinic.house.work_off()
    with writing(clinic.house.portal, PORTAL) as work:
        view = case_view(work, case.rsplit("/", 1)[-1])
        keep_judgement(work, view.case, view.round, judge_case(positions()), "of-pictures")
    return case


def test_a_picture_is_fetched_by_the_name_of_its_figure(clinic: Program, pictured: str) -> None:
    names = [f["name"] for f in clinic.get(f"{pictured}/report")["figures"]["coverage"]]
    answer = clinic.ask("GET", f"{pictured}/pictures/{names[0]}.png")
    assert answer.headers["content-type"] == "image/png"
    with Image.open(io.BytesIO(answer.content)) as image:
        assert image.width == 960
    drawn = clinic.ask("GET", f"{pictured}/pictures/positions-against-jaw.svg")
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert "sandbox" in drawn.headers["content-security-policy"]
    assert etree.QName(etree.fromstring(drawn.content)).localname == "svg"


@pytest.mark.parametrize(
    "name", ["nothing.png", "coverage-jaw-36", "coverage-jaw-36.gif", ".png", "..%2Fx.png"]
)
def test_what_is_no_picture_is_not_found(clinic: Program, pictured: str, name: str) -> None:
    assert clinic.ask("GET", f"{pictured}/pictures/{name}").status_code == 404


def test_another_clinic_finds_no_picture(other: Program, pictured: str) -> None:
    answer = other.ask("GET", f"{pictured}/pictures/coverage-jaw-36.png")
    assert refusal(answer) == (404, "case-unknown")


def test_before_the_first_judgement_there_is_none(clinic: Program, case: str) -> None:
    assert refusal(clinic.ask("GET", f"{case}/pictures/coverage-jaw-36.png")) == (404, "no-such-picture")
