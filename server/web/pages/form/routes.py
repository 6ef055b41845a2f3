"""The case form: kept as one types, with what is wrong beside its field."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.work import Work, reading, writing
from server.cases.bodies import body_ids
from server.cases.changing import change_form
from server.cases.lookup import find_case
from server.cases.tables import Case
from server.cases.turns import WrongTurn
from server.records.case_form import CaseForm
from server.web.pages.form.build import sections_of, sites_of, values_of
from server.web.pages.form.page import FormPage
from server.web.pages.form.typed import SITE_NUMBERS, SITE_PLAIN, TypedForm, read_typed, site_rows
from server.web.pages.parts import Room
from server.web.pages.visit import Posted, Visit, Visiting
from server.web.rendering import render, render_part
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])

KEPT = "Saved."
NOT_KEPT = "Saved as far as it is right."


@router.get("/cases/{case_id}/form", response_class=HTMLResponse)
def form(visit: Visiting, case_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        case = _own_case(work, case_id)
        values = values_of(_form_of(case), visit.zone)
        return render(_page(visit, case, values, {}, KEPT, body_ids(work)))


@guarded.post("/cases/{case_id}/form", response_class=HTMLResponse)
def keep(request: Request, visit: Visiting, case_id: str, fields: Posted) -> Response:
    deed = fields.pop("deed", "keep")
    values = _with_deed(fields, deed)
    with writing(visit.portal, visit.actor) as work:
        kept = _form_of(_own_case(work, case_id))
        typed = read_typed(values, kept, visit.zone, work.now)
        case = change_form(work, case_id, typed.form)
        saved = NOT_KEPT if typed.problems else KEPT
        page = _page(visit, case, values, typed.problems, saved, body_ids(work))
    return _answer(request, deed, page, typed, case_id)


def _answer(request: Request, deed: str, page: FormPage, typed: TypedForm, case_id: str) -> Response:
    if request.headers.get("HX-Request") and deed == "keep":
        return render_part(page, "form/_kept.html")
    if request.headers.get("HX-Request"):
        return render_part(page, "form/_form.html")
    if deed == "finish" and not typed.problems:
        return RedirectResponse(f"/cases/{case_id}", status_code=303)
    if deed.startswith(("add-", "remove-")):
        return render(page)
    return render(page, status=422 if typed.problems else 200)


def _own_case(work: Work, case_id: str) -> Case:
    case = find_case(work, case_id)
    work.require(work.actor.is_clinic, "Only the clinic fills in its form.")
    if case.state.is_over:
        raise WrongTurn(f"The case is {case.state.words}; its form can no longer be changed.")
    return case


def _form_of(case: Case) -> CaseForm:
    return CaseForm.model_validate(case.form)


def _with_deed(values: dict[str, str], deed: str) -> dict[str, str]:
    """The fields after an implant's row was added, copied or taken out."""
    rows = site_rows(values)
    if deed.startswith("remove-site:"):
        gone = f"sites.{deed.removeprefix('remove-site:')}."
        return {name: value for name, value in values.items() if not name.startswith(gone)}
    if deed not in ("add-site", "add-like") or len(rows) >= 16:
        return values
    new = max(rows, default=-1) + 1
    like = rows[-1] if rows and deed == "add-like" else None
    names = [n for n in (*SITE_PLAIN, *SITE_NUMBERS) if n != "tooth"]
    copied = {
        f"sites.{new}.{n}": values.get(f"sites.{like}.{n}", "") if like is not None else "" for n in names
    }
    return {**values, f"sites.{new}.tooth": "", **copied}


def _page(
    visit: Visit,
    case: Case,
    values: Mapping[str, str],
    problems: Mapping[str, str],
    saved: str,
    bodies: tuple[str, ...],
) -> FormPage:
    code = values.get("patient_code", "") or case.patient_code
    return FormPage(
        frame=visit.frame(f"Form of {code}" if code else "New case", Room.CHAIR),
        case_id=case.id,
        heading=code or "New case",
        action=f"/cases/{case.id}/form",
        draft_key=f"form.{case.id}",
        sections=sections_of(values, problems, visit.zone, bodies),
        sites=sites_of(values, problems, bodies),
        bodies=bodies,
        problem_count=len(problems),
        saved_words=saved,
        back_href=f"/cases/{case.id}",
    )
