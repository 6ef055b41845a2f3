"""One case: the clinic sees it at the chair, the lab at the desk."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.work import NotYours, Work, reading, writing
from server.cases.changing import change_record, remove_record
from server.cases.lookup import case_view
from server.cases.messages import post_message
from server.cases.turns import submit, withdraw
from server.errors import BadRequest, NotFound
from server.handoff.release import release_or_none
from server.inspection.previews import preview_sizes
from server.records.roles import Role, Unit
from server.web.pages.chair.build import Sending, chair_page
from server.web.pages.chair.page import ChairPage
from server.web.pages.found import judged_of
from server.web.pages.live import live
from server.web.pages.parts import NoticeView, Room
from server.web.pages.review.build import review_page
from server.web.pages.review.page import ReviewPage
from server.web.pages.visit import Posted, Visit, Visiting
from server.web.rendering import part_html, render
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


@router.get("/cases/{case_id}", response_class=HTMLResponse)
def case(visit: Visiting, case_id: str) -> Response:
    return render(_page(visit, case_id))


@router.get("/cases/{case_id}/live")
def case_live(visit: Visiting, case_id: str) -> Response:
    part = "chair/_live.html" if visit.actor.is_clinic else "review/_live.html"
    _page(visit, case_id)
    return live(visit, f"case:{case_id}", lambda now: part_html(_page(now, case_id), part))


@guarded.post("/cases/{case_id}/submit", response_class=HTMLResponse)
def submit_case(visit: Visiting, case_id: str) -> Response:
    return case_deed(visit, case_id, "sent", lambda work: submit(work, case_id))


@guarded.post("/cases/{case_id}/withdraw", response_class=HTMLResponse)
def withdraw_case(visit: Visiting, case_id: str) -> Response:
    return case_deed(visit, case_id, "withdrawn", lambda work: withdraw(work, case_id))


@guarded.post("/cases/{case_id}/messages", response_class=HTMLResponse)
def say(visit: Visiting, case_id: str, fields: Posted) -> Response:
    return case_deed(visit, case_id, "said", lambda work: post_message(work, case_id, fields.get("says", "")))


@guarded.post("/cases/{case_id}/records/{record_id}/remove", response_class=HTMLResponse)
def take_out(visit: Visiting, case_id: str, record_id: str) -> Response:
    return case_deed(visit, case_id, "taken-out", lambda work: remove_record(work, record_id))


@guarded.post("/cases/{case_id}/records/{record_id}/amend", response_class=HTMLResponse)
def amend(visit: Visiting, case_id: str, record_id: str, fields: Posted) -> Response:
    role, unit = _role(fields.get("role", "")), _unit(fields.get("unit", ""))
    return case_deed(
        visit, case_id, "amended", lambda work: change_record(work, record_id, role=role, unit=unit)
    )


def case_deed(visit: Visit, case_id: str, word: str, deed: Callable[[Work], object]) -> Response:
    """The answer to a deed on a case: back to its page; where it is refused, the page with the reason on top."""
    try:
        with writing(visit.portal, visit.actor) as work:
            deed(work)
    except (NotFound, NotYours):
        raise
    except BadRequest as refusal:
        return render(_page(visit, case_id, NoticeView("wrong", refusal.says)), status=refusal.http_status)
    return RedirectResponse(f"/cases/{case_id}?done={word}", status_code=303)


def _role(text: str) -> Role | None:
    return Role(text) if text in set(Role) else None


def _unit(text: str) -> Unit | None:
    return Unit(text) if text in set(Unit) else None


def _page(visit: Visit, case_id: str, *notices: NoticeView) -> ChairPage | ReviewPage:
    with reading(visit.portal, visit.actor) as work:
        view = case_view(work, case_id)
        judged = judged_of(work, view, visit.zone)
        code = view.case.patient_code or "New case"
        drawn = preview_sizes(visit.portal, list(view.records))
        if not visit.actor.is_clinic:
            frame, release = visit.frame(code, Room.DESK, *notices), release_or_none(work, view.case.id)
            return review_page(frame, view, judged, work.now, visit.zone, release, drawn)
        settings = visit.portal.settings
        sending = Sending(settings.upload_chunk_bytes, settings.max_record_bytes)
        return chair_page(visit.frame(code, Room.CHAIR, *notices), view, judged, sending, visit.zone, drawn)
