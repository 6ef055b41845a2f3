"""What is measured and against which limits; and the pattern page."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from server.rules.catalogue import RULES
from server.rules.documents import catalogue_rows
from server.web.pages.catalogue.page import rules_page, sheets_page
from server.web.pages.parts import Room
from server.web.pages.patterns.page import pattern_page
from server.web.pages.visit import Visiting
from server.web.rendering import render

router = APIRouter()


@router.get("/rules", response_class=HTMLResponse)
def rules(visit: Visiting) -> Response:
    return render(rules_page(visit.frame("What is measured"), catalogue_rows()))


@router.get("/sheets", response_class=HTMLResponse)
def sheets(visit: Visiting) -> Response:
    return render(sheets_page(visit.frame("Tolerance sheets"), RULES))


@router.get("/patterns", response_class=HTMLResponse)
def patterns(visit: Visiting) -> Response:
    return render(pattern_page(visit.frame("Patterns", Room.CHAIR)))
