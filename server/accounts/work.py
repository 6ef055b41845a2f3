"""One piece of work: one person, one transaction. Every service function takes it first."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from server.accounts.tables import AuditEntry, PersonRole
from server.errors import Refused
from server.kit.portal import Portal


@dataclass(frozen=True)
class Actor:
    """Who acts: a person of an organisation. The portal itself, in a job, has no person and no role."""

    person_id: str | None
    organisation_id: str | None
    role: PersonRole | None
    name: str
    organisation_name: str = ""
    may_write: bool = True

    @property
    def is_clinic(self) -> bool:
        return self.role is PersonRole.CLINIC

    @property
    def is_lab(self) -> bool:
        """Whether the person may do what the lab may."""
        return self.role in (PersonRole.LAB, PersonRole.ADMINISTRATOR)

    @property
    def is_administrator(self) -> bool:
        return self.role is PersonRole.ADMINISTRATOR

    @property
    def is_portal(self) -> bool:
        return self.role is None


PORTAL = Actor(person_id=None, organisation_id=None, role=None, name="Archproof")


class NotYours(Refused):
    """The person may see the object but not do this to it."""

    code = "not-yours"
    http_status = 403


@dataclass(frozen=True)
class Work:
    """portal: settings, store, jobs, clock. session: the open transaction; whoever opened it commits."""

    portal: Portal
    session: Session
    actor: Actor

    @property
    def now(self) -> datetime:
        return self.portal.clock.now()

    def audit(self, action: str, object_id: str, **detail: str | int | float | bool | None) -> None:
        """Adds to the audit trail. `detail` holds codes, numbers and ids, never a name or a free text."""
        self.session.add(
            AuditEntry(
                at=self.now,
                person_id=self.actor.person_id,
                organisation_id=self.actor.organisation_id,
                action=action,
                object_id=object_id,
                detail=dict(detail),
            )
        )

    def require(self, allowed: bool, says: str) -> None:
        """Raises NotYours with these words unless allowed."""
        if not allowed:
            raise NotYours(says)


@contextmanager
def reading(portal: Portal, actor: Actor) -> Iterator[Work]:
    """Work that only looks."""
    with portal.database.reading() as session:
        yield Work(portal, session, actor)


@contextmanager
def writing(portal: Portal, actor: Actor) -> Iterator[Work]:
    """Work that is committed when the block ends well."""
    with portal.database.writing() as session:
        yield Work(portal, session, actor)
