"""What one rule says of one record, one site or the case."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

from server.rules.limit import Level, Outcome

Point = tuple[float, float, float]


def _never_from_null(value: object) -> object:
    return math.inf if value is None else value


def _never_to_null(value: float) -> float | None:
    return None if math.isinf(value) else value


ReturnSide = Annotated[
    float, BeforeValidator(_never_from_null), PlainSerializer(_never_to_null, when_used="json")
]
"""Infinite where the limit never returns; null in JSON, which has no word for it."""


class Place(BaseModel):
    """A point of a record, in that record's file frame, mm."""

    model_config = ConfigDict(frozen=True)

    record: str
    point_mm: Point


class LimitApplied(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, serialize_by_alias=True)

    look: float
    return_: ReturnSide = Field(alias="return")
    source: str
    standing: str = ""
    sense: str = "upper"


class Finding(BaseModel):
    """Written once, with the rule's revision and the limit as applied; what people decide is kept apart."""

    model_config = ConfigDict(frozen=True, serialize_by_alias=True, populate_by_name=True)

    rule: str
    revision: int
    outcome: Outcome
    level: Level
    records: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    site_index: tuple[int, ...] = ()
    value: float | None = None
    u95: float | None = None
    unit: str = ""
    limit: LimitApplied | None = None
    where: tuple[Place, ...] = ()
    says: str = ""
    remedy: str = ""
    picture: str | None = None
    because: str | None = None
    """Where nothing was measured: the rule whose finding is the cause."""
