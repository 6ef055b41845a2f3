"""Cases: opening, listing, reading, the form, and whose turn it is."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.responses import Response

from server.accounts.work import Work
from server.cases.changing import change_form
from server.cases.listing import CaseFilter, list_cases
from server.cases.lookup import CaseView, case_view, find_case
from server.cases.repeats import once
from server.cases.tables import Case, CaseState, Measuring
from server.cases.turns import open_case, submit, withdraw
from server.inspection.evidence import standing_of
from server.inspection.judgements import is_judged
from server.inspection.report import Verdict
from server.records.case_form import CaseForm
from server.web.api.ask import Asked
from server.web.api.examples import FORM, MERGE, form_body
from server.web.api.form import IfMatch, SentForm, SentMerge, case_for_form, etag_of, merged
from server.web.api.problems import refusals
from server.web.api.shapes import CaseLineShape, CaseListShape, CaseShape

PATH = "/api/v1/cases"
MAX_PAGE = 200
_FORM_SCHEMA = {"$ref": "#/components/schemas/CaseForm"}
_MERGE_SCHEMA = {"type": "object", "description": "A merge patch (RFC 7396) of a case form."}

router = APIRouter(prefix=PATH, tags=["Cases"])


@router.post(
    "",
    status_code=201,
    summary="Open a case",
    responses=refusals(403, 422),
    openapi_extra=form_body(_FORM_SCHEMA, FORM),
)
def create(
    asked: Asked,
    form: SentForm,
    response: Response,
    idempotency_key: Annotated[
        str,
        Header(description="Of your choice: the same request under the same key opens one case, not two."),
    ] = "",
) -> CaseShape:
    """For a clinic. The body is the form as in `case.json`; it may be half filled, and what it lacks is a finding."""
    with asked.writing() as work:
        case_id = once(work, idempotency_key, form.model_dump_json(), lambda: open_case(work, form).id)
        shown = shape_of(work, case_id)
    response.headers["Location"] = f"{PATH}/{case_id}"
    return shown


@router.get("", summary="List cases", responses=refusals(422))
def listed(
    asked: Asked,
    state: Annotated[
        CaseState | None, Query(description="Only collecting, with-lab, with-clinic, released or withdrawn.")
    ] = None,
    verdict: Annotated[Verdict | None, Query(description="Only clear, look or return.")] = None,
    clinic: Annotated[str | None, Query(description="For the lab: only this clinic's, by its id.")] = None,
    text: Annotated[
        str,
        Query(max_length=200, description="Beginnings of words of the patient code or the clinic's name."),
    ] = "",
    cursor: Annotated[str, Query(max_length=400, description="next_cursor of the page before.")] = "",
    limit: Annotated[int, Query(ge=1, le=MAX_PAGE, description="How many at once, 1 to 200.")] = 50,
) -> CaseListShape:
    """By need-by, then by gravity. A clinic sees its own cases, the lab all."""
    wanted = CaseFilter(state, clinic, verdict.value if verdict else None, text)
    with asked.reading() as work:
        page = list_cases(work, wanted, cursor=cursor or None, limit=limit)
        lines = [CaseLineShape.of(line.case, line.clinic_name) for line in page.lines]
    return CaseListShape(cases=lines, next_cursor=page.next_cursor)


@router.get("/{case_id}", summary="One case", responses=refusals(404))
def one(asked: Asked, case_id: str, response: Response) -> CaseShape:
    """The case with its form, its records and its rounds. The ETag is the form's."""
    with asked.reading() as work:
        response.headers["ETag"] = etag_of(find_case(work, case_id))
        return shape_of(work, case_id)


@router.get("/{case_id}/form", summary="The form", responses=refusals(404))
def form_of(asked: Asked, case_id: str, response: Response) -> CaseForm:
    """The form as `case.json` holds it, with its ETag."""
    with asked.reading() as work:
        case = find_case(work, case_id)
        response.headers["ETag"] = etag_of(case)
        return CaseForm.model_validate(case.form)


@router.put(
    "/{case_id}/form",
    summary="Replace the form",
    responses=refusals(403, 404, 409, 412, 422),
    openapi_extra=form_body(_FORM_SCHEMA, FORM),
)
def put_form(
    asked: Asked, case_id: str, form: SentForm, response: Response, if_match: IfMatch = ""
) -> CaseForm:
    """For the clinic. A case that lies with the lab comes back to the clinic by it; a submitted round stays."""
    with asked.writing() as work:
        case_for_form(work, case_id, if_match)
        return _changed(work, response, change_form(work, case_id, form))


@router.patch(
    "/{case_id}/form",
    summary="Change fields of the form",
    responses=refusals(403, 404, 409, 412, 422),
    openapi_extra=form_body(_MERGE_SCHEMA, MERGE, "application/merge-patch+json"),
)
def patch_form(
    asked: Asked, case_id: str, change: SentMerge, response: Response, if_match: IfMatch = ""
) -> CaseForm:
    """For the clinic. Only the fields that are sent change; null takes one out; a list is replaced as a whole."""
    with asked.writing() as work:
        form = merged(case_for_form(work, case_id, if_match), change)
        return _changed(work, response, change_form(work, case_id, form))


@router.post("/{case_id}/submit", summary="Submit to the lab", responses=refusals(403, 404, 409, 422))
def send_to_lab(asked: Asked, case_id: str) -> CaseShape:
    """For the clinic. Hands the round at hand to the lab."""
    with asked.writing() as work:
        return shape_of(work, submit(work, case_id).id)


@router.post("/{case_id}/withdraw", summary="Withdraw", responses=refusals(403, 404, 409))
def take_away(asked: Asked, case_id: str) -> CaseShape:
    """For the clinic. Ends the case for good."""
    with asked.writing() as work:
        return shape_of(work, withdraw(work, case_id).id)


def shape_of(work: Work, case_id: str) -> CaseShape:
    """The case as programs see it. Raises CaseUnknown."""
    view = case_view(work, case_id)
    return CaseShape.of_view(view, is_judged=_is_judged(work, view))


def _is_judged(work: Work, view: CaseView) -> bool:
    """Whether the report rests on what the case holds now, and the verdict on the report."""
    if view.round.judgement_id is None or any(r.measuring is not Measuring.MEASURED for r in view.records):
        return False
    if view.round.submitted_at is not None and view.case.verdict is None:
        return False
    return view.case.state.is_over or is_judged(work, view.round, standing_of(work, view.case).fingerprint)


def _changed(work: Work, response: Response, case: Case) -> CaseForm:
    work.session.flush()
    response.headers["ETag"] = etag_of(case)
    return CaseForm.model_validate(case.form)
