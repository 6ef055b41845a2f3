"""What tells people and programs that a case was returned or released: the outbox, the webhooks, what people want."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import Column, ForeignKey, Index, String
from sqlmodel import Field, SQLModel

from server.kit.tables import UtcTime, Word


class Event(StrEnum):
    """What happened. The trial is asked for by a button."""

    RETURNED = "case.returned"
    RELEASED = "case.released"
    TRIAL = "webhook.trial"


class Way(StrEnum):
    MAIL = "mail"
    WEBHOOK = "webhook"


class NoticeState(StrEnum):
    """*dropped*: nobody wants it any more, or what it says is no longer so."""

    WAITING = "waiting"
    SENT = "sent"
    GIVEN_UP = "given-up"
    DROPPED = "dropped"


def _key_to(table: str, *, is_optional: bool = True) -> Column[str]:
    return Column(String(32), ForeignKey(f"{table}.id", ondelete="CASCADE"), nullable=is_optional, index=True)


class MailChoice(SQLModel, table=True):
    """Which mails a person wants; without a row, all."""

    __tablename__ = "mail_choices"

    person_id: str = Field(
        sa_column=Column(String(32), ForeignKey("people.id", ondelete="CASCADE"), primary_key=True)
    )
    returned: bool = True
    released: bool = True


class Webhook(SQLModel, table=True):
    """An address of an organisation's own. The secrets are kept as they are, since they must sign. previous_secret signs
    beside the new one until previous_until, so that a receiver can be changed over."""

    __tablename__ = "webhooks"

    id: str = Field(primary_key=True, max_length=32)
    organisation_id: str = Field(sa_column=_key_to("organisations", is_optional=False))
    url: str = Field(max_length=500)
    secret: str = Field(max_length=80)
    previous_secret: str | None = Field(default=None, max_length=80)
    previous_until: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))
    made_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))


class Notice(SQLModel, table=True):
    """One message to one receiver, written with the deed it tells of. It names the receiver and the case by id, and holds
    nothing of what the case holds. next_try_at: not before; asked_at: when a job was last asked for; says: what came of
    it, in our own words."""

    __tablename__ = "notices"
    __table_args__ = (
        Index(None, "state", "next_try_at"),
        Index(None, "webhook_id", "at"),
    )

    id: str = Field(primary_key=True, max_length=32)
    way: Way = Field(sa_column=Column(Word(Way), nullable=False))
    event: Event = Field(sa_column=Column(Word(Event), nullable=False))
    case_id: str | None = Field(default=None, sa_column=_key_to("cases"))
    round_number: int | None = None
    person_id: str | None = Field(default=None, sa_column=_key_to("people"))
    webhook_id: str | None = Field(
        default=None,
        sa_column=Column(String(32), ForeignKey("webhooks.id", ondelete="CASCADE"), nullable=True),
    )
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    state: NoticeState = Field(sa_column=Column(Word(NoticeState), nullable=False))
    tries: int = 0
    next_try_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    asked_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    ended_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True, index=True))
    says: str = Field(default="", max_length=200)
