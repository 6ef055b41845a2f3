"""The report on paper: everything it must say is on it, and what people wrote stays text."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

from server.explain.surface_picture import record_drawing
from server.explain.svg import svg
from server.inspection.paper import MOST_PLACES, AcceptedLine, report_pdf
from server.inspection.report import Report
from server.records.case_form import CaseForm
from server.rules.cautions import CAUTIONS
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.web.pages.reasons import title_of
from tests.rules.good_set import GOOD_FORM
from tests.web.invented import full_report, hole, simple

HOSTILE = 'Looked at: #read("/etc/passwd") *x* $y$ <script> – µm'


def words_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)


def form(**said: Any) -> CaseForm:
    records = [{"role": r["role"], "file": r["file"], "unit": "mm"} for r in full_report().records]
    return CaseForm.model_validate({**GOOD_FORM, "records": records, **said})


@pytest.fixture(scope="module")
def words() -> str:
    accepted = [AcceptedLine("markers/missing", "site 34", HOSTILE, "Tomas Wrede")]
    return words_of(report_pdf(full_report(), form(), accepted))


def test_it_says_verdict_findings_limits_records_and_cautions(words: str) -> None:
    report = full_report()
    squeezed = words.replace(" ", "")
    grave = [f for f in report.findings if f.level.value in ("look", "return")]
    assert grave
    for said in (report.says, report.sheet.name, *(f.says for f in grave), *(f.remedy for f in grave)):
        assert said.replace(" ", "") in squeezed
    for record in report.records:
        assert record["sha256"] in squeezed
    for caution in CAUTIONS:
        assert caution.replace(" ", "")[:40] in squeezed


def test_what_a_person_wrote_is_text_and_never_markup(words: str) -> None:
    assert HOSTILE.replace(" ", "") in words.replace(" ", "")
    assert "root:" not in words


def test_the_same_report_gives_the_same_paper() -> None:
    assert report_pdf(full_report(), form()) == report_pdf(full_report(), form())


def test_a_clear_report_of_little_is_a_page() -> None:
    bare = Report.model_validate(
        {**full_report().model_dump(by_alias=True), "findings": (), "verdict": "clear"}
    )
    assert len(PdfReader(io.BytesIO(report_pdf(bare, CaseForm()))).pages) == 1


def test_what_many_checks_lacked_is_said_once_with_all_of_them() -> None:
    lacking = "No body catalogue is at hand."
    silent = [
        simple(rule, Outcome.NOT_MEASURED, Level.NOTE, lacking, "jaw.stl")
        for rule in ("bodies/fit", "bodies/coverage", "bodies/count")
    ]
    report = full_report().model_copy(update={"findings": (*full_report().findings, *silent)})
    said = words_of(report_pdf(report, form())).replace(" ", "")
    assert said.count(lacking.replace(" ", "")) == 1
    for rule in ("bodies/fit", "bodies/coverage", "bodies/count"):
        assert title_of(rule).replace(" ", "") in said


def test_places_are_drawn_for_the_gravest_findings_and_no_more_than_fit() -> None:
    drawing = record_drawing(
        np.array([(0.0, 0, 0), (9, 0, 0), (0, 9, 0)]), np.array([(0, 1, 2)], dtype=np.int32), "a corner"
    )
    holes = tuple(hole(value=9.0 + k) for k in range(MOST_PLACES + 2))
    report = full_report().model_copy(update={"findings": holes})
    asked = []

    def place(finding: Finding) -> str:
        asked.append(finding)
        return svg(drawing)

    pdf = report_pdf(report, form(), place=place)
    assert len(asked) == MOST_PLACES
    pictures = [image for page in PdfReader(io.BytesIO(pdf)).pages for image in page.images]
    assert pictures
