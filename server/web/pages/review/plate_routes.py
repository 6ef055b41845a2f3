"""What the plate is drawn from: its data, and the preview of each record."""

from __future__ import annotations

import gzip
from dataclasses import asdict

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from server.accounts.work import reading
from server.cases.lookup import case_view
from server.inspection.previews import preview_bytes, preview_sizes
from server.web.pages.found import judged_of
from server.web.pages.review.plate_build import plate_of
from server.web.pages.visit import Visiting

router = APIRouter()
KEPT_S = 24 * 3600


@router.get("/cases/{case_id}/plate")
def plate(visit: Visiting, case_id: str) -> Response:
    with reading(visit.portal, visit.actor) as work:
        view = case_view(work, case_id)
        report = judged_of(work, view, visit.zone).report
        drawn = preview_sizes(visit.portal, list(view.records))
    return JSONResponse(asdict(plate_of(view, report, drawn)), headers={"Cache-Control": "no-store"})


@router.get("/cases/{case_id}/records/{record_id}/preview")
def preview(visit: Visiting, request: Request, case_id: str, record_id: str) -> Response:
    """Its address names the content, so a browser may keep it; no other cache may."""
    with reading(visit.portal, visit.actor) as work:
        data = preview_bytes(visit.portal, work, case_id, record_id)
    headers = {"Cache-Control": f"private, max-age={KEPT_S}", "Vary": "Accept-Encoding, Cookie"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers["Content-Encoding"] = "gzip"
    else:
        data = gzip.decompress(data)
    return Response(data, media_type="application/octet-stream", headers=headers)
