"""Organisations, people, and the ways in: sessions, invitations, tokens. Secrets are kept as digests only."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Column, Index
from sqlmodel import Field, SQLModel

from server.kit.tables import Json, JsonObject, UtcTime, Word


class OrganisationKind(StrEnum):
    LAB = "lab"
    CLINIC = "clinic"


class PersonRole(StrEnum):
    """What a person may do. Administrators belong to the lab and may do what the lab may."""

    CLINIC = "clinic"
    LAB = "lab"
    ADMINISTRATOR = "administrator"


class Organisation(SQLModel, table=True):
    """The one lab of the installation, or a clinic. Quotas are the settings' where none is set here."""

    __tablename__ = "organisations"

    id: str = Field(primary_key=True, max_length=32)
    kind: OrganisationKind = Field(sa_column=Column(Word(OrganisationKind), nullable=False))
    name: str = Field(max_length=120)
    quota_bytes: int | None = Field(default=None, sa_column=Column(BigInteger, nullable=True))
    quota_files: int | None = None
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    disabled_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))


class Person(SQLModel, table=True):
    __tablename__ = "people"

    id: str = Field(primary_key=True, max_length=32)
    organisation_id: str = Field(foreign_key="organisations.id", index=True, max_length=32)
    role: PersonRole = Field(sa_column=Column(Word(PersonRole), nullable=False))
    email: str = Field(unique=True, max_length=254)
    name: str = Field(max_length=120)
    password_hash: str = Field(max_length=255)
    is_demo: bool = False
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    disabled_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))


class LoginSession(SQLModel, table=True):
    """`token_digest` is the digest of the cookie's value; `csrf_token` goes into forms and is worthless without it."""

    __tablename__ = "sessions"

    token_digest: str = Field(primary_key=True, max_length=64)
    person_id: str = Field(foreign_key="people.id", index=True, max_length=32)
    csrf_token: str = Field(max_length=64)
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    seen_at: datetime = Field(sa_column=Column(UtcTime, nullable=False, index=True))


class Invitation(SQLModel, table=True):
    """`email` is empty in the link for the first administrator, who types it."""

    __tablename__ = "invitations"

    token_digest: str = Field(primary_key=True, max_length=64)
    organisation_id: str = Field(foreign_key="organisations.id", index=True, max_length=32)
    role: PersonRole = Field(sa_column=Column(Word(PersonRole), nullable=False))
    email: str = Field(default="", max_length=254)
    invited_by: str | None = Field(default=None, foreign_key="people.id", max_length=32)
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    expires_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    used_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))


class ApiToken(SQLModel, table=True):
    __tablename__ = "api_tokens"

    id: str = Field(primary_key=True, max_length=32)
    person_id: str = Field(foreign_key="people.id", index=True, max_length=32)
    name: str = Field(max_length=80)
    token_digest: str = Field(unique=True, max_length=64)
    may_write: bool = True
    created_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    expires_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    revoked_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))
    used_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))


class FailedLogin(SQLModel, table=True):
    """`key_digest`: of the account's address or of the network address."""

    __tablename__ = "failed_logins"
    __table_args__ = (Index(None, "key_digest", "at"),)

    id: int | None = Field(default=None, primary_key=True)
    key_digest: str = Field(max_length=64)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False, index=True))


class AuditEntry(SQLModel, table=True):
    """Who did what to which object. Only ever added to. `chain` is for a hash over this row and the one before."""

    __tablename__ = "audit_entries"
    __table_args__ = (Index(None, "object_id", "id"),)

    id: int | None = Field(default=None, primary_key=True)
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    person_id: str | None = Field(default=None, max_length=32, index=True)
    organisation_id: str | None = Field(default=None, max_length=32)
    action: str = Field(max_length=64)
    object_id: str = Field(default="", max_length=64)
    detail: JsonObject = Field(default_factory=dict, sa_column=Column(Json, nullable=False))
    chain: str | None = Field(default=None, max_length=64)
