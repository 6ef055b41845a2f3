"""From accounts, tokens and the audit trail to the pages that keep house."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from server.accounts.tables import ApiToken, AuditEntry, Organisation, OrganisationKind, Person, PersonRole
from server.web.pages.fields import FieldView
from server.web.pages.house.page import (
    AuditPage,
    AuditRow,
    OrganisationGroup,
    PeoplePage,
    PersonRow,
    TokenRow,
    TokensPage,
)
from server.web.pages.parts import Frame, OptionView, TagView
from server.web.pages.words import time_view

ROLE_WORDS = {
    PersonRole.CLINIC: "Clinic",
    PersonRole.LAB: "Lab",
    PersonRole.ADMINISTRATOR: "Administrator of the lab",
}
DEED_WORDS = {
    "body.add": "added to the body catalogue",
    "case.form": "changed a form",
    "case.open": "opened a case",
    "case.release": "released a case",
    "case.return": "returned a case",
    "case.submit": "sent a case to the lab",
    "case.take-back": "took a case back",
    "case.withdraw": "withdrew a case",
    "finding.waive": "waived a finding",
    "invitation.add": "invited a person",
    "mail.choose": "chose their mails",
    "message.add": "wrote a message",
    "organisation.add": "added an organisation",
    "person.add": "joined a person",
    "person.disable": "ended an account",
    "record.add": "received a record",
    "record.change": "changed what a record is",
    "record.fill-in": "filled in what a record is",
    "record.confirm": "confirmed what a record is",
    "record.remove": "took a record out",
    "round.open": "opened a round",
    "session.begin": "signed in",
    "token.add": "made a token",
    "token.revoke": "revoked a token",
    "webhook.add": "added a webhook",
    "webhook.remove": "removed a webhook",
    "webhook.secret": "changed a webhook’s secret",
    "webhook.try": "tried a webhook",
}
"""What each entry of the trail is called; an unknown one is shown by its code."""

AUDIT_PAGE = 100


def people_page(
    frame: Frame,
    everybody: Sequence[tuple[Person, Organisation]],
    organisations: Sequence[Organisation],
    *,
    self_id: str | None,
    zone: ZoneInfo,
    link: str = "",
    link_says: str = "",
    wrong: Mapping[str, str] | None = None,
) -> PeoplePage:
    """Everybody by organisation, with what is needed to invite one more."""
    wrong = wrong or {}
    by_organisation = {o.id: [p for p, org in everybody if org.id == o.id] for o in organisations}
    groups = [
        OrganisationGroup(o.id, o.name, _rows(by_organisation[o.id], self_id, zone)) for o in organisations
    ]
    return PeoplePage(
        frame=frame,
        groups=tuple(groups),
        organisations=tuple(OptionView(o.id, o.name) for o in organisations),
        roles=tuple(
            OptionView(role.value, words, role is PersonRole.CLINIC) for role, words in ROLE_WORDS.items()
        ),
        email=FieldView(
            "email", "E-mail address", kind="email", wrong=wrong.get("email", ""), is_required=True
        ),
        clinic_name=FieldView(
            "clinic_name", "Name of the clinic", wrong=wrong.get("clinic_name", ""), is_required=True
        ),
        link=link,
        link_says=link_says,
    )


def organisations_of(
    everybody: Sequence[tuple[Person, Organisation]], clinics: Sequence[Organisation]
) -> list[Organisation]:
    """The lab first, then the clinics by name, each once."""
    known = {organisation.id: organisation for _, organisation in everybody} | {c.id: c for c in clinics}
    return sorted(known.values(), key=lambda o: (o.kind is not OrganisationKind.LAB, o.name.casefold()))


def _rows(people: Sequence[Person], self_id: str | None, zone: ZoneInfo) -> tuple[PersonRow, ...]:
    return tuple(
        PersonRow(
            id=p.id,
            name=p.name,
            email=p.email,
            role=ROLE_WORDS[p.role],
            since=time_view(p.created_at, zone),
            is_disabled=p.disabled_at is not None,
            may_disable=p.disabled_at is None and p.id != self_id,
        )
        for p in people
    )


def tokens_page(
    frame: Frame,
    tokens: Sequence[ApiToken],
    *,
    now: datetime,
    zone: ZoneInfo,
    secret: str = "",
    wrong: str = "",
) -> TokensPage:
    """The person's tokens; `secret` is shown this once."""
    days = tuple(OptionView(str(d), f"{d} days", d == 90) for d in (7, 30, 90, 365))
    name = FieldView(
        "name",
        "What it is for",
        wrong=wrong,
        hint="Such as the computer it will be kept on.",
        is_required=True,
    )
    return TokensPage(frame, tuple(_token(t, now, zone) for t in tokens), name, days, secret)


def _token(token: ApiToken, now: datetime, zone: ZoneInfo) -> TokenRow:
    is_live = token.revoked_at is None and token.expires_at > now
    word = "Live" if is_live else "Revoked" if token.revoked_at else "Over"
    return TokenRow(
        id=token.id,
        name=token.name,
        tag=TagView("clear" if is_live else "none", word, "key" if is_live else "none"),
        may_write=token.may_write,
        made=time_view(token.created_at, zone),
        ends=time_view(token.expires_at, zone),
        used=time_view(token.used_at, zone) if token.used_at else None,
        may_revoke=is_live,
    )


def audit_page(
    frame: Frame, entries: Sequence[AuditEntry], names: Mapping[str, str], zone: ZoneInfo
) -> AuditPage:
    """The newest entries first; `names` of people by id."""
    rows = tuple(
        AuditRow(
            at=time_view(e.at, zone),
            who=names.get(e.person_id or "", "the portal itself" if e.person_id is None else "somebody"),
            action=DEED_WORDS.get(e.action, e.action),
            object_id=e.object_id,
            detail=", ".join(f"{name} {value}" for name, value in e.detail.items()),
        )
        for e in entries
    )
    more = f"/audit?before={entries[-1].id}" if len(entries) == AUDIT_PAGE else ""
    return AuditPage(frame, rows, more)
