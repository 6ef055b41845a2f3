"""What the lab decides about a case: waive, return, release; and what is fetched of it: a record as it was sent, the report
on paper, the package."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, Response

from server.accounts.work import reading
from server.cases.lookup import find_case, find_record_of
from server.handoff.packing import package_of
from server.handoff.paper_of_case import paper_of
from server.handoff.release import release
from server.review.deciding import return_case, waive
from server.web.download import attachment, package, paper
from server.web.pages.chair.routes import case_deed
from server.web.pages.visit import Posted, Visiting
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


@guarded.post("/cases/{case_id}/waivers", response_class=HTMLResponse)
def waive_finding(visit: Visiting, case_id: str, fields: Posted) -> Response:
    key, reason, consent = fields.get("finding", ""), fields.get("reason", ""), bool(fields.get("consent"))
    return case_deed(
        visit, case_id, "waived", lambda work: waive(work, case_id, key, reason, has_consent=consent)
    )


@guarded.post("/cases/{case_id}/return", response_class=HTMLResponse)
def return_to_clinic(visit: Visiting, case_id: str, fields: Posted) -> Response:
    says = fields.get("says", "")
    return case_deed(visit, case_id, "returned", lambda work: return_case(work, case_id, says))


@guarded.post("/cases/{case_id}/release", response_class=HTMLResponse)
def release_to_design(visit: Visiting, case_id: str) -> Response:
    return case_deed(visit, case_id, "released", lambda work: release(work, case_id))


@router.get("/cases/{case_id}/report.pdf")
def report_on_paper(visit: Visiting, case_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        return paper(paper_of(visit.portal, work, case_id))


@router.get("/cases/{case_id}/release/package")
def fetch_package(visit: Visiting, case_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        release, code = package_of(work, case_id), find_case(work, case_id).patient_code
    return package(visit.portal, release, code)


@router.get("/cases/{case_id}/records/{record_id}/file")
def fetch(visit: Visiting, case_id: str, record_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        record = find_record_of(work, case_id, record_id)
    return attachment(visit.portal, record)
