"""Which workers are alive: each writes down the time every few seconds, so that another can tell when it has died."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import Column, delete
from sqlmodel import Field, Session, SQLModel, col, select

from server.kit.tables import UtcTime

MISSED_BEATS = 6


class Heartbeat(SQLModel, table=True):
    __tablename__ = "heartbeats"

    executor_id: str = Field(primary_key=True, max_length=120)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))


def beat(session: Session, executor_id: str, now: datetime) -> None:
    """Says that this worker is alive."""
    row = session.get(Heartbeat, executor_id)
    if row is None:
        session.add(Heartbeat(executor_id=executor_id, at=now))
    else:
        row.at = now


def leave(session: Session, executor_id: str) -> None:
    """A worker that stops in good order says so; its jobs wait for it, or for whoever comes first."""
    row = session.get(Heartbeat, executor_id)
    if row is not None:
        row.at = datetime.fromtimestamp(0, tz=row.at.tzinfo)


def silent_workers(session: Session, own_id: str, now: datetime, beat_s: float) -> list[str]:
    """The other workers that have missed six beats, or have left."""
    since = now - timedelta(seconds=beat_s * MISSED_BEATS)
    query = select(Heartbeat.executor_id).where(col(Heartbeat.at) < since, Heartbeat.executor_id != own_id)
    return list(session.exec(query))


def strike_off(session: Session, executor_id: str) -> None:
    """Forgets a worker whose jobs have been taken over."""
    session.execute(delete(Heartbeat).where(col(Heartbeat.executor_id) == executor_id))
