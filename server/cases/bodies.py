"""The lab's catalogue of reference bodies as the portal keeps it: every version of every entry."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import BigInteger, Column, Index, text
from sqlmodel import Field, SQLModel, col, select

from server.accounts.work import Work
from server.kit.tables import Json, JsonObject, UtcTime
from server.records.bodies import BodyEntry

_IS_CURRENT = text("superseded_at IS NULL")


class CatalogueBody(SQLModel, table=True):
    """One version of an entry. It is never edited, since findings rest on it: a later version supersedes it, and this
    one stays with its mesh. body_id: the id of the entry, by which forms name it; one version of each is current.
    """

    __tablename__ = "bodies"
    __table_args__ = (
        Index(
            "ix_bodies_current",
            "body_id",
            unique=True,
            sqlite_where=_IS_CURRENT,
            postgresql_where=_IS_CURRENT,
        ),
    )

    id: str = Field(primary_key=True, max_length=32)
    body_id: str = Field(max_length=64)
    entry: JsonObject = Field(sa_column=Column(Json, nullable=False))
    mesh_sha256: str = Field(max_length=64, index=True)
    mesh_bytes: int = Field(sa_column=Column(BigInteger, nullable=False))
    added_by: str | None = Field(default=None, max_length=32)
    added_at: datetime = Field(sa_column=Column(UtcTime, nullable=False))
    superseded_at: datetime | None = Field(default=None, sa_column=Column(UtcTime, nullable=True))

    @property
    def said(self) -> BodyEntry:
        """The entry itself."""
        return BodyEntry.model_validate(self.entry)


def current_bodies(work: Work) -> list[CatalogueBody]:
    """The catalogue as it stands, by id."""
    is_current = col(CatalogueBody.superseded_at).is_(None)
    return list(work.session.exec(select(CatalogueBody).where(is_current).order_by(CatalogueBody.body_id)))


def current_body(work: Work, body_id: str) -> CatalogueBody | None:
    """The current version of one entry, locked till the transaction ends; None where there is none."""
    is_current = col(CatalogueBody.superseded_at).is_(None)
    query = select(CatalogueBody).where(CatalogueBody.body_id == body_id, is_current)
    return work.session.exec(query.with_for_update()).first()


def body_ids(work: Work) -> tuple[str, ...]:
    """What a form may name as a site's scan body, in order. Open to clinics too."""
    is_current = col(CatalogueBody.superseded_at).is_(None)
    return tuple(
        work.session.exec(select(CatalogueBody.body_id).where(is_current).order_by(CatalogueBody.body_id))
    )


def is_held_by_a_body(work: Work, sha256: str) -> bool:
    """Whether a blob is the mesh of any version of an entry."""
    query = select(CatalogueBody.id).where(CatalogueBody.mesh_sha256 == sha256).limit(1)
    return work.session.exec(query).first() is not None
