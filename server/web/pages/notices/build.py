"""From the outbox, the webhooks and a person's choice to the pages about notices."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from server.notices.choices import Wanted
from server.notices.outbox import MailStanding, Trouble
from server.notices.tables import Event, Notice, NoticeState, Webhook
from server.notices.webhooks import Delivered
from server.rules.wording import count_words
from server.web.pages.fields import FieldView
from server.web.pages.notices.page import (
    DeliveryRow,
    NoticesPage,
    OutboxView,
    TroubleRow,
    WebhookRow,
    WebhooksPage,
)
from server.web.pages.parts import Frame, NoticeView, TagView
from server.web.pages.words import time_view

EVENT_WORDS = {
    Event.RETURNED: "A case was returned",
    Event.RELEASED: "A case was released",
    Event.TRIAL: "A trial",
}
_TAGS = {
    NoticeState.SENT: TagView("clear", "Taken", "clear"),
    NoticeState.GIVEN_UP: TagView("return", "Given up", "return"),
    NoticeState.DROPPED: TagView("none", "Not sent", "none"),
    NoticeState.WAITING: TagView("busy", "On its way", "send"),
}
_AGAIN = TagView("look", "To be tried again", "look")
_NO_SERVER = (
    "No mail server is set, so mails wait here. Whoever runs the portal sets ARCHPROOF_SMTP_URL, ARCHPROOF_MAIL_FROM and "
    "ARCHPROOF_PUBLIC_URL. What has waited for more than two days is then not sent any more."
)
_NO_SERVER_FOR_CLINICS = (
    "The lab has not set up mail, so none is sent at present. What you choose here is kept until it has."
)


def notices_page(
    frame: Frame,
    wanted: Wanted | None,
    standing: MailStanding | None,
    zone: ZoneInfo,
    *,
    has_server: bool,
) -> NoticesPage:
    """`wanted`: of a person to whom mail goes; `standing`: for whoever runs the portal."""
    care = NoticeView("care", _NO_SERVER_FOR_CLINICS) if wanted is not None and not has_server else None
    return NoticesPage(
        frame=frame,
        choices=_choices(wanted) if wanted is not None else (),
        care=care,
        outbox=_outbox(standing, zone, has_server=has_server) if standing is not None else None,
    )


def _choices(wanted: Wanted) -> tuple[FieldView, ...]:
    return (
        FieldView("returned", "When a case comes back from the lab", "yes" if wanted.returned else ""),
        FieldView("released", "When a case is released to design", "yes" if wanted.released else ""),
    )


def _outbox(standing: MailStanding, zone: ZoneInfo, *, has_server: bool) -> OutboxView:
    since = f", the first since {time_view(standing.oldest_at, zone).words}" if standing.oldest_at else ""
    return OutboxView(
        care=None if has_server else NoticeView("care", _NO_SERVER),
        waiting=count_words(standing.waiting, "mail") + since,
        sent=count_words(standing.sent, "mail"),
        given_up=count_words(standing.given_up, "mail"),
        troubles=tuple(_trouble(trouble, zone) for trouble in standing.troubles),
    )


def _trouble(trouble: Trouble, zone: ZoneInfo) -> TroubleRow:
    notice = trouble.notice
    return TroubleRow(
        at=time_view(notice.at, zone),
        who=f"{trouble.person_name}, {trouble.place}",
        what=EVENT_WORDS[notice.event],
        tag=tag_of(notice),
        tries=notice.tries,
        says=notice.says,
    )


def webhooks_page(
    frame: Frame,
    webhooks: Sequence[Webhook],
    deliveries: Sequence[Delivered],
    *,
    now: datetime,
    zone: ZoneInfo,
    typed: str = "",
    wrong: str = "",
    shown: Webhook | None = None,
) -> WebhooksPage:
    """The organisation's addresses; `shown` is one whose secret is shown this once."""
    url = FieldView(
        "url",
        "Address",
        typed,
        kind="url",
        hint="Such as https://hooks.example.com/archproof: https, and on the public internet.",
        wrong=wrong,
        is_required=True,
    )
    return WebhooksPage(
        frame=frame,
        webhooks=tuple(_webhook(webhook, now, zone) for webhook in webhooks),
        deliveries=tuple(_delivery(delivered, zone) for delivered in deliveries),
        url=url,
        secret=shown.secret if shown is not None else "",
        secret_for=shown.url if shown is not None else "",
    )


def _webhook(webhook: Webhook, now: datetime, zone: ZoneInfo) -> WebhookRow:
    until = webhook.previous_until
    is_changing = until is not None and until > now
    return WebhookRow(
        id=webhook.id,
        url=webhook.url,
        made=time_view(webhook.made_at, zone),
        old_secret_until=time_view(until, zone) if until is not None and is_changing else None,
    )


def _delivery(delivered: Delivered, zone: ZoneInfo) -> DeliveryRow:
    notice = delivered.notice
    waits = notice.state is NoticeState.WAITING and bool(notice.says)
    return DeliveryRow(
        at=time_view(notice.at, zone),
        what=EVENT_WORDS[notice.event],
        url=delivered.url,
        tag=tag_of(notice),
        tries=notice.tries,
        says=notice.says,
        next_try=time_view(notice.next_try_at, zone) if waits else None,
    )


def tag_of(notice: Notice) -> TagView:
    """How a notice stands, in a word."""
    if notice.state is NoticeState.WAITING and notice.says:
        return _AGAIN
    return _TAGS[notice.state]
