"""Organisations and people: adding, disabling, looking up."""

from __future__ import annotations

import re

from sqlmodel import col, delete, select

from server.accounts.tables import (
    ApiToken,
    LoginSession,
    Organisation,
    OrganisationKind,
    Person,
    PersonRole,
)
from server.accounts.work import Actor, Work
from server.errors import BadRequest, NotFound, Refused
from server.kit.ids import new_id

_EMAIL = re.compile(r"[^@\s\x00-\x1f<>\",;]{1,64}@[^@\s\x00-\x1f<>\",;]{1,189}")


class EmailUnusable(BadRequest):
    code = "email"
    http_status = 422


class NameUnusable(BadRequest):
    code = "name"
    http_status = 422


def clean_email(text: str) -> str:
    """The address as it is kept: trimmed, small letters. Raises EmailUnusable."""
    email = text.strip().casefold()
    if not _EMAIL.fullmatch(email):
        raise EmailUnusable("This is not an e-mail address.")
    return email


def clean_name(text: str) -> str:
    """A shown name: one line, trimmed. Raises NameUnusable where nothing is left."""
    name = " ".join(part for part in "".join(c if c.isprintable() else " " for c in text).split())[:120]
    if not name:
        raise NameUnusable("A name is missing.")
    return name


def add_organisation(work: Work, kind: OrganisationKind, name: str) -> Organisation:
    """A new clinic, or the lab of a fresh installation."""
    work.require(
        work.actor.is_administrator or work.actor.is_portal, "Only an administrator adds organisations."
    )
    if kind is OrganisationKind.LAB and find_lab(work) is not None:
        raise Refused("An installation serves one lab, and there is one already.")
    organisation = Organisation(id=new_id(), kind=kind, name=clean_name(name), created_at=work.now)
    work.session.add(organisation)
    work.audit("organisation.add", organisation.id, kind=kind.value)
    return organisation


def find_lab(work: Work) -> Organisation | None:
    return work.session.exec(select(Organisation).where(Organisation.kind == OrganisationKind.LAB)).first()


def clinics(work: Work) -> list[Organisation]:
    """All clinics by name, for the lab; a clinic sees itself alone."""
    query = (
        select(Organisation).where(Organisation.kind == OrganisationKind.CLINIC).order_by(Organisation.name)
    )
    if work.actor.is_clinic:
        query = query.where(Organisation.id == work.actor.organisation_id)
    return list(work.session.exec(query))


def add_person(
    work: Work, organisation: Organisation, role: PersonRole, email: str, name: str, password_hash: str
) -> Person:
    """A new person. The hash comes from `passwords.hash_password`, made before the transaction. Raises Refused."""
    if (role is PersonRole.CLINIC) != (organisation.kind is OrganisationKind.CLINIC):
        raise Refused("Clinic people belong to a clinic, the lab's people to the lab.")
    if work.session.exec(select(Person.id).where(Person.email == email)).first() is not None:
        raise Refused("There is an account with this address already.", code="email-taken")
    person = Person(
        id=new_id(),
        organisation_id=organisation.id,
        role=role,
        email=clean_email(email),
        name=clean_name(name),
        password_hash=password_hash,
        created_at=work.now,
    )
    work.session.add(person)
    work.session.flush()
    work.audit("person.add", person.id, role=role.value)
    return person


def people(work: Work) -> list[tuple[Person, Organisation]]:
    """Everybody, for administrators; others see the people of their own organisation."""
    query = (
        select(Person, Organisation)
        .join(Organisation, col(Organisation.id) == col(Person.organisation_id))
        .order_by(Organisation.name, Person.name)
    )
    if not work.actor.is_administrator:
        query = query.where(Person.organisation_id == work.actor.organisation_id)
    return list(work.session.exec(query))


def disable_person(work: Work, person_id: str) -> None:
    """Ends a person's access at once: sessions and tokens included. Raises NotFound, Refused."""
    work.require(work.actor.is_administrator, "Only an administrator ends an account.")
    person = work.session.get(Person, person_id)
    if person is None:
        raise NotFound("There is no such person.")
    if person.id == work.actor.person_id:
        raise Refused("You cannot end your own account.")
    person.disabled_at = work.now
    work.session.execute(delete(LoginSession).where(col(LoginSession.person_id) == person.id))
    for token in work.session.exec(select(ApiToken).where(ApiToken.person_id == person.id)):
        token.revoked_at = token.revoked_at or work.now
    work.audit("person.disable", person.id)


def actor_of(work: Work, person_id: str, *, may_write: bool = True) -> Actor | None:
    """The person as an actor; None where the person or the organisation is unknown or disabled."""
    row = work.session.exec(
        select(Person, Organisation)
        .join(Organisation, col(Organisation.id) == col(Person.organisation_id))
        .where(Person.id == person_id)
    ).first()
    if row is None or row[0].disabled_at or row[1].disabled_at:
        return None
    person, organisation = row
    return Actor(person.id, organisation.id, person.role, person.name, organisation.name, may_write)
