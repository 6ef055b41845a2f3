"""Uploads under way, the parts that have arrived, and the blobs they became."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Column, ForeignKey, Index, String, UniqueConstraint
from sqlmodel import Field, SQLModel

from server.kit.tables import UtcTime, Word
from server.records.roles import Role, Unit


class UploadState(StrEnum):
    OPEN = "open"
    FINISHED = "finished"
    REFUSED = "refused"


class Upload(SQLModel, table=True):
    """One file on its way. offset_bytes: what is safe on disk. sha256_expected: as the sender states it, or empty."""

    __tablename__ = "uploads"
    __table_args__ = (Index(None, "state", "touched_at"), Index(None, "clinic_id", "state"))

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(
        sa_column=Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), nullable=False, index=True)
    )
    clinic_id: str = Field(foreign_key="organisations.id", max_length=32)
    person_id: str | None = Field(default=None, max_length=32)
    state: UploadState = Field(sa_column=Column(Word(UploadState), nullable=False))
    file_name: str = Field(max_length=255)
    role: Role | None = Field(default=None, sa_column=Column(Word(Role), nullable=True))
    unit: Unit = Field(sa_column=Column(Word(Unit), nullable=False))
    body: str | None = Field(default=None, max_length=200)
    replaces: str | None = Field(default=None, max_length=32)
    length_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    offset_bytes: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    sha256_expected: str = Field(default="", max_length=64)
    refusal: str = Field(default="", max_length=400)
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    touched_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))


class UploadPart(SQLModel, table=True):
    """What one request brought: an immutable object in the store."""

    __tablename__ = "upload_parts"
    __table_args__ = (UniqueConstraint("upload_id", "offset_bytes"),)

    key: str = Field(primary_key=True, max_length=120)
    upload_id: str = Field(
        sa_column=Column(String(32), ForeignKey("uploads.id", ondelete="CASCADE"), nullable=False, index=True)
    )
    offset_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    size_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    sha256: str = Field(max_length=64)


class Blob(SQLModel, table=True):
    """A file's bytes, addressed by their SHA-256. Held by records and by bodies of the catalogue."""

    __tablename__ = "blobs"

    sha256: str = Field(primary_key=True, max_length=64)
    size_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    kept_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
