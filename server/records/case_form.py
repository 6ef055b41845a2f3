"""The case form: what a clinic writes down about a conversion. The same models serve `case.json`, the portal and the API.

What a form can lack without being unusable is optional here, so that a half-filled form can be kept and the rule
`form/missing` can say what is missing; unknown fields and wrong types are errors that name the field.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import combinations
from pathlib import PurePosixPath
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    field_validator,
    model_validator,
)

from server.errors import BadRequest
from server.records.roles import Role, Unit
from server.records.teeth import Arch, Numbering

FIRST_YEAR, LAST_YEAR = 1900, 9000
LEAST_SPOTS_MM2 = 0.5
"""Spots that span a smaller triangle than this lie on a line, as far as a hand can place them."""


def _writable(text: str) -> str:
    if "\0" in text:
        raise ValueError("must not hold a zero character")
    return text


def _within_calendar(moment: datetime) -> datetime:
    """Far from the ends of the calendar, where another time zone or a day more has no date."""
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(f"must be a date between the years {FIRST_YEAR} and {LAST_YEAR}")
    return moment


_Writable = AfterValidator(_writable)
ShortText = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200), _Writable]
LongText = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4000), _Writable]
Code = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=64), _Writable]
Moment = Annotated[datetime, AfterValidator(_within_calendar)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class Prosthesis(StrEnum):
    PROVISIONAL = "provisional"
    DEFINITIVE = "definitive"
    TRY_IN = "try-in"


class Material(StrEnum):
    PMMA_MILLED = "pmma-milled"
    PRINTED_RESIN = "printed-resin"
    ZIRCONIA = "zirconia"
    METAL_ACRYLIC = "metal-acrylic"


class Connection(StrEnum):
    DIRECT = "direct"
    TITANIUM_BASE = "titanium-base"


class OpposingDentition(StrEnum):
    NATURAL = "natural"
    FIXED = "fixed"
    DENTURE = "denture"
    IMPLANT_BRIDGE = "implant-bridge"
    EDENTULOUS = "edentulous"


class SeatConfirmed(StrEnum):
    RADIOGRAPH = "radiograph"
    TACTILE = "tactile"
    NO = "no"


class FormPart(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_enum_values=False)


class Prescriber(FormPart):
    name: ShortText | None = None
    licence: ShortText | None = None
    signed_at: Moment | None = None


class Vertical(FormPart):
    """Distances between the two skin marks, nose tip and chin, in mm."""

    reference_mm: Annotated[float, Field(gt=0, lt=300)] | None = None
    seated_mm: Annotated[float, Field(gt=0, lt=300)] | None = None
    planned_change_mm: Annotated[float, Field(ge=-50, le=50)] = 0.0
    repeats_mm: tuple[Annotated[float, Field(gt=0, lt=300)], ...] = Field(default=(), max_length=20)


class Site(FormPart):
    """One implant. `tooth` is kept as written: the rule form/tooth-code judges it."""

    tooth: ShortText = ""
    scan_body: ShortText | None = None
    abutment_angle_deg: Annotated[float, Field(ge=0, le=90)] | None = None
    cuff_mm: Annotated[float, Field(ge=0, le=30)] | None = None
    seat_confirmed: SeatConfirmed | None = None
    interface: ShortText | None = None
    torque_ncm: Annotated[float, Field(ge=0, le=200)] | None = None
    loaded: bool = True
    screw: ShortText | None = None


Spot = tuple[Finite, Finite, Finite]


class Spots(FormPart):
    """Spots of one scan body matched by hand, where it is not found by itself: scan_mm on the scan, in its file frame, and
    body_mm the same spots on the reference body, seat at the origin, axis along z, clocking direction along x; mm."""

    body: ShortText
    scan_mm: tuple[Spot, ...] = Field(min_length=3, max_length=12)
    body_mm: tuple[Spot, ...] = Field(min_length=3, max_length=12)

    @model_validator(mode="after")
    def _are_matched(self) -> Spots:
        if len(self.scan_mm) != len(self.body_mm):
            raise ValueError("scan_mm and body_mm must hold the same number of spots, in the same order")
        if min(_span_mm2(self.scan_mm), _span_mm2(self.body_mm)) < LEAST_SPOTS_MM2:
            raise ValueError("the spots must not lie on one line: choose three that are well apart")
        return self


def _span_mm2(spots: Sequence[Spot]) -> float:
    """Area of the largest triangle between three of the spots."""
    return max(_triangle_mm2(a, b, c) for a, b, c in combinations(spots, 3))


def _triangle_mm2(a: Spot, b: Spot, c: Spot) -> float:
    (ux, uy, uz), (vx, vy, vz) = (tuple(q - p for p, q in zip(a, end, strict=True)) for end in (b, c))
    return 0.5 * math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx)


class RecordEntry(FormPart):
    """A file of the record set, with its role. `body` names the reference body that a marker mesh shows; `spots`: bodies
    matched by hand."""

    role: Role
    file: Annotated[str, StringConstraints(min_length=1, max_length=255)]
    unit: Unit = Unit.UNKNOWN
    body: ShortText | None = None
    spots: tuple[Spots, ...] = Field(default=(), max_length=16)

    @field_validator("file")
    @classmethod
    def _plain_name(cls, value: str) -> str:
        path = PurePosixPath(value.replace("\\", "/"))
        if path.is_absolute() or ".." in path.parts or "\0" in value or ":" in value:
            raise ValueError("must name a file inside the case folder")
        return value


class Aesthetics(FormPart):
    """Distances in mm from the denture's own midline, incisal edge and smile line."""

    midline_mm: Finite | None = None
    incisal_edge_mm: Finite | None = None
    smile_line_mm: Finite | None = None


class Attested(FormPart):
    """What the clinic confirms to have looked at itself."""

    bite_checked_in_mouth: bool | None = None
    denture_seat_checked: bool | None = None
    marks_unmoved: bool | None = None
    bodies_torqued: bool | None = None


class CaseForm(FormPart):
    schema_: Literal["archproof.case/1"] = Field(default="archproof.case/1", alias="schema")
    patient_code: Code | None = None
    working_arch: Arch | None = None
    numbering: Numbering | None = None
    prosthesis: Prosthesis | None = None
    material: Material | None = None
    connection: Connection | None = None
    opposing_dentition: OpposingDentition | None = None
    needed_by: Moment | None = None
    prescriber: Prescriber | None = None
    vertical: Vertical | None = None
    planned_teeth: ShortText | None = None
    sites: tuple[Site, ...] = Field(default=(), max_length=16)
    records: tuple[RecordEntry, ...] = Field(default=(), max_length=64)
    paired_case: Code | None = None
    aesthetics: Aesthetics | None = None
    callback: ShortText | None = None
    allergies: LongText | None = None
    shade: ShortText | None = None
    notes: LongText | None = None
    physical_items: LongText | None = None
    attested: Attested | None = None

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)

    @property
    def spots(self) -> tuple[Spots, ...]:
        """All that was matched by hand, in all records."""
        return tuple(spots for record in self.records for spots in record.spots)


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """What is wrong with one field. `field`: the way to it, as sites.0.tooth; empty for the form as a whole."""

    field: str
    says: str

    def __str__(self) -> str:
        return f"{self.field or 'the form'}: {self.says}"


class FormUnusable(BadRequest):
    """The form is not a case form; `problems` names each field and what is wrong with it."""

    code = "form-unusable"
    http_status = 422

    def __init__(self, problems: tuple[FieldProblem, ...]) -> None:
        super().__init__("The case form cannot be used: " + "; ".join(map(str, problems)))
        self.problems = problems


def read_case_form(text: str | bytes) -> CaseForm:
    """The form in a case.json. Raises FormUnusable, naming every field that is unknown or of the wrong type."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise FormUnusable((FieldProblem("", f"is not JSON ({error})"),)) from error
    return case_form_of(data)


def case_form_of(data: object) -> CaseForm:
    """The form in a JSON value. Raises FormUnusable."""
    if not isinstance(data, dict):
        raise FormUnusable((FieldProblem("", "is not a JSON object"),))
    if "schema" not in data:
        raise FormUnusable((FieldProblem("schema", "is missing; this program reads “archproof.case/1”"),))
    try:
        return CaseForm.model_validate(data)
    except ValidationError as error:
        problems = (_problem(item["loc"], item["type"], item["msg"]) for item in error.errors())
        raise FormUnusable(tuple(problems)) from error


def _problem(place: tuple[int | str, ...], kind: str, says: str) -> FieldProblem:
    field = ".".join(str(part) for part in place)
    plain = says.removeprefix("Value error, ")
    return FieldProblem(field, "is not a field of the form" if kind == "extra_forbidden" else plain)
