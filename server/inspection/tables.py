"""Measurements and judgements as kept: written once, never changed."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import BigInteger, Column, ForeignKey, Index, String
from sqlmodel import Field, SQLModel

from server.kit.tables import Json, JsonObject, UtcTime


class KeptMeasurement(SQLModel, table=True):
    """One measurement under its address; what it was computed from is in the address. about: the SHA-256 of the record
    it was made of, or the id of the case whose records it compares, so that it can be erased with it."""

    __tablename__ = "measurements"

    key: str = Field(primary_key=True, max_length=64)
    measure: str = Field(max_length=80, index=True)
    about: str = Field(default="", max_length=64, index=True)
    made: JsonObject = Field(sa_column=Column(Json, nullable=False))
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))


class SurfaceKey(SQLModel, table=True):
    """One of the keys of a kept sketch: surfaces that share several with another one are its likely twins. Goes with
    the measurement."""

    __tablename__ = "surface_keys"

    key: int = Field(sa_column=Column(BigInteger, primary_key=True, autoincrement=False))
    measurement_key: str = Field(
        sa_column=Column(
            String(64), ForeignKey("measurements.key", ondelete="CASCADE"), primary_key=True, index=True
        )
    )


class Judgement(SQLModel, table=True):
    """The report on a round as it stood at some moment. A round names its latest one. fingerprint: a digest of all
    that the report rests on, so that a job that runs twice judges once."""

    __tablename__ = "judgements"
    __table_args__ = (Index(None, "case_id", "round_number"),)

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(
        sa_column=Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), nullable=False)
    )
    round_number: int
    fingerprint: str = Field(default="", max_length=64)
    verdict: str = Field(max_length=16)
    report: JsonObject = Field(sa_column=Column(Json, nullable=False))
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))


class Waiver(SQLModel, table=True):
    """A lab person's reasoned acceptance of one finding. `finding_key` names the rule, the records by their bytes and
    the sites, so that another file, or another rule, is not covered by it. Only ever added to."""

    __tablename__ = "waivers"

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(
        sa_column=Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), nullable=False, index=True)
    )
    finding_key: str = Field(max_length=64)
    rule: str = Field(max_length=80)
    level: str = Field(max_length=16)
    reason: str = Field(max_length=2000)
    has_consent: bool
    person_id: str | None = Field(default=None, max_length=32)
    person_name: str = Field(max_length=120)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
