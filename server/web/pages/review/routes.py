"""What the lab decides about a case: waive, return, release; and fetching a record as it was sent."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, Response

from server.web.pages.chair.routes import case_deed
from server.web.pages.visit import Posted, Visiting
from server.web.session import may_post

guarded = APIRouter(dependencies=[Depends(may_post)])
