"""Keeping house: people and clinics, tokens for programs, the audit trail."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame, OptionView, TagView, TimeView


@dataclass(frozen=True, slots=True)
class PersonRow:
    id: str
    name: str
    email: str
    role: str
    since: TimeView
    is_disabled: bool
    may_disable: bool


@dataclass(frozen=True, slots=True)
class OrganisationGroup:
    id: str
    name: str
    people: tuple[PersonRow, ...]


@dataclass(frozen=True, slots=True)
class PeoplePage:
    template: ClassVar[str] = "house/people.html"

    frame: Frame
    groups: tuple[OrganisationGroup, ...]
    organisations: tuple[OptionView, ...]
    roles: tuple[OptionView, ...]
    email: FieldView
    clinic_name: FieldView
    link: str = ""
    link_says: str = ""


@dataclass(frozen=True, slots=True)
class TokenRow:
    id: str
    name: str
    tag: TagView
    may_write: bool
    made: TimeView
    ends: TimeView
    used: TimeView | None
    may_revoke: bool


@dataclass(frozen=True, slots=True)
class TokensPage:
    template: ClassVar[str] = "house/tokens.html"

    frame: Frame
    tokens: tuple[TokenRow, ...]
    name: FieldView
    days: tuple[OptionView, ...]
    secret: str = ""


@dataclass(frozen=True, slots=True)
class AuditRow:
    at: TimeView
    who: str
    action: str
    object_id: str
    detail: str


@dataclass(frozen=True, slots=True)
class AuditPage:
    template: ClassVar[str] = "house/audit.html"

    frame: Frame
    rows: tuple[AuditRow, ...]
    more_href: str
