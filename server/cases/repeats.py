"""Requests that a program may send twice: the first answer is kept under the key that the sender chose.

Source: the IETF draft on the Idempotency-Key header field, from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlalchemy import Column
from sqlmodel import Field, SQLModel, col, delete

from server.accounts.work import Work
from server.errors import BadRequest
from server.kit.tables import UtcTime

KEPT_FOR = timedelta(days=2)
MAX_KEY = 200


class KeyReused(BadRequest):
    """The same key came with another request."""

    code = "key-reused"
    http_status = 422


class Repeat(SQLModel, table=True):
    """key_digest: of the person and the key. asked_digest: of what was asked. made_id: what it made."""

    __tablename__ = "repeats"

    key_digest: str = Field(primary_key=True, max_length=64)
    asked_digest: str = Field(max_length=64)
    made_id: str = Field(max_length=32)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False, index=True))


def once(work: Work, key: str | None, asked: str, make: Callable[[], str]) -> str:
    """The id of what `make` makes, made once per key of the acting person; without a key, each time.

    Raises KeyReused where the key came with another request before.
    """
    if not key:
        return make()
    if len(key) > MAX_KEY:
        raise KeyReused(f"An Idempotency-Key has at most {MAX_KEY} characters.", code="key-too-long")
    key_digest, asked_digest = _digest(f"{work.actor.person_id}\n{key}"), _digest(asked)
    kept = work.session.get(Repeat, key_digest)
    if kept is None:
        made_id = make()
        work.session.add(
            Repeat(key_digest=key_digest, asked_digest=asked_digest, made_id=made_id, at=work.now)
        )
        return made_id
    if kept.asked_digest != asked_digest:
        raise KeyReused("This Idempotency-Key was used for another request.")
    return kept.made_id


def forget_old_repeats(work: Work) -> None:
    """Forgets keys after two days."""
    work.session.execute(delete(Repeat).where(col(Repeat.at) < work.now - KEPT_FOR))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
