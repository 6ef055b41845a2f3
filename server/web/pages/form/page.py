"""The page on which a clinic writes down a case: every field of the case form, in the order in which it is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame


@dataclass(frozen=True, slots=True)
class SiteView:
    """One implant's row. `row` is its number in field names, `number` the one people count."""

    row: int
    number: int
    tooth: FieldView
    scan_body: FieldView
    seat_confirmed: FieldView
    interface: FieldView
    abutment_angle_deg: FieldView
    cuff_mm: FieldView
    torque_ncm: FieldView
    screw: FieldView
    covered: FieldView


@dataclass(frozen=True, slots=True)
class FormSection:
    """Fields that belong together. `kind` of a field picks its macro."""

    number: int
    id: str
    title: str
    says: str
    fields: tuple[FieldView, ...]
    checks: tuple[FieldView, ...] = ()
    is_sites: bool = False


@dataclass(frozen=True, slots=True)
class FormPage:
    template: ClassVar[str] = "form/form.html"

    frame: Frame
    case_id: str
    heading: str
    action: str
    draft_key: str
    sections: tuple[FormSection, ...]
    sites: tuple[SiteView, ...]
    bodies: tuple[str, ...]
    problem_count: int
    saved_words: str
    back_href: str
