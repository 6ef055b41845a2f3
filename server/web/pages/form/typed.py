"""What was typed into the case form, read into a CaseForm: what is right is taken, what is wrong is named and kept apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from server.records.case_form import CaseForm
from server.web.pages.fields import moment_from, nested, number_from, numbers_from, problem_words

PLAIN = (
    "patient_code", "working_arch", "numbering", "prosthesis", "material", "connection", "opposing_dentition",
    "planned_teeth", "paired_case", "callback", "allergies", "shade", "notes", "physical_items",
    "prescriber.name", "prescriber.licence",
)  # fmt: skip
NUMBERS = (
    "vertical.reference_mm", "vertical.seated_mm", "vertical.planned_change_mm",
    "aesthetics.midline_mm", "aesthetics.incisal_edge_mm", "aesthetics.smile_line_mm",
)  # fmt: skip
ATTESTED = ("bite_checked_in_mouth", "denture_seat_checked", "marks_unmoved", "bodies_torqued")
SITE_PLAIN = ("tooth", "scan_body", "seat_confirmed", "interface", "screw")
SITE_NUMBERS = ("abutment_angle_deg", "cuff_mm", "torque_ncm")


@dataclass(frozen=True, slots=True)
class TypedForm:
    """`form` holds what is right; `problems` names, by field path, what is not; `values` is what was typed."""

    form: CaseForm
    problems: Mapping[str, str]
    values: Mapping[str, str]


def read_typed(values: Mapping[str, str], kept: CaseForm, zone: ZoneInfo, now: datetime) -> TypedForm:
    """The form as typed. Fields that are wrong keep what `kept`, the form saved before, says of them."""
    data = _data(values, kept, zone, now)
    problems: dict[str, str] = {}
    rows = site_rows(values)
    for _ in range(2):
        try:
            form = CaseForm.model_validate(data)
            return TypedForm(form, problems, values)
        except ValidationError as refusal:
            for error in refusal.errors():
                path = tuple(str(step) for step in error["loc"])
                problems[_field_of(path, rows)] = problem_words(error)
                _put_back(data, path, kept)
    raise AssertionError("a form of what was saved and what is right must be a form")


def _data(values: Mapping[str, str], kept: CaseForm, zone: ZoneInfo, now: datetime) -> dict[str, Any]:
    data = kept.model_dump(mode="json", include={"schema_", "records"}, by_alias=True)
    given: dict[str, Any] = {}
    given |= {name: values[name].strip() for name in PLAIN if values.get(name, "").strip()}
    given |= {name: number_from(values[name]) for name in NUMBERS if values.get(name, "").strip()}
    if values.get("needed_by", "").strip():
        given["needed_by"] = moment_from(values["needed_by"].strip(), zone)
    if values.get("vertical.repeats_mm", "").strip():
        given["vertical.repeats_mm"] = numbers_from(values["vertical.repeats_mm"])
    given |= {f"attested.{name}": True for name in ATTESTED if values.get(f"attested.{name}")}
    if values.get("prescriber.signed"):
        signed = kept.prescriber.signed_at if kept.prescriber else None
        given["prescriber.signed_at"] = (signed or now).isoformat()
    data |= nested(given)
    data["sites"] = [_site(values, row) for row in site_rows(values)]
    return data


def site_rows(values: Mapping[str, str]) -> list[int]:
    """The numbers of the implant rows on the page, in order."""
    names = (name.split(".") for name in values if name.startswith("sites."))
    return sorted({int(parts[1]) for parts in names if len(parts) == 3 and parts[1].isdigit()})[:16]


def _site(values: Mapping[str, str], row: int) -> dict[str, Any]:
    typed = {name: values.get(f"sites.{row}.{name}", "").strip() for name in (*SITE_PLAIN, *SITE_NUMBERS)}
    site: dict[str, Any] = {name: typed[name] for name in SITE_PLAIN if typed[name]}
    site |= {name: number_from(typed[name]) for name in SITE_NUMBERS if typed[name]}
    site["loaded"] = not values.get(f"sites.{row}.covered")
    return site


def _field_of(path: tuple[str, ...], rows: list[int]) -> str:
    """The field's name on the page, where implant rows keep their number when one before them is taken out."""
    if path[:2] == ("vertical", "repeats_mm"):
        return "vertical.repeats_mm"
    if path[0] == "sites" and len(path) > 1:
        path = ("sites", str(rows[int(path[1])]), *path[2:])
    return ".".join(path)


def _put_back(data: dict[str, Any], path: tuple[str, ...], kept: CaseForm) -> None:
    """Replaces one refused value by the one saved before; within an implant's row, where none is sure to be its own,
    leaves it out."""
    if path[:2] == ("vertical", "repeats_mm"):
        path = path[:2]
    here: Any = data
    before: Any = kept.model_dump(mode="json", by_alias=True)
    for step in path[:-1]:
        here = here[int(step)] if isinstance(here, list) else here.get(step)
        before = before.get(step) if isinstance(before, dict) else None
        if here is None:
            return
    old = before.get(path[-1]) if isinstance(before, dict) else None
    if old is None:
        here.pop(path[-1], None)
    else:
        here[path[-1]] = old
