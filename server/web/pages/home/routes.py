"""The start: a clinic's cases; the lab goes to its queue."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.work import reading, writing
from server.cases.listing import CaseFilter, list_cases
from server.cases.turns import open_case
from server.records.case_form import CaseForm
from server.web.pages.home.build import home_page
from server.web.pages.home.page import HomePage
from server.web.pages.live import live
from server.web.pages.parts import Room
from server.web.pages.visit import Visit, Visiting
from server.web.rendering import part_html, render
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


@router.get("/", response_class=HTMLResponse)
def home(visit: Visiting, cursor: str = "") -> Response:
    if not visit.actor.is_clinic:
        return RedirectResponse("/queue", status_code=303)
    return render(_page(visit, cursor))


@router.get("/live")
def home_live(visit: Visiting) -> Response:
    if not visit.actor.is_clinic:
        return RedirectResponse("/queue", status_code=303)
    topic = f"clinic:{visit.actor.organisation_id}"
    return live(visit, topic, lambda now: part_html(_page(now, ""), "home/_live.html"))


@guarded.post("/cases")
def new_case(visit: Visiting) -> Response:
    with writing(visit.portal, visit.actor) as work:
        case = open_case(work, CaseForm())
    return RedirectResponse(f"/cases/{case.id}/form", status_code=303)


def _page(visit: Visit, cursor: str) -> HomePage:
    with reading(visit.portal, visit.actor) as work:
        cases = list_cases(work, CaseFilter(), cursor=cursor or None)
        return home_page(
            visit.frame("Cases", Room.CHAIR), visit.actor.organisation_name, cases, work.now, visit.zone
        )
