"""The verdict with its findings, and what the lab decides about them."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from server.cases.lookup import find_case
from server.handoff.manifest import Manifest
from server.handoff.packing import package_of
from server.handoff.paper_of_case import paper_of
from server.handoff.release import release, release_of
from server.inspection.judgements import finding_key, is_waived, judged_report, waivers_of
from server.inspection.report import Report
from server.inspection.tables import Waiver
from server.review.deciding import return_case, waive
from server.web.api.ask import Asked
from server.web.api.cases import PATH, shape_of
from server.web.api.examples import RETURN, WAIVER, form_body
from server.web.api.problems import refusals
from server.web.api.shapes import CaseShape, FindingListShape, FindingShape, WaiverGiven, WaiverShape, Words
from server.web.download import package, paper

router = APIRouter(prefix=PATH)


@router.get("/{case_id}/report", tags=["Verdict"], summary="The report", responses=refusals(404))
def report(asked: Asked, case_id: str) -> Report:
    """The latest report on the round at hand, as `archproof check --json` writes it. Whether it rests on what the case
    holds now is said by is_judged of the case. Until the first judgement: 404 with the code not-judged."""
    with asked.reading() as work:
        return judged_report(work, find_case(work, case_id))


@router.get(
    "/{case_id}/report.pdf",
    tags=["Verdict"],
    summary="The report on paper",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}, **refusals(404)},
)
def report_on_paper(asked: Asked, case_id: str) -> Response:
    """The same as a PDF, with what the lab has accepted."""
    with asked.reading() as work:
        return paper(paper_of(asked.portal, work, case_id))


@router.get("/{case_id}/findings", tags=["Verdict"], summary="Findings and waivers", responses=refusals(404))
def findings(asked: Asked, case_id: str) -> FindingListShape:
    """The findings of that report, each with the key by which the lab waives it, and the waiver that holds."""
    with asked.reading() as work:
        case = find_case(work, case_id)
        found, waivers = judged_report(work, case), waivers_of(work, case.id)
    shown = []
    for finding in found.findings:
        key = finding_key(finding, found)
        waiver = _waiver(waivers[key]) if is_waived(finding, found, waivers) else None
        shown.append(FindingShape.model_validate({**finding.model_dump(), "key": key, "waived": waiver}))
    return FindingListShape(round=case.round_number, findings=shown)


@router.post(
    "/{case_id}/waivers",
    tags=["Lab"],
    summary="Waive a finding",
    status_code=201,
    responses=refusals(403, 404, 409, 422),
    openapi_extra=form_body({"$ref": "#/components/schemas/WaiverGiven"}, WAIVER),
)
def waive_finding(asked: Asked, case_id: str, given: WaiverGiven) -> WaiverShape:
    """For the lab, of a case that lies with it. A finding at return needs the prescriber's consent."""
    with asked.writing() as work:
        return _waiver(waive(work, case_id, given.finding, given.reason, has_consent=given.consent))


@router.post(
    "/{case_id}/return",
    tags=["Lab"],
    summary="Return to the clinic",
    responses=refusals(403, 404, 409, 422),
    openapi_extra=form_body({"$ref": "#/components/schemas/Words"}, RETURN),
)
def give_back(asked: Asked, case_id: str, words: Words) -> CaseShape:
    """For the lab, with a message that says what to do."""
    with asked.writing() as work:
        return shape_of(work, return_case(work, case_id, words.text).id)


@router.post(
    "/{case_id}/release", tags=["Lab"], summary="Release to design", responses=refusals(403, 404, 409)
)
def release_to_design(asked: Asked, case_id: str) -> Manifest:
    """For the lab, once no finding stands against it. The answer is the manifest of what was released."""
    with asked.writing() as work:
        return Manifest.model_validate(release(work, case_id).manifest)


@router.get("/{case_id}/release", tags=["Verdict"], summary="The release", responses=refusals(404))
def released(asked: Asked, case_id: str) -> Manifest:
    """The manifest of a released case; before that: 404 with the code not-released."""
    with asked.reading() as work:
        return Manifest.model_validate(release_of(work, case_id).manifest)


@router.get(
    "/{case_id}/release/package",
    tags=["Verdict"],
    summary="The package",
    response_class=Response,
    responses={200: {"content": {"application/zip": {}}}, **refusals(404)},
)
def packed(asked: Asked, case_id: str) -> Response:
    """The archive that is handed to design; 404 with the code not-packed while it is being made, or if it could not be."""
    with asked.reading() as work:
        release, code = package_of(work, case_id), find_case(work, case_id).patient_code
    return package(asked.portal, release, code)


def _waiver(waiver: Waiver) -> WaiverShape:
    return WaiverShape(
        reason=waiver.reason, by=waiver.person_name, has_consent=waiver.has_consent, at=waiver.at
    )
