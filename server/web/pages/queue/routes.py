"""The lab's queue."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, Response

from server.accounts.people import clinics
from server.accounts.work import reading
from server.cases.listing import CaseFilter, count_by_state, list_cases
from server.cases.tables import CaseState
from server.web.pages.live import live
from server.web.pages.queue.build import VERDICT_WORDS, queue_page
from server.web.pages.queue.page import QueuePage
from server.web.pages.visit import Visit, Visiting
from server.web.rendering import part_html, render

router = APIRouter()


def queue_filter(
    state: str = CaseState.WITH_LAB.value, verdict: str = "", clinic: str = "", text: str = ""
) -> CaseFilter:
    """The filter in an address; words that name nothing filter nothing."""
    states = {s.value: s for s in CaseState}
    return CaseFilter(
        state=states.get(state),
        clinic_id=clinic or None,
        verdict=verdict if verdict in VERDICT_WORDS else None,
        text=text[:200],
    )


Wanted = Annotated[CaseFilter, Depends(queue_filter)]


@router.get("/queue", response_class=HTMLResponse)
def queue(visit: Visiting, wanted: Wanted, cursor: str = "") -> Response:
    return render(_page(visit, wanted, cursor))


@router.get("/queue/live")
def queue_live(visit: Visiting, wanted: Wanted) -> Response:
    _page(visit, wanted, "")
    return live(visit, "queue", lambda now: part_html(_page(now, wanted, ""), "queue/_live.html"))


def _page(visit: Visit, wanted: CaseFilter, cursor: str) -> QueuePage:
    with reading(visit.portal, visit.actor) as work:
        work.require(visit.actor.is_lab, "The queue is the lab’s.")
        cases = list_cases(work, wanted, cursor=cursor or None)
        return queue_page(
            visit.frame("Queue"),
            cases,
            wanted,
            counts=count_by_state(work, wanted.clinic_id),
            clinics=clinics(work),
            now=work.now,
            zone=visit.zone,
        )
