"""Webhooks: the addresses of one's own organisation, and what was sent to them."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, Response
from pydantic import Field

from server.notices.tables import Event, Notice, NoticeState, Webhook
from server.notices.webhooks import (
    change_secret,
    find_webhook,
    last_deliveries,
    own_webhooks,
    register,
    remove,
    try_out,
)
from server.web.api.ask import Asked
from server.web.api.examples import WEBHOOK, form_body
from server.web.api.problems import refusals
from server.web.api.shapes import Shown, Taken

PATH = "/api/v1/webhooks"
router = APIRouter(prefix=PATH, tags=["Webhooks"])


class WebhookGiven(Taken):
    url: str = Field(
        description="https, a whole host name or a public IP address, port 443 or 1024 and above, at most 500 characters."
    )


class WebhookShape(Shown):
    id: str
    url: str
    made_at: datetime
    previous_until: datetime | None = Field(
        description="Until then events are signed with the secret before this one as well."
    )

    @classmethod
    def of(cls, webhook: Webhook) -> WebhookShape:
        return cls.model_validate(webhook.model_dump(include=set(cls.model_fields)))


class WebhookSecretShape(WebhookShape):
    secret: str = Field(description="Shown in this answer alone; as Standard Webhooks has it, whsec_….")


class WebhookListShape(Shown):
    webhooks: list[WebhookShape]


class DeliveryShape(Shown):
    id: str = Field(description="That of the event, as the header webhook-id has it; the same at every try.")
    webhook_id: str
    type: Event
    case_id: str | None
    round: int | None
    at: datetime
    state: NoticeState
    tries: int
    next_try_at: datetime | None = Field(description="null where it came to an end.")
    says: str = Field(description="What came of the last try.")

    @classmethod
    def of(cls, notice: Notice) -> DeliveryShape:
        kept = notice.model_dump(include=set(cls.model_fields))
        waits = notice.state is NoticeState.WAITING
        more = {"type": notice.event, "round": notice.round_number}
        return cls.model_validate(kept | more | {"next_try_at": notice.next_try_at if waits else None})


class DeliveryListShape(Shown):
    deliveries: list[DeliveryShape]


@router.get("", summary="The webhooks of one's organisation", responses=refusals())
def listed(asked: Asked) -> WebhookListShape:
    """Oldest first, without their secrets."""
    with asked.reading() as work:
        return WebhookListShape(webhooks=[WebhookShape.of(w) for w in own_webhooks(work)])


@router.post(
    "",
    summary="Add a webhook",
    status_code=201,
    responses=refusals(403, 409, 422),
    openapi_extra=form_body({"$ref": "#/components/schemas/WebhookGiven"}, WEBHOOK),
)
def add(asked: Asked, given: WebhookGiven, answer: Response) -> WebhookSecretShape:
    """The address is told of case.returned and case.released: of a clinic's own cases, of all where the lab adds it. The
    event is a POST of JSON {id, type, timestamp, data: {case_id, round, url}}, signed as Standard Webhooks has it (headers
    webhook-id, webhook-timestamp, webhook-signature). It may arrive more than once, under the same id."""
    return _with_secret(register(asked.portal, asked.actor, given.url), answer)


@router.delete("/{webhook_id}", summary="Remove a webhook", status_code=204, responses=refusals(403, 404))
def take_away(asked: Asked, webhook_id: str) -> None:
    """With what waits for it."""
    with asked.writing() as work:
        remove(work, webhook_id)


@router.post("/{webhook_id}/secret", summary="Change a secret", responses=refusals(403, 404))
def renew(asked: Asked, webhook_id: str, answer: Response) -> WebhookSecretShape:
    """Gives a new secret. For a day events carry two signatures, also one by the secret before; changed twice, the oldest
    is void at once."""
    with asked.writing() as work:
        return _with_secret(change_secret(work, webhook_id), answer)


@router.post(
    "/{webhook_id}/trial", summary="Send a trial", status_code=202, responses=refusals(403, 404, 429)
)
def trial(asked: Asked, webhook_id: str) -> DeliveryShape:
    """An event webhook.trial, with null for case and round. It is tried once."""
    with asked.writing() as work:
        return DeliveryShape.of(try_out(work, webhook_id))


@router.get("/{webhook_id}/deliveries", summary="The last deliveries", responses=refusals(404))
def deliveries(asked: Asked, webhook_id: str) -> DeliveryListShape:
    """Newest first; kept for a month after they came to an end."""
    with asked.reading() as work:
        webhook = find_webhook(work, webhook_id)
        sent = last_deliveries(work, webhook.id)
        return DeliveryListShape(deliveries=[DeliveryShape.of(d.notice) for d in sent])


def _with_secret(webhook: Webhook, answer: Response) -> WebhookSecretShape:
    answer.headers["Cache-Control"] = "no-store"
    return WebhookSecretShape.model_validate(webhook.model_dump(include=set(WebhookSecretShape.model_fields)))
