"""Pictures of records, for whoever may see their case. Their addresses name the content, so a browser may keep them."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from server.accounts.work import reading
from server.cases.lookup import case_view
from server.inspection.previews import NotDrawn
from server.inspection.shots import place_png, record_png
from server.web.pages.found import judged_of
from server.web.pages.reasons import anchor_of
from server.web.pages.visit import Visiting

router = APIRouter()
KEPT_S = 24 * 3600


@router.get("/cases/{case_id}/records/{record_id}/picture.png")
def record_picture(visit: Visiting, case_id: str, record_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        return _image(record_png(visit.portal, work, case_id, record_id))


@router.get("/cases/{case_id}/places/{name}.png")
def place_picture(visit: Visiting, case_id: str, name: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        view = case_view(work, case_id)
        report = judged_of(work, view, visit.zone).report
        finding = next((f for f in (report.findings if report else ()) if anchor_of(f) == name), None)
        if finding is None:
            raise NotDrawn("The report on this case has no such finding any more.")
        return _image(place_png(visit.portal, work, view, finding))


def _image(data: bytes) -> Response:
    headers = {"Cache-Control": f"private, max-age={KEPT_S}", "Vary": "Cookie"}
    return Response(data, media_type="image/png", headers=headers)
