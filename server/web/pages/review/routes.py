"""What the lab decides about a case: waive, return, release; and fetching a record as it was sent."""

from __future__ import annotations

from fastapi import APIRouter, Depends

from server.web.session import may_post

guarded = APIRouter(dependencies=[Depends(may_post)])
