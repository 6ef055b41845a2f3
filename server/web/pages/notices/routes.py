"""Notices: which mails a person wants, how the mails stand, and the organisation's webhooks."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.work import Work, reading, writing
from server.errors import BadRequest
from server.kit.public_address import AddressRefused
from server.notices.choices import Wanted, choose, own_choice
from server.notices.outbox import mail_standing
from server.notices.tables import Webhook
from server.notices.webhooks import (
    TooManyTrials,
    TooManyWebhooks,
    change_secret,
    last_deliveries,
    own_webhooks,
    register,
    remove,
    try_out,
)
from server.web.pages.notices.build import notices_page, webhooks_page
from server.web.pages.notices.page import WebhooksPage
from server.web.pages.parts import NoticeView, Room
from server.web.pages.visit import Posted, Visit, Visiting
from server.web.rendering import render
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


@router.get("/notices", response_class=HTMLResponse)
def notices(visit: Visiting) -> Response:
    with reading(visit.portal, visit.actor) as work:
        page = notices_page(
            visit.frame("Notices"),
            own_choice(work) if visit.actor.is_clinic else None,
            mail_standing(work) if visit.actor.is_administrator else None,
            visit.zone,
            has_server=visit.portal.settings.mail_server is not None,
        )
    return render(page)


@guarded.post("/notices")
def choose_mails(visit: Visiting, fields: Posted) -> Response:
    wanted = Wanted(returned=bool(fields.get("returned")), released=bool(fields.get("released")))
    with writing(visit.portal, visit.actor) as work:
        choose(work, wanted)
    return RedirectResponse("/notices?done=chosen", status_code=303)


@router.get("/webhooks", response_class=HTMLResponse)
def webhooks(visit: Visiting) -> Response:
    with reading(visit.portal, visit.actor) as work:
        return render(_page(visit, work))


@guarded.post("/webhooks", response_class=HTMLResponse)
def add_webhook(visit: Visiting, fields: Posted) -> Response:
    url = fields.get("url", "").strip()
    try:
        made = register(visit.portal, visit.actor, url)
    except (AddressRefused, TooManyWebhooks) as refusal:
        with reading(visit.portal, visit.actor) as work:
            return render(_page(visit, work, typed=url, wrong=refusal.says), status=refusal.http_status)
    with reading(visit.portal, visit.actor) as work:
        return render(_page(visit, work, shown=made))


@guarded.post("/webhooks/{webhook_id}/secret", response_class=HTMLResponse)
def new_secret(visit: Visiting, webhook_id: str) -> Response:
    with writing(visit.portal, visit.actor) as work:
        changed = change_secret(work, webhook_id)
        work.session.flush()
        return render(_page(visit, work, shown=changed))


@guarded.post("/webhooks/{webhook_id}/trial", response_class=HTMLResponse)
def send_trial(visit: Visiting, webhook_id: str) -> Response:
    with writing(visit.portal, visit.actor) as work:
        try:
            try_out(work, webhook_id)
        except TooManyTrials as refusal:
            return render(_page(visit, work, refusal=refusal), status=refusal.http_status)
    return RedirectResponse("/webhooks?done=tried", status_code=303)


@guarded.post("/webhooks/{webhook_id}/remove")
def remove_webhook(visit: Visiting, webhook_id: str) -> Response:
    with writing(visit.portal, visit.actor) as work:
        remove(work, webhook_id)
    return RedirectResponse("/webhooks?done=removed", status_code=303)


def _page(
    visit: Visit,
    work: Work,
    *,
    typed: str = "",
    wrong: str = "",
    shown: Webhook | None = None,
    refusal: BadRequest | None = None,
) -> WebhooksPage:
    said = (NoticeView("wrong", refusal.says),) if refusal is not None else ()
    return webhooks_page(
        visit.frame("Webhooks", Room.DESK, *said),
        own_webhooks(work),
        last_deliveries(work),
        now=work.now,
        zone=visit.zone,
        typed=typed,
        wrong=wrong,
        shown=shown,
    )
