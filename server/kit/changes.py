"""What has changed: short-lived rows that let pages in every process refresh without asking for everything again."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlalchemy import Column, delete
from sqlmodel import Field, Session, SQLModel, col, select

from server.kit.tables import UtcTime

KEPT_FOR = timedelta(hours=1)
_OVERLAP = 200


class Change(SQLModel, table=True):
    """`topic` says what changed (`case:ID`, `clinic:ID`, `queue`); `kind` in one word how."""

    __tablename__ = "changes"

    id: int | None = Field(default=None, primary_key=True)
    topic: str = Field(max_length=80)
    kind: str = Field(max_length=32)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False, index=True))


def note_change(session: Session, topics: Iterable[str], kind: str, at: datetime) -> None:
    """Adds a change under each topic to the running transaction; listeners see it once that is committed."""
    session.add_all(Change(topic=topic, kind=kind, at=at) for topic in topics)


def changes_since(session: Session, last_id: int) -> list[Change]:
    """Changes after `last_id`, oldest first, and once more the few hundred before it: where several write at once,
    a lower number may be committed later. The caller leaves out what it has seen."""
    query = select(Change).where(col(Change.id) > last_id - _OVERLAP).order_by(col(Change.id))
    return list(session.exec(query))


def last_change(session: Session) -> int:
    return session.exec(select(Change.id).order_by(col(Change.id).desc()).limit(1)).first() or 0


def forget_changes(session: Session, now: datetime) -> None:
    session.execute(delete(Change).where(col(Change.at) < now - KEPT_FOR))
