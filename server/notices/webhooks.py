"""The addresses that an organisation registers for itself: its own people add, try and remove them, nobody else sees
them."""

from __future__ import annotations

import base64
import secrets
from dataclasses import dataclass
from datetime import timedelta

from sqlmodel import col, func, select

from server.accounts.work import Actor, NotYours, Work, writing
from server.errors import BadRequest, NotFound, Refused
from server.kit.ids import new_id
from server.kit.portal import Portal
from server.notices.outbox import write_trial
from server.notices.tables import Event, Notice, Webhook

PREFIX = "whsec_"
SECRET_BYTES = 32
MOST = 10
TRIALS = 5
TRIALS_WITHIN = timedelta(minutes=10)
OLD_SECRET_FOR = timedelta(hours=24)
SHOWN = 20


class WebhookUnknown(NotFound):
    code = "webhook-unknown"


class TooManyWebhooks(Refused):
    code = "too-many-webhooks"


class TooManyTrials(BadRequest):
    code = "too-many-trials"
    http_status = 429


@dataclass(frozen=True)
class Delivered:
    """One notice to one address."""

    notice: Notice
    url: str


def own_webhooks(work: Work) -> list[Webhook]:
    """Those of the acting person's organisation, oldest first."""
    query = (
        select(Webhook)
        .where(Webhook.organisation_id == work.actor.organisation_id)
        .order_by(col(Webhook.made_at), col(Webhook.id))
    )
    return list(work.session.exec(query))


def find_webhook(work: Work, webhook_id: str) -> Webhook:
    """One of the acting person's organisation. Raises WebhookUnknown."""
    webhook = work.session.get(Webhook, webhook_id)
    if webhook is None or webhook.organisation_id != work.actor.organisation_id:
        raise WebhookUnknown("There is no such webhook.")
    return webhook


def register(portal: Portal, actor: Actor, url: str) -> Webhook:
    """A new address with a new secret. It is looked up before the transaction, since that may take seconds.

    Raises NotYours, AddressRefused, TooManyWebhooks.
    """
    if actor.organisation_id is None:
        raise NotYours("A webhook belongs to an organisation.")
    portal.outward.require_public(url)
    with writing(portal, actor) as work:
        if len(own_webhooks(work)) >= MOST:
            raise TooManyWebhooks(f"There are {MOST} already; remove one first.")
        webhook = Webhook(
            id=new_id(),
            organisation_id=actor.organisation_id,
            url=url,
            secret=_new_secret(),
            made_at=work.now,
        )
        work.session.add(webhook)
        work.audit("webhook.add", webhook.id)
        work.session.flush()
        return webhook


def change_secret(work: Work, webhook_id: str) -> Webhook:
    """Gives a new secret; the one before it signs beside it for a day, one before that no more. Raises WebhookUnknown."""
    webhook = find_webhook(work, webhook_id)
    webhook.previous_secret, webhook.previous_until = webhook.secret, work.now + OLD_SECRET_FOR
    webhook.secret = _new_secret()
    work.audit("webhook.secret", webhook.id)
    return webhook


def remove(work: Work, webhook_id: str) -> None:
    """Takes an address away, with what waits for it and what was sent to it. Raises WebhookUnknown."""
    webhook = find_webhook(work, webhook_id)
    work.session.delete(webhook)
    work.audit("webhook.remove", webhook.id)


def try_out(work: Work, webhook_id: str) -> Notice:
    """Sends a trial to an address. Raises WebhookUnknown, TooManyTrials."""
    webhook = find_webhook(work, webhook_id)
    query = (
        select(func.count())
        .select_from(Notice)
        .join(Webhook, col(Webhook.id) == col(Notice.webhook_id))
        .where(Webhook.organisation_id == webhook.organisation_id, Notice.event == Event.TRIAL)
        .where(col(Notice.at) > work.now - TRIALS_WITHIN)
    )
    if work.session.exec(query).one() >= TRIALS:
        raise TooManyTrials(f"No more than {TRIALS} trials in ten minutes; wait a little.")
    work.audit("webhook.try", webhook.id)
    return write_trial(work, webhook)


def last_deliveries(work: Work, webhook_id: str | None = None) -> list[Delivered]:
    """What was sent to the organisation's addresses last, or to one of them; newest first."""
    query = (
        select(Notice, Webhook.url)
        .join(Webhook, col(Webhook.id) == col(Notice.webhook_id))
        .where(Webhook.organisation_id == work.actor.organisation_id)
        .order_by(col(Notice.at).desc(), col(Notice.id))
        .limit(SHOWN)
    )
    if webhook_id is not None:
        query = query.where(Notice.webhook_id == webhook_id)
    return [Delivered(notice, url) for notice, url in work.session.exec(query)]


def _new_secret() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()
