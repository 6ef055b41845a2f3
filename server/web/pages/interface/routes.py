"""The description of the interface for programs, for people."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from server.web.api.description import describe
from server.web.pages.interface.page import interface_page
from server.web.pages.visit import Visiting
from server.web.rendering import render

router = APIRouter()


@router.get("/interface", response_class=HTMLResponse)
def interface(request: Request, visit: Visiting) -> Response:
    address = visit.portal.settings.address
    return render(interface_page(visit.frame("Interface for programs"), address, describe(request.app)))
