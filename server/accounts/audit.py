"""Reading the audit trail; it is written by `Work.audit`."""

from __future__ import annotations

from sqlmodel import col, select

from server.accounts.tables import AuditEntry
from server.accounts.work import Work


def audit_of(work: Work, object_id: str) -> list[AuditEntry]:
    """What happened to one object, oldest first. The caller has checked that the actor may see the object."""
    return list(
        work.session.exec(
            select(AuditEntry).where(AuditEntry.object_id == object_id).order_by(col(AuditEntry.id))
        )
    )


def latest_audit(work: Work, *, before_id: int | None = None, limit: int = 100) -> list[AuditEntry]:
    """The newest entries of the whole installation, for administrators."""
    work.require(work.actor.is_administrator, "Only an administrator reads the whole audit trail.")
    query = select(AuditEntry).order_by(col(AuditEntry.id).desc()).limit(limit)
    if before_id is not None:
        query = query.where(col(AuditEntry.id) < before_id)
    return list(work.session.exec(query))
