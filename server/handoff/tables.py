"""Releases as made: written once."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import BigInteger, Column, ForeignKey, String, text
from sqlmodel import Field, SQLModel

from server.kit.tables import Json, JsonObject, UtcTime


class Release(SQLModel, table=True):
    """What was handed to design: the manifest names every record by its bytes and every finding that was accepted.

    package_sha256, package_bytes: of the archive, once it is made; package_says: why it could not be, in words.
    """

    __tablename__ = "releases"

    id: str = Field(primary_key=True, max_length=32)
    case_id: str = Field(
        sa_column=Column(String(32), ForeignKey("cases.id", ondelete="CASCADE"), nullable=False, index=True)
    )
    round_number: int
    judgement_id: str = Field(max_length=32)
    manifest: JsonObject = Field(sa_column=Column(Json, nullable=False))
    at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    package_sha256: str | None = Field(default=None, max_length=64)
    package_bytes: int | None = Field(default=None, sa_column=Column(BigInteger, nullable=True))
    package_says: str = Field(
        default="", sa_column=Column(String(400), nullable=False, server_default=text("''"))
    )
