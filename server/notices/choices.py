"""Which mails a person wants: each chooses for themselves, and without a choice gets all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlmodel import col, select

from server.accounts.tables import Organisation, Person
from server.accounts.work import Work
from server.notices.tables import Event, MailChoice


@dataclass(frozen=True)
class Wanted:
    """Whether a person wants a mail on returns, and on releases."""

    returned: bool = True
    released: bool = True

    def takes(self, event: Event) -> bool:
        return {Event.RETURNED: self.returned, Event.RELEASED: self.released}.get(event, False)


def own_choice(work: Work) -> Wanted:
    """What the acting person wants."""
    row = work.session.get(MailChoice, work.actor.person_id)
    return Wanted(row.returned, row.released) if row is not None else Wanted()


def choose(work: Work, wanted: Wanted) -> None:
    """Keeps what the acting person wants. Raises NotYours to whom no mail goes."""
    work.require(work.actor.is_clinic, "Mail goes to the people of clinics.")
    row = work.session.get(MailChoice, work.actor.person_id)
    if row is None:
        row = MailChoice(person_id=work.actor.person_id or "")
        work.session.add(row)
    row.returned, row.released = wanted.returned, wanted.released
    work.audit("mail.choose", work.actor.person_id or "", returned=wanted.returned, released=wanted.released)


def who_wants(work: Work, clinic_id: str, event: Event) -> list[Person]:
    """The people of a clinic who want a mail on this."""
    query = (
        select(Person, MailChoice)
        .join(Organisation, col(Organisation.id) == col(Person.organisation_id))
        .join(MailChoice, col(MailChoice.person_id) == col(Person.id), isouter=True)
        .where(Person.organisation_id == clinic_id)
        .where(col(Person.disabled_at).is_(None), col(Organisation.disabled_at).is_(None))
        .order_by(col(Person.created_at), col(Person.id))
    )
    return list(_takers(work.session.exec(query), event))


def _takers(rows: Iterable[tuple[Person, MailChoice | None]], event: Event) -> Iterable[Person]:
    for person, row in rows:
        if (Wanted(row.returned, row.released) if row is not None else Wanted()).takes(event):
            yield person
