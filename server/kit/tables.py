"""What every table shares: the naming of constraints, times in UTC, enums as text, JSON columns."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import JSON, DateTime, Dialect, String, TypeDecorator
from sqlmodel import SQLModel

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

E = TypeVar("E", bound=StrEnum)


class UtcTime(TypeDecorator[datetime]):
    """A moment. Naive times are refused on the way in; times come out aware, in UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Word(TypeDecorator[StrEnum]):
    """A value of one enum, kept as its text."""

    impl = String(32)
    cache_ok = True

    def __init__(self, kind: type[StrEnum]) -> None:
        super().__init__()
        self.kind = kind

    def process_bind_param(self, value: StrEnum | str | None, dialect: Dialect) -> str | None:
        return None if value is None else self.kind(value).value

    def process_result_value(self, value: str | None, dialect: Dialect) -> StrEnum | None:
        return None if value is None else self.kind(value)


Json = JSON(none_as_null=True)
JsonObject = dict[str, Any]
