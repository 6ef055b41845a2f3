"""Invitations: one link, one person, one use; and the link for the first administrator of a fresh installation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from sqlmodel import col, delete, select

from server.accounts.login import OpenSession, begin_session
from server.accounts.passwords import check_password_strength, hash_password
from server.accounts.people import add_organisation, add_person, clean_email, find_lab
from server.accounts.tables import Invitation, Organisation, OrganisationKind, Person, PersonRole
from server.accounts.work import PORTAL, Work, reading, writing
from server.errors import NotFound
from server.kit.ids import digest, new_secret
from server.kit.portal import Portal

PATH = "/join/"


class InvitationOver(NotFound):
    """The link is unknown, used or too old; which, is not said."""

    code = "invitation-over"


@dataclass(frozen=True)
class OpenInvitation:
    organisation_name: str
    role: PersonRole
    email: str


def invite(work: Work, organisation_id: str, role: PersonRole, email: str) -> str:
    """The secret of a new invitation; the link is the portal's address + `/join/` + secret. Raises NotFound."""
    work.require(work.actor.is_administrator, "Only an administrator invites people.")
    organisation = work.session.get(Organisation, organisation_id)
    if organisation is None or (role is PersonRole.CLINIC) != (organisation.kind is OrganisationKind.CLINIC):
        raise NotFound("There is no such organisation for this role.")
    return _add(work, organisation, role, clean_email(email))


def first_administrator_link(portal: Portal) -> str | None:
    """A link by which the first administrator of a fresh installation joins; None once there is somebody.

    Printed at start-up. A link from an earlier start is void.
    """
    with writing(portal, PORTAL) as work:
        if work.session.exec(select(Person.id).limit(1)).first() is not None:
            return None
        lab = find_lab(work) or add_organisation(work, OrganisationKind.LAB, portal.settings.lab_name)
        work.session.flush()
        work.session.execute(delete(Invitation).where(col(Invitation.invited_by).is_(None)))
        return portal.settings.address + PATH + _add(work, lab, PersonRole.ADMINISTRATOR, "")


def look_at_invitation(portal: Portal, secret: str) -> OpenInvitation:
    """What the link invites to. Raises InvitationOver."""
    with reading(portal, PORTAL) as work:
        invitation = _open(work, secret)
        organisation = work.session.get_one(Organisation, invitation.organisation_id)
        return OpenInvitation(organisation.name, invitation.role, invitation.email)


def accept_invitation(portal: Portal, secret: str, *, email: str, name: str, password: str) -> OpenSession:
    """The new person's session. `email` counts only where the invitation names none.

    Raises InvitationOver, PasswordWeak, EmailUnusable, Refused.
    """
    offered = look_at_invitation(portal, secret)
    address = offered.email or clean_email(email)
    check_password_strength(password, email=address)
    password_hash = hash_password(password)
    with writing(portal, PORTAL) as work:
        invitation = _open(work, secret)
        invitation.used_at = work.now
        organisation = work.session.get_one(Organisation, invitation.organisation_id)
        person = add_person(work, organisation, invitation.role, address, name, password_hash)
        return begin_session(work, person.id)


def _add(work: Work, organisation: Organisation, role: PersonRole, email: str) -> str:
    secret = new_secret()
    lifetime = timedelta(seconds=work.portal.settings.invitation_lifetime_s)
    work.session.add(
        Invitation(
            token_digest=digest(secret),
            organisation_id=organisation.id,
            role=role,
            email=email,
            invited_by=work.actor.person_id,
            created_at=work.now,
            expires_at=work.now + lifetime,
        )
    )
    work.audit("invitation.add", organisation.id, role=role.value)
    return secret


def _open(work: Work, secret: str) -> Invitation:
    query = select(Invitation).where(Invitation.token_digest == digest(secret)).with_for_update()
    invitation = work.session.exec(query).first()
    if invitation is None or invitation.used_at is not None or invitation.expires_at <= work.now:
        raise InvitationOver("This link is no longer valid. Ask for a new invitation.")
    return invitation
