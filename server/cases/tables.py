"""Cases, their rounds, records and messages."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Index, String, UniqueConstraint, false
from sqlmodel import Field, SQLModel

from server.kit.tables import Json, JsonObject, UtcTime, Word
from server.records.roles import Role, Unit

NO_NEED_BY = datetime(9999, 1, 1, tzinfo=UTC)
"""Stands for an unknown need-by, so that such cases come last and the order needs no special case."""


class CaseState(StrEnum):
    """Whose turn it is."""

    COLLECTING = "collecting"
    WITH_LAB = "with-lab"
    WITH_CLINIC = "with-clinic"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"

    @property
    def words(self) -> str:
        return {"with-lab": "with the lab", "with-clinic": "with the clinic"}.get(self.value, self.value)

    @property
    def is_over(self) -> bool:
        return self in (CaseState.RELEASED, CaseState.WITHDRAWN)


class Case(SQLModel, table=True):
    """form: a CaseForm as JSON, without its records. verdict, headline and the counts mirror the judgement of the
    current round, None before there is one; open_* count findings without a waiver. lightness: 0 gravest … 3 clear or
    unknown, so that one ascending index serves the queue.
    """

    __tablename__ = "cases"
    __table_args__ = (
        Index("ix_cases_queue", "queue_at", "lightness", "id"),
        Index("ix_cases_state_queue", "state", "queue_at", "lightness", "id"),
        Index("ix_cases_clinic_queue", "clinic_id", "queue_at", "lightness", "id"),
        Index("ix_cases_clinic_state_queue", "clinic_id", "state", "queue_at", "lightness", "id"),
        Index("ix_cases_state_verdict_queue", "state", "verdict", "queue_at", "lightness", "id"),
        Index("ix_cases_clinic_recent", "clinic_id", "updated_at", "id"),
    )

    id: str = Field(primary_key=True, max_length=32)
    clinic_id: str = Field(foreign_key="organisations.id", max_length=32)
    state: CaseState = Field(sa_column=Column(Word(CaseState), nullable=False))
    patient_code: str = Field(default="", max_length=64)
    form: JsonObject = Field(sa_column=Column(Json, nullable=False))
    round_number: int = 1
    needed_by: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))
    queue_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    lightness: int = 3
    verdict: str | None = Field(default=None, max_length=16)
    headline: str = Field(default="", max_length=2000)
    open_returns: int = 0
    open_looks: int = 0
    created_by: str | None = Field(default=None, foreign_key="people.id", max_length=32)
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    updated_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    submitted_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))


def _case_key(*, indexed: bool = True) -> Column[str]:
    return Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), nullable=False, index=indexed)


class CaseWord(SQLModel, table=True):
    """The words by which a case is found: of the patient code, the clinic's name."""

    __tablename__ = "case_words"

    word: str = Field(primary_key=True, max_length=64)
    case_id: str = Field(
        sa_column=Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), primary_key=True, index=True)
    )


class Round(SQLModel, table=True):
    """One submission of a case, or the next one while it is being prepared (submitted_at None)."""

    __tablename__ = "rounds"
    __table_args__ = (UniqueConstraint("case_id", "number"),)

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(sa_column=_case_key(indexed=False))
    number: int
    form: JsonObject | None = Field(default=None, sa_column=Column(Json, nullable=True))
    """The form as submitted; None while the round is open."""
    opened_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    submitted_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))
    submitted_by: str | None = Field(default=None, max_length=32)
    judgement_id: str | None = Field(default=None, max_length=32)


class Measuring(StrEnum):
    """How far a record is. *needs-role*: nobody has said what it is; it waits for a person, unless its shape tells."""

    NEEDS_ROLE = "needs-role"
    WAITING = "waiting"
    MEASURING = "measuring"
    MEASURED = "measured"


class Record(SQLModel, table=True):
    """One uploaded file with its role. It belongs to the rounds first_round..last_round; last_round is None while it has not
    been replaced or removed, and below first_round where that happened before it was ever submitted.

    role_is_guessed: nobody has said or confirmed it; it was filled in from the file's shape. likely_roles: what the shape of
    a file without a role leaves open, the likeliest first; None until it was looked at. spots: scan bodies matched by hand, as
    in the form.
    """

    __tablename__ = "records"
    __table_args__ = (Index(None, "case_id", "first_round"),)

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(sa_column=_case_key(indexed=False))
    clinic_id: str = Field(foreign_key="organisations.id", index=True, max_length=32)
    role: Role | None = Field(default=None, sa_column=Column(Word(Role), nullable=True))
    role_is_guessed: bool = Field(
        default=False, sa_column=Column(Boolean, nullable=False, server_default=false())
    )
    likely_roles: list[str] | None = Field(default=None, sa_column=Column(Json, nullable=True))
    unit: Unit = Field(sa_column=Column(Word(Unit), nullable=False))
    body: str | None = Field(default=None, max_length=200)
    spots: list[dict[str, Any]] | None = Field(default=None, sa_column=Column(Json, nullable=True))
    file_name: str = Field(max_length=255)
    sha256: str = Field(max_length=64, index=True)
    size_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    replaces: str | None = Field(default=None, max_length=32)
    first_round: int
    last_round: int | None = None
    measuring: Measuring = Field(sa_column=Column(Word(Measuring), nullable=False, index=True))
    measuring_since: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    added_by: str | None = Field(default=None, max_length=32)
    added_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))

    def is_in(self, round_number: int) -> bool:
        return self.first_round <= round_number and (
            self.last_round is None or round_number <= self.last_round
        )


class MessageKind(StrEnum):
    NOTE = "note"
    RETURN = "return"
    RELEASE = "release"


class Message(SQLModel, table=True):
    __tablename__ = "messages"

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(sa_column=_case_key())
    round_number: int
    kind: MessageKind = Field(sa_column=Column(Word(MessageKind), nullable=False))
    person_id: str | None = Field(default=None, max_length=32)
    from_name: str = Field(max_length=120)
    from_lab: bool
    text: str = Field(max_length=4000)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
