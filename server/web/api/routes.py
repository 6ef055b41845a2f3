"""The interface for programs in one router: cases, records, verdicts, messages, resumable uploads, webhooks, and what describes
all of it."""

from __future__ import annotations

from fastapi import APIRouter

from server.web import tus
from server.web.api import cases, decisions, description, messages, pictures, records, webhooks

router = APIRouter()
for part in (
    cases.router,
    records.router,
    tus.router,
    decisions.router,
    pictures.router,
    messages.router,
    webhooks.router,
    description.router,
):
    router.include_router(part)
