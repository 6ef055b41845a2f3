"""What tells people and programs that a case came back or was released: mails, webhooks, and how both stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame, NoticeView, TagView, TimeView


@dataclass(frozen=True, slots=True)
class TroubleRow:
    at: TimeView
    who: str
    what: str
    tag: TagView
    tries: int
    says: str


@dataclass(frozen=True, slots=True)
class OutboxView:
    """Of the mails, for whoever runs the portal."""

    care: NoticeView | None
    waiting: str
    sent: str
    given_up: str
    troubles: tuple[TroubleRow, ...]


@dataclass(frozen=True, slots=True)
class NoticesPage:
    """`choices` is empty for people to whom no mail goes, `outbox` None for who does not run the portal."""

    template: ClassVar[str] = "notices/notices.html"

    frame: Frame
    choices: tuple[FieldView, ...]
    care: NoticeView | None
    outbox: OutboxView | None


@dataclass(frozen=True, slots=True)
class WebhookRow:
    id: str
    url: str
    made: TimeView
    old_secret_until: TimeView | None


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    at: TimeView
    what: str
    url: str
    tag: TagView
    tries: int
    says: str
    next_try: TimeView | None


@dataclass(frozen=True, slots=True)
class WebhooksPage:
    """`secret` is of the address `secret_for`, shown this once."""

    template: ClassVar[str] = "notices/webhooks.html"

    frame: Frame
    webhooks: tuple[WebhookRow, ...]
    deliveries: tuple[DeliveryRow, ...]
    url: FieldView
    secret: str = ""
    secret_for: str = ""
